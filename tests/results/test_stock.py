"""Stock on any date, its roll-forward, and what left: every table closes, and late costs keep to their date."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from costing import BOOK, ECONOMIC, Results, read_estate, run, trace
from costing.results.late import late_costs
from costing.results.net_realisable import net_realisable_value
from costing.results.roll_forward import exits, expensed_at_once, roll_forward
from costing.results.stock import stock_values
from tests.form import every
from tests.properties.estates import estate_drawn

GOLDEN = Path(__file__).parents[1] / "golden"


@pytest.fixture(scope="module")
def demo(demo_runs) -> dict[str, Results]:
    return {basis.name: demo_runs.on(basis) for basis in (BOOK, ECONOMIC)}


def _value(results: Results, lot: str, on: str) -> float:
    return float(stock_values(results, on).set_index("lot")["value"][lot])


def test_stock_with_an_instalment_unpaid() -> None:
    """Worked by hand: all first-pressing wine on 30 June 2026 at 8 %, one quarter of the grapes unpaid."""
    results = run(read_estate(GOLDEN / "S1"), ECONOMIC)
    assert round(_value(results, "V-FIRST", "2026-06-30"), 2) == 27_604.35


def test_a_late_premium_changes_no_value_dated_before_it() -> None:
    estate = read_estate(GOLDEN / "S1")
    rows = {**estate.tables, "deliveries": estate["deliveries"].assign(premium_per_unit=np.nan)}
    without = replace(estate, tables=rows)
    for basis in (BOOK, ECONOMIC):
        late, never = run(estate, basis), run(without, basis)
        for day in ("2026-01-15", "2026-02-28", "2026-03-19"):
            assert _value(late, "V-FIRST", day) == pytest.approx(_value(never, "V-FIRST", day), rel=1e-12)
        assert _value(late, "V-FIRST", "2026-03-20") > _value(never, "V-FIRST", "2026-03-20") + 500


@pytest.mark.parametrize("basis", ["book", "economic"])
def test_roll_forward_closes_in_every_stage(demo, basis) -> None:
    for start, end in (("2024-12-31", "2025-12-31"), ("2019-03-10", "2024-10-14"), ("2025-12-31", "2028-06-30")):
        table = roll_forward(demo[basis], start, end)
        assert table["difference"].abs().max() < 1e-9 * table["closing"].iloc[-1] + 1e-6
        assert table["from_stages"].iloc[-1] == pytest.approx(-table["to_stages"].iloc[-1])


@pytest.mark.parametrize("basis", ["book", "economic"])
def test_closing_stock_is_the_next_opening_stock(demo, basis) -> None:
    first, second = (
        roll_forward(demo[basis], a, b) for a, b in (("2023-12-31", "2024-12-31"), ("2024-12-31", "2025-12-31"))
    )
    assert np.allclose(first["closing"], second["opening"], rtol=1e-12)


def test_exits_of_the_years_add_up_to_those_of_the_run(demo) -> None:
    results = demo["book"]
    years = sum(exits(results, f"{y}-01-01", f"{y}-12-31")["cost"].sum() for y in range(2017, 2031))
    whole = results.reconciliation().set_index("line")["amount"]
    assert years == pytest.approx(whole["Cost of goods sold and other exits"] + whole["Abnormal losses expensed"])


def test_expenses_of_the_years_add_up_to_those_of_the_run(demo) -> None:
    results = demo["book"]
    years = sum(expensed_at_once(results, f"{y}-01-01", f"{y}-12-31")["amount"].sum() for y in range(2017, 2031))
    assert years == pytest.approx(results.reconciliation().set_index("line")["amount"]["Expensed at once"])


def test_samples_and_staff_are_not_sales(demo) -> None:
    ways = set(exits(demo["book"], "2018-01-01", "2025-12-31")["way_out"])
    assert {"sale", "samples", "staff", "hospitality"} <= ways


def test_write_down_is_an_overlay(demo) -> None:
    table = net_realisable_value(demo["economic"])
    assert (table["write_down"] > 0).any()
    assert np.allclose(table["carried_at"], np.fmin(table["value"], table["market_value"].fillna(np.inf)))
    plain = stock_values(demo["economic"])
    assert np.allclose(plain["value"], table["value"])


@pytest.mark.parametrize("seed", every(2, range(6)))
def test_random_estates_close_on_both_bases(seed) -> None:
    estate = estate_drawn(seed, 60)
    chain = trace(estate)
    dates = [np.datetime64(int(day), "D") for day in np.quantile(chain.flows.day, [0.3, 0.8])]
    for basis in (BOOK, ECONOMIC):
        results = run(estate, basis, chain)
        table = roll_forward(results, *dates)
        assert table["difference"].abs().max() < 1e-6


@pytest.mark.parametrize("seed", every(2, range(4)))
def test_values_at_the_end_are_those_of_the_run(seed) -> None:
    estate = estate_drawn(seed, 60)
    results = run(estate, ECONOMIC)
    day = int(results.chain.horizon_day)
    total = results.total
    late = late_costs(results, day)  # premiums fixed after the last row
    if late is not None:
        total = total - late.onto(late.worth, len(total))
    value = stock_values(results, np.datetime64(day, "D"))["value"].sum()
    assert value == pytest.approx(total[results.final].sum(), rel=1e-9)


def test_stock_that_has_cost_nothing_yet_is_worth_nothing_in_no_stage() -> None:
    opening = {"Date": ["2024-01-01"], "Lot": ["A"], "Kind": ["wine"], "Quantity": [100], "Unit": ["L"]}
    settings = pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2024-12-31"]})
    results = run(read_estate({"settings": settings, "opening_stock": pd.DataFrame(opening)}), BOOK)
    stock = stock_values(results, None, "stage")
    assert (stock["quantity"].tolist(), stock["value"].tolist()) == ([100.0], [0.0])
    assert not [name for name in stock.columns if name.startswith("stage:")]
