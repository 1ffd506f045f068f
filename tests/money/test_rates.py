"""Rates by driver: from which day they hold, and what they rise to in plans."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from costing import read_estate, run
from costing.inputs.basis import BOOK
from costing.money.rates import escalated
from tests.money.test_entries import cost, pressed, spent


def rate(since: str, amount: float) -> pd.DataFrame:
    return pd.DataFrame(
        {"From": [since], "Operation": ["pressing"], "Driver": ["kg"], "Element": ["pressing"], "Amount": [amount]}
    )


def test_work_before_the_first_date_of_its_rate_is_not_charged() -> None:
    tables = {**pressed(("2025-09-10", "2025-09-12")), "operation_rates": rate("2025-09-12", 0.5)}
    assert [cost(tables, "M1"), cost(tables, "M2")] == pytest.approx([24_000, 26_000])


def test_a_rate_holds_until_the_next() -> None:
    rates = pd.concat([rate("2025-09-01", 0.5), rate("2025-09-11", 0.75)], ignore_index=True)
    for order in (rates, rates.iloc[::-1].reset_index(drop=True)):
        tables = {**pressed(("2025-09-10", "2025-09-12")), "operation_rates": order}
        assert [cost(tables, "M1"), cost(tables, "M2")] == pytest.approx([26_000, 27_000])


def test_a_plan_rises_by_the_year_from_the_later_of_the_valuation_and_the_rate() -> None:
    """2 % a year: nothing until the valuation day, then 1.02 and its square; a later rate rises from its own day."""
    valuation, year = 20_000, 365
    day = np.array([valuation - year, valuation, valuation + year, valuation + 2 * year, valuation + 2 * year])
    since = np.array([0, 0, 0, 0, valuation + year])
    raised = escalated(np.full(5, 100.0), np.full(5, 0.02), since, day, valuation)
    assert raised == pytest.approx([100.0, 100.0, 102.0, 104.04, 102.0])
    assert escalated(np.array([100.0]), np.array([np.nan]), since[:1], day[3:4], valuation) == pytest.approx([100.0])


def test_a_cost_on_must_stands_under_its_own_stage_where_one_is_given() -> None:
    tables = {**pressed(), "costs": spent("2025-09-10", "M1", "labour", 300.0).assign(Stage="vinification")}
    results = run(read_estate(tables), BOOK)
    last = int(results.chain.states.last_of_lot[results.chain.lots.names.get_loc("M1")])
    row = dict(zip(results.columns, np.ravel(results.cost[np.array([last])]), strict=True))
    assert row[("vinification", "labour")] == pytest.approx(300.0)
    assert row.get(("pressing", "labour"), 0.0) == 0.0
