"""What speaks against a closing, on the day itself and beside it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
import pytest

from costing import read_estate
from costing.decisions.closing.closed_years import closed_year_edits
from costing.decisions.closing.closing import close_year, closing_findings, with_closing
from costing.decisions.closing.next_year import open_year
from costing.errors import CostingError
from costing.inputs.estate import as_table
from costing.model import Runs
from tests.golden.every_decision import example
from tests.inputs.planted import estate_of

ON = date(2025, 6, 30)
BEFORE, AFTER = date(2025, 6, 29), date(2025, 7, 1)


def _said(
    settings: dict[str, Any], begins: date = BEFORE, ends: date = ON, closed: date = BEFORE, **how: bool
) -> list[str]:
    estate = estate_of()
    pools = estate["pools"].assign(from_date=pd.Timestamp(begins), to_date=pd.Timestamp(ends)).iloc[:1]
    stock = as_table("yearend_stock", pd.DataFrame({"closing_date": [pd.Timestamp(closed)], "lot": ["A"]}))
    usual = {"valuation_date": ON, "accounts_approved_on": None}
    tables = {**estate.tables, "pools": pools, "yearend_stock": stock}
    asked = replace(estate, settings=estate.settings.model_copy(update=usual | settings), tables=tables)
    return [f"{one.severity} {one.place} {one.rule}" for one in closing_findings(asked, ON, **how)]


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({}, ""),
        ({"settings": {"valuation_date": None}}, ""),
        (
            {"settings": {"valuation_date": BEFORE}},
            "error Settings!B2 is before the closing of 2025-06-30: rows between",
        ),
        ({"settings": {"accounts_approved_on": ON}}, ""),
        ({"settings": {"accounts_approved_on": BEFORE}}, "error Settings is before the closing of 2025-06-30."),
        ({"ends": AFTER}, "caution Pools!B2 is the end of a pool that is still open at the closing of 2025-06-30"),
        ({"begins": ON, "ends": AFTER}, "caution Pools!B2 is the end of a pool that is still open"),
        ({"begins": AFTER, "ends": AFTER}, ""),
        ({"closed": ON}, "error Year-end stock holds a closing of 2025-06-30 already: a closed date is closed."),
        ({"closed": ON, "again": True}, "caution Year-end stock holds a closing of 2025-06-30 already; it stays"),
        ({"closed": AFTER}, ""),
    ],
)
def test_what_speaks_against_a_closing(given: dict[str, Any], said: str) -> None:
    found = _said(**{"settings": {}, **given})
    assert len(found) == bool(said)
    assert "".join(found).startswith(said)


def test_a_day_that_holds_nothing_is_not_closed() -> None:
    with pytest.raises(CostingError, match=r"^nothing is in stock on 1999-12-31; check the date of the closing$"):
        close_year(example(), date(1999, 12, 31))


def test_a_year_that_was_not_closed_is_not_opened_and_closed_ones_are_named() -> None:
    with pytest.raises(CostingError, match=r"^2023-12-31 has not been closed \(closed: none\)\. Run `costing close`"):
        open_year(example(), date(2023, 12, 31))
    days = [pd.Timestamp(2024, 12, 31), pd.Timestamp(2024, 6, 30)]
    stock = as_table("yearend_stock", pd.DataFrame({"closing_date": days, "lot": ["A", "A"]}))
    closed = replace(example(), tables={**example().tables, "yearend_stock": stock})
    with pytest.raises(CostingError, match=r"\(closed: 2024-06-30, 2024-12-31\)"):
        open_year(closed, date(2023, 12, 31))


def test_edits_that_cannot_be_undone_together_leave_what_they_moved_in_one_line() -> None:
    """A year closed with interest expensed. A setting capitalises it since, at a rate entered then, without which no
    book can be kept: 200 of grapes for 121 days at 5 %.
    """
    on = date(2024, 12, 31)
    settings = {"Valuation date": "2024-12-31", "Borrowing cost in the books": "capitalised", "Day count": "Act/360"}
    grapes = {"Date": "2024-09-01", "Lot": "G", "What": "grapes", "Quantity": 100, "Unit": "kg", "Price per unit": 2.0}
    sheets = {
        "settings": pd.DataFrame(settings.items(), columns=["Setting", "Value"]),
        "deliveries": pd.DataFrame([grapes]),
        "interest_rates": pd.DataFrame({"From": ["2024-01-01"], "Borrowing rate (%)": [5]}),
    }
    now = read_estate(sheets)
    expensed = read_estate({"settings": sheets["settings"].iloc[[0, 2]], "deliveries": sheets["deliveries"]})
    frozen = with_closing(expensed, close_year(expensed, on))
    closed = {name: as_table(name, table) for name, table in frozen.items()}
    edits = closed_year_edits(Runs(replace(now, tables={**now.tables, **closed})))["closed_year_edits"]
    assert edits["place"].tolist() == ["Interest rates!2", "Year-end costs, what no row explains"]
    assert edits["stock_moved"].tolist() == pytest.approx([np.nan, 200 * (1.05 ** (121 / 360) - 1)], nan_ok=True)
