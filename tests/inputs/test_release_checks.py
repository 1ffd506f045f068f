"""Rules on releases, rows that stand twice and shares of opening lots: each at its cell."""

from __future__ import annotations

import pandas as pd
import pytest

from costing.commands.records import demo_folder
from costing.errors import CAUTION, ERROR, FIRST_PLACES, InputError
from costing.inputs.basis import BOOK, ECONOMIC
from costing.inputs.load import load, read_frames, read_inputs
from costing.model import run
from costing.results.costs import build_up, cost_per_bottle, releases
from costing.workbook.blank.contents import tables_from_csv
from tests.inputs.planted import planted

OPENING = pd.DataFrame(
    {
        "Date": ["2024-01-01"] * 2,
        "Lot": ["T20", "W"],
        "Kind": ["on lees", "wine"],
        "Quantity": [1000, 2000],
        "Unit": ["bottles", "L"],
        "Format": ["bottle", None],
        "Cuvée": ["Brut", None],
    }
)
RATES = pd.DataFrame({"From": ["2020-01-01"], "Hurdle rate (%)": [8]})
AMOUNTS = pd.DataFrame({"Lot": ["T20"], "Element": ["grapes"], "Amount": [5000]})


def _estate(*rows: tuple[str, str, str, int, int], **more: pd.DataFrame):
    columns = ["Date", "Release lot", "From lot", "Bottles in", "Bottles out"]
    tables = {
        "opening_stock": OPENING,
        "opening_costs": AMOUNTS,
        "interest_rates": RATES,
        "disgorgements": pd.DataFrame(list(rows), columns=columns),
        "loss_norms": pd.DataFrame(
            {"Operation or stage": ["disgorgement"], "Norm (%)": [2.0], "Time base": ["per movement"]}
        ),
        **more,
    }
    return read_inputs(tables)


def _found(*rows: tuple[str, str, str, int, int], **more: pd.DataFrame) -> list[tuple[str, str, str]]:
    try:
        findings = list(_estate(*rows, **more).cautions)
    except InputError as wrong:
        findings = wrong.findings
    return [(one.place, one.rule, one.severity) for one in findings]


def test_a_disgorgement_into_its_own_stack_is_an_error() -> None:
    """It was accepted, and the release cost nothing."""
    rule = "is the stack drawn from: the release needs a lot of its own."
    assert _found(("2024-05-01", "T20", "T20", 100, 99)) == [("Disgorgements!B2", rule, ERROR)]


def test_a_disgorgement_of_no_bottles_is_a_caution() -> None:
    rule = "draws nothing: this row is no release."
    assert _found(("2024-05-01", "D1", "T20", 0, 0)) == [("Disgorgements!D2", rule, CAUTION)]


def test_a_release_of_two_dates_is_a_caution_and_two_days_of_work_are_not() -> None:
    first, next_day = ("2024-05-01", "D1", "T20", 100, 99), ("2024-05-02", "D1", "T20", 100, 99)
    assert _found(first, next_day) == []
    rule = "is disgorged at Disgorgements!A2 too, and costed as one release."
    assert _found(first, ("2024-09-02", "D1", "T20", 100, 99)) == [("Disgorgements!B3", rule, CAUTION)]


def test_a_row_entered_twice_is_a_caution() -> None:
    row = ("2024-05-01", "D1", "T20", 100, 99)
    rule = "has every cell like Disgorgements!B2, and both count."
    assert _found(row, row) == [("Disgorgements!B3", rule, CAUTION)]


@pytest.mark.parametrize("attribute", ["vintage", "reserve"])
def test_shares_of_an_opening_lot_above_100_percent_are_an_error(attribute: str) -> None:
    """They were scaled down silently."""
    lines = pd.DataFrame(
        {
            "Lot": ["W"] * 3,
            "Attribute": [attribute, attribute, "village"],
            "Name": ["a", "b", "c"],
            "Share": [60, 60, 9],
        }
    ).rename(columns={"Share": "Share (%)"})
    rule = f"brings the lot's shares of {attribute} to 120 %."
    assert _found(opening_composition=lines) == [("Opening composition!D3", rule, ERROR)]


def test_a_share_of_an_opening_lot_entered_twice_is_an_error() -> None:
    lines = pd.DataFrame({"Lot": ["W"] * 2, "Attribute": ["vintage"] * 2, "Name": ["2020"] * 2, "Share (%)": [40, 40]})
    found = _found(opening_composition=lines)
    assert [(place, severity) for place, _, severity in found] == [("Opening composition!A3", ERROR)]


@pytest.mark.parametrize("basis", [BOOK, ECONOMIC])
def test_a_release_without_a_good_bottle_has_no_cost_per_bottle(basis) -> None:
    """Nothing was divided by no bottles."""
    results = run(_estate(("2024-05-01", "D1", "T20", 100, 0), ("2024-05-02", "D2", "T20", 100, 99)), basis)
    assert list(releases(results)["release"]) == list(cost_per_bottle(results)["release"]) == ["D2"]
    assert set(build_up(results)["release"]) == {"D2"}
    results.check_identity()


@pytest.mark.parametrize(
    ("table", "column", "typed", "doubted"),
    [
        ("interest_rates", "Hurdle rate (%)", 0.08, True),
        ("interest_rates", "Hurdle rate (%)", 1.5, False),
        ("loss_norms", "Norm (%)", 0.015, True),
        ("loss_norms", "Norm (%)", 0.5, False),
    ],
)
def test_percentages_typed_as_fractions_are_cautions(table: str, column: str, typed: float, doubted: bool) -> None:
    """0.08 for 8 % passed silently as 0.08 %."""
    others = {"interest_rates": {"From": ["2020-01-01"]}, "loss_norms": {"Operation or stage": ["racking"]}}
    base = {"Time base": ["per movement"]} if table == "loss_norms" else {}
    found = _found(**{table: pd.DataFrame({**others[table], column: [typed], **base})})
    rule = "is read as percent points, and so is all of the column: much less than 1 %."
    title = "Interest rates" if table == "interest_rates" else "Loss norms"
    assert found == ([(f"{title}!B2", rule, CAUTION)] if doubted else [])


@pytest.mark.parametrize(("typed", "meant"), [(0.08, "8"), (0.075, "7.5")])
def test_the_percentage_meant_is_said(typed: float, meant: str) -> None:
    tables = {"interest_rates": pd.DataFrame({"From": ["2020-01-01"], "Hurdle rate (%)": [typed]})}
    cautions = load(read_frames(tables), settings_required=False).cautions
    assert [one.remedy for one in cautions if "much less than" in one.rule] == [f"Enter {meant} if {meant} % is meant."]


def test_many_rows_alike_are_one_caution() -> None:
    """A cellar door sells one bottle after another on a day: 122,640 cautions for a million sales."""
    tables = planted({})
    tables["Dispatches"] = pd.concat([tables["Dispatches"].iloc[[0]].assign(Bottles="1")] * 40)
    cautions = load(read_frames(tables), settings_required=False).cautions
    alike = [one for one in cautions if "has every cell like" in one.rule]
    assert len(alike) == 1
    assert "38 more cells are like it:" in alike[0].rule


def test_a_few_rows_alike_are_each_told_of_the_row_that_they_are_like() -> None:
    first, second = ("2024-05-01", "D1", "T20", 100, 99), ("2024-06-01", "D2", "T20", 50, 50)
    found = _found(*[first] * 4, *[second] * 3)
    assert len(found) == FIRST_PLACES
    rule = "has every cell like Disgorgements!{}, and both count."
    assert found == [
        (f"Disgorgements!B{row}", rule.format("B2" if row < 6 else "B6"), CAUTION) for row in (3, 4, 5, 7, 8)
    ]


def test_one_racking_entered_twice_is_doubted() -> None:
    tables = planted({})
    tables["Movements"] = pd.concat([tables["Movements"], tables["Movements"].iloc[[0]]], ignore_index=True)
    try:
        found = list(load(read_frames(tables), settings_required=False).cautions)
    except InputError as refused:
        found = refused.findings
    (alike,) = [one for one in found if "has every cell like" in one.rule]
    assert alike.place == f"Movements!D{len(tables['Movements']) + 1}"


@pytest.mark.parametrize(("back", "is_doubted"), [(-1460, False), (-1461, True)])
def test_more_bottles_back_than_went_out_are_doubted(back: int, is_doubted: bool) -> None:
    """Of the small example 960 and 500 bottles of D25 went to the trade."""
    tables = tables_from_csv(demo_folder() / "small")
    row = {"Date": "2025-12-01", "Release lot": "D25", "Channel": "Trade", "Bottles": back, "Net price": 18}
    tables["Dispatches"] = pd.concat([tables["Dispatches"], pd.DataFrame([row])], ignore_index=True)
    doubted = [one.place for one in load(read_frames(tables)).cautions if "fewer had gone out" in one.rule]
    assert doubted == (["Dispatches!D4"] if is_doubted else [])
