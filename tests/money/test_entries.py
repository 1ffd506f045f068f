"""Where money enters its lot: the delivery's arrival, before a day's draws, or over all that left."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import pytest

from costing import BOOK, read_estate, run
from costing.engine.carrying import day_numbers
from costing.graph.arrays import STAGES
from costing.model import trace
from costing.money.entries import shared_after
from costing.results.roll_forward import exits
from tests.decisions.one_bottling import one_bottling
from tests.properties.estates import Tables

DAY = "2025-09-10"


def cost(tables: Tables, lot: str) -> float:
    """Cost of a lot at the end of the records."""
    results = run(read_estate(tables), BOOK)
    return float(results.total[results.chain.states.last_of_lot[results.chain.lots.names.get_loc(lot)]])


def pressed(days: Sequence[str] = (DAY, DAY)) -> Tables:
    """8,000 kg at 6.00, pressed in two loads of 4,000 kg."""
    return {
        "deliveries": pd.DataFrame(
            {"Date": [DAY], "Lot": ["G"], "What": ["grapes"], "Quantity": [8000], "Unit": ["kg"],
             "Price per unit": [6.0]}
        ),
        "pressings": pd.DataFrame(
            {"Date": list(days), "Load": ["P1", "P2"], "From lot": ["G", "G"], "Grapes (kg)": [4000, 4000],
             "Fraction": ["first", "first"], "Must (L)": [2000, 2000], "To lot": ["M1", "M2"]}
        ),
    }  # fmt: skip


def spent(day: str, lot: str, element: str, amount: float) -> pd.DataFrame:
    return pd.DataFrame({"Date incurred": [day], "Lot": [lot], "Element": [element], "Amount": [amount]})


@pytest.mark.parametrize("fixed", [DAY, "2026-03-20"])
@pytest.mark.parametrize("days", [(DAY, DAY), (DAY, "2025-09-12"), ("2025-09-12", DAY)])
@pytest.mark.parametrize("swapped", [False, True])
def test_a_premium_is_shared_by_weight_whatever_its_date_and_the_order_of_rows(
    fixed: str, days: tuple[str, str], swapped: bool
) -> None:
    tables = pressed(days)
    tables["deliveries"] = tables["deliveries"].assign(
        **{"Final premium per unit": 0.15, "Premium date": pd.Timestamp(fixed)}
    )
    if swapped:
        tables["pressings"] = tables["pressings"].iloc[::-1].reset_index(drop=True)
    assert [cost(tables, "M1"), cost(tables, "M2")] == pytest.approx([24_600, 24_600])


@pytest.mark.parametrize("element", ["picking", "labour"])
def test_a_cost_on_the_day_both_loads_are_pressed_is_in_both(element: str) -> None:
    tables = {**pressed(), "costs": spent(DAY, "G", element, 4000)}
    assert [cost(tables, "M1"), cost(tables, "M2")] == pytest.approx([26_000, 26_000])


def bottled_on(second: str) -> Tables:
    """1,500 L at 4.00, bottled half and half."""
    return {
        "deliveries": pd.DataFrame(
            {"Date": ["2025-01-01"], "Lot": ["B"], "What": ["wine"], "Quantity": [1500], "Unit": ["L"],
             "Price per unit": [4.0]}
        ),
        "cuvees": pd.DataFrame({"Cuvée": ["Brut"]}),
        "tirage": pd.DataFrame(
            {"Date": ["2025-03-01", second], "Cuvée": ["Brut"] * 2, "Bottle lot": ["T1", "T2"],
             "Wine lot": ["B"] * 2, "Wine (L)": [750, 750], "Format": ["bottle"] * 2,
             "Bottles (bottles)": [1000, 1000]}
        ),
    }  # fmt: skip


def test_a_cost_on_a_blend_on_the_day_of_both_bottlings_is_in_both() -> None:
    tables = {**bottled_on("2025-03-01"), "costs": spent("2025-03-01", "B", "labour", 1000)}
    assert [cost(tables, "T1"), cost(tables, "T2")] == pytest.approx([3_500, 3_500])


@pytest.mark.parametrize("litres", [0.5, 1.0, 2.0])
def test_a_litre_bears_its_cost_as_a_thousand_do(litres: float) -> None:
    tables = bottled_on("2025-03-05")
    tables["deliveries"] = tables["deliveries"].assign(Quantity=litres)
    tables["tirage"] = tables["tirage"].iloc[:0]
    assert cost({**tables, "costs": spent("2025-02-01", "B", "labour", 3.0)}, "B") == pytest.approx(4 * litres + 3)


@pytest.mark.parametrize("second", ["2025-03-01", "2025-03-05"])
def test_a_late_cost_on_a_blend_bottled_over_two_days_is_in_both_bottlings(second: str) -> None:
    """Once 3,000 / 4,000: all of it followed the wine that left last."""
    tables = {**bottled_on(second), "costs": spent("2025-05-01", "B", "labour", 1000)}
    assert [cost(tables, "T1"), cost(tables, "T2")] == pytest.approx([3_500, 3_500])


def test_a_late_cost_stands_under_the_stage_in_which_the_lot_last_held_something() -> None:
    """The wine arrived as base wine, was put into the reserve where it lay, and is bottled before the invoice."""
    kept = {"Date": ["2025-02-01"], "Operation": ["to reserve"], "From lot": ["B"], "Out (L)": [1500]}
    tables = {**bottled_on("2025-03-05"), "costs": spent("2025-05-01", "B", "labour", 1000)}
    tables["movements"] = pd.DataFrame({**kept, "To lot": ["B"], "In (L)": [1500]})
    results = run(read_estate(tables), BOOK)
    charged = results.charges.postings
    labour = charged.take(charged.of("costs", "amount"))
    assert [STAGES[stage] for stage in labour.stage] == ["reserve"]
    assert labour.amount.tolist() == [1_000.0]
    assert labour.driver.tolist() == [-1]  # an amount, by no driver


def test_a_cost_stands_under_the_stage_that_its_row_names() -> None:
    """The first stage of all among them; a row that names none stands under that of its lot."""
    named = [*STAGES, None]
    rows = pd.concat([spent("2025-02-01", "B", "labour", 10.0).assign(Stage=stage) for stage in named])
    charged = run(read_estate({**bottled_on("2025-03-05"), "costs": rows}), BOOK).charges.postings
    assert [STAGES[stage] for stage in charged.take(charged.of("costs", "amount")).stage] == [*STAGES, "vinification"]


def test_a_late_cost_stays_with_the_wine_of_its_own_time_in_the_vat() -> None:
    """The vat was emptied, and filled again twice before the invoice: the first filling bears none of it."""
    tables = bottled_on("2025-03-05")
    wine = tables["deliveries"].iloc[0].to_dict()
    filled = [{**wine, "Date": day, "Quantity": litres} for day, litres in (("2025-04-01", 300), ("2025-04-20", 600))]
    tables["deliveries"] = pd.concat([tables["deliveries"], pd.DataFrame(filled)], ignore_index=True)
    more = [
        {"Date": day, "Cuvée": "Brut", "Bottle lot": lot, "Wine lot": "B", "Wine (L)": litres, "Format": "bottle",
         "Bottles (bottles)": litres / 0.75}
        for day, lot, litres in (("2025-04-10", "T3", 150), ("2025-05-10", "T4", 750))
    ]  # fmt: skip
    tables["tirage"] = pd.concat([tables["tirage"], pd.DataFrame(more)], ignore_index=True)
    tables["costs"] = spent("2025-06-01", "B", "labour", 900)
    assert [cost(tables, lot) for lot in ("T1", "T2", "T3", "T4")] == pytest.approx(
        [3_000, 3_000, 600 + 150, 3_000 + 750]
    )


def test_a_late_cost_on_a_vat_emptied_leaves_the_vat_entered_before_it_alone() -> None:
    """Nothing has left A, and its wine arrived last of all that happened to it."""
    tables = {
        "opening_stock": pd.DataFrame(
            {"Date": "2025-01-01", "Lot": ["A", "B"], "Kind": "wine", "Quantity": [1_000, 500], "Unit": "L"}
        ),
        "movements": pd.DataFrame(
            {"Date": ["2025-02-01"], "Operation": ["racking"], "From lot": ["B"], "Out (L)": [500], "To lot": ["C"]}
        ),
        "costs": spent("2025-03-01", "B", "labour", 120),
    }
    assert [cost(tables, "A"), cost(tables, "C")] == pytest.approx([0, 120])


@pytest.mark.parametrize("litres", [0.5, 1.0, 1_000.0])
def test_a_late_cost_on_an_emptied_vat_follows_all_that_left_it_however_little_it_held(litres: float) -> None:
    half = {"Date": "2025-02-01", "Operation": "racking", "From lot": "A", "Out (L)": litres / 2}
    tables = {
        "settings": pd.DataFrame({"Setting": ["Volume tolerance (L)"], "Value": [0]}),
        "opening_stock": pd.DataFrame(
            {"Date": ["2025-01-01"], "Lot": ["A"], "Kind": ["wine"], "Quantity": [litres], "Unit": ["L"]}
        ),
        "movements": pd.DataFrame([{**half, "To lot": "B"}, {**half, "Date": "2025-02-02", "To lot": "C"}]),
        "costs": spent("2025-03-01", "A", "labour", 120),
    }
    assert [cost(tables, lot) for lot in ("A", "B", "C")] == pytest.approx([0, 60, 60])


def test_a_cost_on_a_blend_not_yet_empty_falls_on_what_is_there() -> None:
    tables = {**bottled_on("2025-03-05"), "costs": spent("2025-03-03", "B", "labour", 1000)}
    assert [cost(tables, "T1"), cost(tables, "T2")] == pytest.approx([3_000, 4_000])


def test_a_cost_on_a_release_on_its_first_dispatch_day_is_on_the_bottles_sent_too() -> None:
    tables = one_bottling()
    tables["dispatches"] = pd.DataFrame(
        {"Date": ["2025-06-01"], "Release lot": ["D"], "Channel": ["Trade"], "Bottles (bottles)": [400]}
    )
    tables["costs"] = spent("2025-06-01", "D", "labour", 1000)
    assert cost(tables, "D") == pytest.approx(0.6 * (9_000 + 1_000))


def test_a_late_cost_on_a_release_sold_out_is_cost_of_goods_sold_when_incurred() -> None:
    tables = one_bottling()
    tables["dispatches"] = pd.DataFrame(
        {"Date": ["2025-06-01", "2025-12-01"], "Release lot": ["D"] * 2, "Channel": ["Trade"] * 2,
         "Bottles (bottles)": [400, 600]}
    )  # fmt: skip
    tables["costs"] = spent("2026-01-15", "D", "labour", 500)
    results = run(read_estate(tables), BOOK)

    def sold(first: str, last: str) -> float:
        found = exits(results, first, last)
        return float(found["cost"].sum())

    assert sold("2025-01-01", "2025-12-31") == pytest.approx(9_000)
    assert sold("2026-01-01", "2026-12-31") == pytest.approx(500)


def test_riddling_and_disgorging_of_bottles_lost_beyond_the_norm_is_lost_with_them() -> None:
    tables = one_bottling()
    tables["disgorgements"] = tables["disgorgements"].assign(
        **{"Bottles out (bottles)": 500, "Riddling": "machine riddling"}
    )
    tables["operation_rates"] = pd.DataFrame(
        {"From": ["2020-01-01"] * 2, "Operation": ["machine riddling", "disgorgement"],
         "Driver": ["bottle in"] * 2, "Amount": [1.5, 0.5], "Element": ["energy", "labour"]}
    )  # fmt: skip
    assert cost(tables, "D") / 500 == pytest.approx(9.0 + 2.0)


@pytest.mark.parametrize("parts", [1, 2, 3])
def test_work_in_place_that_loses_beyond_its_norm_costs_the_same_in_parts(parts: int) -> None:
    """600 of 1,500 L racked in place, 480 back, 2 % expected: once each part lost of what the one before had left."""
    tables = bottled_on("2025-03-05")
    rows = [{"Date": "2025-02-01", "Operation": "racking", "From lot": "B", "Out (L)": 600 / parts, "To lot": "B",
             "In (L)": 480 / parts}] * parts  # fmt: skip
    aside = {**rows[0], "Operation": "barrel ageing", "Out (L)": 100, "In (L)": 90}  # between the parts, in the sheet
    tables["movements"] = pd.DataFrame([rows[0], aside, *rows[1:]])
    tables["loss_norms"] = pd.DataFrame(
        {"Operation or stage": ["racking"], "Norm (%)": [2], "Time base": ["per movement"]}
    )
    tables["operation_rates"] = pd.DataFrame(
        {"From": ["2020-01-01"], "Operation": ["racking"], "Driver": ["litre"], "Amount": [0.5], "Element": ["labour"]}
    )
    tables["tirage"] = tables["tirage"].iloc[:0]
    lost = 1.0 - 480 / 588
    racked = 6_000 * (1.0 - lost * 600 / 1_500) + 300 * (1.0 - lost)
    assert cost(tables, "B") == pytest.approx(racked * (1.0 - 0.1 * 100 / 1_380))


def test_what_is_added_to_a_wine_hides_no_loss_of_it() -> None:
    """1,515 L come back of 1,500 with 30 L of must concentrate added: 15 are lost, of which 0.4 %, 6, are expected."""
    tables = bottled_on("2025-03-05")
    enriched = {"Date": ["2025-02-01"], "Operation": ["enrichment"], "From lot": ["B"], "Out (L)": [1_500]}
    tables["movements"] = pd.DataFrame({**enriched, "To lot": ["B"], "In (L)": [1_515], "Of which added (L)": [30]})
    tables["loss_norms"] = pd.DataFrame(
        {"Operation or stage": ["enrichment"], "Norm (%)": [0.4], "Time base": ["per movement"]}
    )
    tables["tirage"] = tables["tirage"].iloc[:0]
    assert cost(tables, "B") == pytest.approx(6_000 * 1_485 / 1_494)


@pytest.mark.parametrize("parts", [1, 3])
def test_all_of_a_lot_worked_in_place_in_parts_is_one_work(parts: int) -> None:
    """1,500 of 1,500 L racked in place, 1,200 back, 2 % expected: the rest of what was lost is expensed."""
    tables = bottled_on("2025-03-05")
    rows = [{"Date": "2025-02-01", "Operation": "racking", "From lot": "B", "Out (L)": 1_500 / parts, "To lot": "B",
             "In (L)": 1_200 / parts}] * parts  # fmt: skip
    tables["movements"] = pd.DataFrame(rows)
    tables["loss_norms"] = pd.DataFrame(
        {"Operation or stage": ["racking"], "Norm (%)": [2], "Time base": ["per movement"]}
    )
    tables["tirage"] = tables["tirage"].iloc[:0]
    assert cost(tables, "B") == pytest.approx(6_000 * 1_200 / 1_470)


@pytest.mark.parametrize("swapped", [False, True])
def test_a_loss_and_a_bulk_sale_of_one_day_come_in_one_order_whatever_the_order_of_their_rows(swapped: bool) -> None:
    tables = bottled_on("2025-03-05")
    rows = [
        {"Date": "2025-02-01", "Operation": "loss", "From lot": "B", "Out (L)": 300},
        {"Date": "2025-02-01", "Operation": "bulk sale", "From lot": "B", "Out (L)": 600},
    ]
    tables["movements"] = pd.DataFrame(rows[::-1] if swapped else rows)
    tables["loss_norms"] = pd.DataFrame(
        {"Operation or stage": ["vinification"], "Norm (%)": [100], "Time base": ["per year"]}
    )
    tables["tirage"] = tables["tirage"].iloc[:0]
    allowed = 1_500 * 31 / 365
    assert cost(tables, "B") == pytest.approx(6_000 * 1_200 / (1_500 - allowed) * 0.5)


@pytest.mark.parametrize("sent", [1_000, 600])
def test_bottles_that_come_back_cost_what_they_did_whether_or_not_any_was_left(sent: int) -> None:
    tables = one_bottling()
    sheet = {"Date": ["2025-06-01", "2025-07-01"], "Release lot": "D", "Channel": "Trade"}
    tables["dispatches"] = pd.DataFrame({**sheet, "Bottles (bottles)": [sent, -10]})
    assert cost(tables, "D") == pytest.approx(9.0 * (1_000 - sent + 10))


@pytest.mark.parametrize("bottles", [1, 1000])
@pytest.mark.parametrize("first", ["2025-01-01", "2025-03-01"])
def test_an_invoice_on_an_emptied_vat_is_cut_by_a_closing_however_small_the_vat(first: str, bottles: int) -> None:
    """The closing is on 1 March: what came on that day had come. Of 4 L for each 5 that were filled, 3 had left and 1
    was held at the closing; 2 came afterwards: the records that follow share 3 of 6, and held a quarter of what had
    come.
    """
    litres = 0.2 * bottles
    tables = bottled_on("2025-05-01")
    tables["settings"] = pd.DataFrame({"Setting": ["Volume tolerance (L)"], "Value": [0]})
    came = tables["deliveries"].loc[[0, 0]].reset_index(drop=True)
    tables["deliveries"] = came.assign(Date=[first, "2025-04-01"], Quantity=[4 * litres, 2 * litres])
    filled = {"Wine (L)": 3 * litres, "Format": "quarter", "Bottles (bottles)": 3 * bottles}
    tables["tirage"] = tables["tirage"].assign(**filled)
    chain = trace(read_estate(tables))
    closing, late = day_numbers(np.array(["2025-03-01", "2025-06-01"], dtype="datetime64[D]"))
    found = shared_after(chain, np.array([chain.lots.names.get_loc("B")]), np.array([late]), int(closing))
    assert np.concatenate(found).tolist() == pytest.approx([0.5, 0.25])
