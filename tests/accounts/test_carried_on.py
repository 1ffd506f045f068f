"""What a closing carries into the next year: stock, money that comes later for it, and for goods that are gone."""

from __future__ import annotations

import datetime as dt
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from costing.accounts.carried_on import carried_on
from costing.accounts.origins import _steps

RUNS: Any = SimpleNamespace(currency="EUR")
DAY = pd.Timestamp("2026-02-01")


def test_each_amount_is_carried_on_once() -> None:
    """By hand: 100 + 20 of stock, 7 later for stock, 5 later for what was sold; 3 of the economic basis alone."""
    lines = [
        ("book", 100.0, None, None),
        ("book", 20.0, None, "sale"),
        ("book", 7.0, DAY, None),
        ("book", 5.0, DAY, "sale"),
        ("economic", 3.0, DAY, None),
    ]
    costs = pd.DataFrame(lines, columns=["basis", "amount", "incurred_date", "way_out"])
    answer = carried_on(RUNS, {"yearend_costs": costs, "yearend_stock": pd.DataFrame(index=range(1_200))}, dt.date.max)
    found = answer.main.set_index("basis")
    columns = ["closed_stock", "incurred_later", "later_on_goods_gone", "carried_on"]
    assert found.loc["book", columns].tolist() == [120.0, 7.0, 5.0, 132.0]
    assert found.loc["economic", columns].tolist() == [0.0, 3.0, 0.0, 3.0]
    assert answer.facts["lots"] == "1,200"


def test_a_bridge_begins_and_ends_on_the_ground() -> None:
    line = pd.DataFrame({"line": ["book", "grapes", "capital", "economic"], "per_unit": [10.0, -1.0, 3.0, 12.0]})
    table = _steps(line.assign(release="D25"))
    assert table["release"].tolist() == ["D25"] * 4
    assert table["step_base"].fillna(0.0).tolist() == pytest.approx([0.0, 9.0, 9.0, 0.0])
