"""What speaks against a closing, on the day itself and beside it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
import pytest

from costing import read_estate
from costing.decisions.closing.closed_years import closed_year_edits, edits_since, undone
from costing.decisions.closing.closing import close_year, closing_findings, with_closing
from costing.decisions.closing.next_year import _without_frozen_premiums, left_out, open_year
from costing.errors import CostingError
from costing.inputs.estate import Estate, as_table
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


WINE = {"Date": "2024-09-01", "Lot": "W", "What": "wine", "Variety": "Pinot", "Quantity": 100, "Unit": "L",
        "Price per unit": 2.0}  # fmt: skip
YEAR = {"Valuation date": "2025-12-31"}
CLOSED = date(2024, 12, 31)


def _closed(**sheets: pd.DataFrame) -> Estate:
    """A vat bought in the year that is closed, and more rows."""
    settings = pd.DataFrame(YEAR.items(), columns=["Setting", "Value"])
    estate = read_estate({"settings": settings, "deliveries": pd.DataFrame([WINE]), **sheets})
    frozen = with_closing(estate, close_year(estate, CLOSED))
    return replace(estate, tables={**estate.tables, **{name: as_table(name, table) for name, table in frozen.items()}})


def test_the_first_row_of_a_sheet_entered_after_the_closing_can_be_undone_as_any_other() -> None:
    costs = pd.DataFrame({"Date incurred": ["2024-10-01", "2024-11-01"], "Lot": "W", "Element": "labour",
                          "Amount": [30.0, 7.0]})  # fmt: skip
    before, after = _closed(), _closed(costs=costs)
    kept = {name: before[name] for name in ("yearend_stock", "yearend_costs", "yearend_composition", "yearend_inputs")}
    edited = replace(after, tables={**after.tables, **kept})
    edits = list(edits_since(edited, CLOSED))
    assert [edit.place for edit in edits] == ["Costs!2", "Costs!3"]
    assert undone(edited, edits[:1])["costs"]["amount"].tolist() == [7.0]
    assert undone(edited, edits[1:])["costs"]["amount"].tolist() == [30.0]
    moved = closed_year_edits(Runs(edited))["closed_year_edits"]
    assert moved["stock_moved"].tolist() == pytest.approx([30.0, 7.0])


def test_other_peoples_wine_keeps_what_it_is_made_of_in_the_next_workbook() -> None:
    theirs = {**WINE, "Lot": "T", "Variety": "Chardonnay", "Price per unit": None, "Owner": "A neighbour"}
    frozen = _closed(deliveries=pd.DataFrame([WINE, theirs]))["yearend_composition"]
    varieties = frozen[frozen["attribute"] == "variety"]
    assert varieties[["lot", "name", "share"]].to_numpy().tolist() == [["W", "Pinot", 1.0], ["T", "Chardonnay", 1.0]]


def test_a_cost_of_the_closing_day_itself_is_not_left_out() -> None:
    """On a vat that was racked away before: the closing shares it out."""
    racked = {"Date": "2024-10-01", "Operation": "racking", "From lot": "W", "Out (L)": 100, "To lot": "V",
              "In (L)": 100}  # fmt: skip
    spent = {"Lot": "W", "Element": "labour", "Amount": 30.0}
    for day, found in (("2024-12-31", 0), ("2025-01-01", 1)):
        costs = pd.DataFrame([{**spent, "Date incurred": day}])
        before, after = (_closed(movements=pd.DataFrame([racked]), **more) for more in ({}, {"costs": costs}))
        entered = replace(after, tables={**after.tables, "yearend_costs": before["yearend_costs"]})
        assert len(left_out(entered, CLOSED)) == found


def test_a_pool_that_worked_on_less_than_a_litre_goes_along_with_what_it_worked_on() -> None:
    """One that worked on nothing, and one whose period goes on, keep their blank."""
    pools = pd.DataFrame(
        {"From": "2024-09-02", "To": ["2024-12-31", "2024-12-31", "2025-06-30"], "Pool": ["Racks", "Press", "Hoses"],
         "Amount": 10.0, "Driver": ["litre", "kg", "litre"], "Element": "overhead"}
    )  # fmt: skip
    racked = {"Date": ["2024-10-01"], "Operation": "racking", "From lot": "W", "Out (L)": 0.8, "To lot": "V",
              "In (L)": 0.8}  # fmt: skip
    closed = _closed(pools=pools, movements=pd.DataFrame(racked))
    found = open_year(closed, CLOSED)["pools"]["normal_capacity"]
    assert found.tolist() == pytest.approx([0.8, np.nan, np.nan], nan_ok=True)


def test_final_premiums_still_to_come_go_along_and_those_that_were_frozen_do_not() -> None:
    listed = pd.DataFrame(
        {"vintage": [2024, 2024, 2024, 2025], "variety": ["Meunier", "Meunier", "Pinot", "Pinot"],
         "price_per_kg": [6.0, None, 5.5, None], "final_premium_per_kg": [None, 0.3, 0.4, 0.2]}
    )  # fmt: skip
    grapes = pd.DataFrame(
        {"on_date": [pd.Timestamp(2025, 9, 10)], "lot": "G", "what": "grapes", "variety": "Pinot", "quantity": 100.0,
         "unit": "kg"}
    )  # fmt: skip
    found = _without_frozen_premiums(as_table("grape_prices", listed), as_table("deliveries", grapes))
    assert found["price_per_kg"].tolist() == pytest.approx([6.0, 5.5, np.nan], nan_ok=True)
    assert found["final_premium_per_kg"].tolist() == pytest.approx([np.nan, np.nan, 0.2], nan_ok=True)
