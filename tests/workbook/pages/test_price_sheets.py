"""Result sheets of prices and margins: what stands on them, and that charts draw what the tables say."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from costing import House, read_estate
from costing.answers.charts import is_drawable
from costing.workbook.pages.answer_sheets import result_sheets
from costing.workbook.pages.result_sheet import ResultSheet, ResultTable
from costing.workbook.pages.write import result_workbook
from costing.workbook.update import OWNED_SHEETS

GOLDEN = Path(__file__).parents[2] / "golden"


@pytest.fixture(scope="module")
def sheets(demo_estate, demo_runs) -> dict[str, ResultSheet]:
    house = House(demo_estate)
    house.__dict__["runs"] = demo_runs
    return {sheet.name: sheet for sheet in result_sheets([house.prices(), house.margins()])}


def table(sheet: ResultSheet, name: str) -> ResultTable:
    return next(one for one in sheet.tables if one.name == name)


def test_every_sheet_is_the_librarys_own_and_can_be_written(sheets: dict[str, ResultSheet]) -> None:
    named = {"Release prices", "Prices in detail", "Prices per 75 cl", "Price changes", "Margins", "Price build-up"}
    assert set(sheets) == {*named, "Scarce bottles"}
    assert set(sheets) <= set(OWNED_SHEETS)
    assert result_workbook(list(sheets.values())).startswith(b"PK")


def test_every_chart_draws_something(sheets: dict[str, ResultSheet]) -> None:
    kinds = []
    for sheet in sheets.values():
        for chart in sheet.charts:
            (drawn,) = (table for each in sheets.values() for table in each.tables if table.name == chart.table)
            assert is_drawable(chart, drawn.frame), chart.title
            kinds.append(chart.kind)
    assert sorted(kinds) == ["bar", "column", "stacked column", "waterfall"]


def test_the_waterfall_climbs_from_the_cellar_to_the_shelf(sheets: dict[str, ResultSheet]) -> None:
    steps = table(sheets["Price build-up"], "price_steps").frame
    rise = steps["Rise"].fillna(0.0).to_numpy() - steps["Fall"].fillna(0.0).to_numpy()
    first, last = steps["Cost"].iloc[0], steps["Cost"].iloc[-1]
    assert steps["Step"].iloc[-1] == "shelf price"
    assert first + rise.sum() == pytest.approx(last)
    reached = first + rise.cumsum()
    base = steps["Base"].to_numpy()[1:-1]
    assert base == pytest.approx([min(pair) for pair in pairwise(reached[:-1])])


def test_the_margins_sheet_says_why_the_best_bottle_is_the_worst_use_of_capital(sheets: dict[str, ResultSheet]) -> None:
    sheet = sheets["Margins"]
    assert any(note.startswith("Prestige (bottle) looks best per bottle") for note in sheet.says)
    ranked = table(sheet, "margins_by_capital").frame
    bottles = ranked[ranked["Cuvée and format"].str.endswith(" bottle")]
    assert bottles["Cuvée and format"].iloc[-1] == "Prestige bottle"
    assert ranked["Margin a year per unit of capital"].is_monotonic_decreasing
    assert table(sheet, "margins").frame["Margin"].is_monotonic_decreasing


def test_a_caution_stands_beside_excise(sheets: dict[str, ResultSheet]) -> None:
    for name in ("Release prices", "Price build-up"):
        assert any("licensed professional" in note for note in sheets[name].notes)


@pytest.mark.parametrize(("case", "left"), [("S1", set()), ("S2", set()), ("S3", {"Prices in detail"})])
def test_an_estate_without_channels_has_no_price_sheets(case: str, left: set[str]) -> None:
    """What a planned release would cost to make again needs no channel."""
    house = House(read_estate(GOLDEN / case))
    assert {sheet.name for sheet in result_sheets([house.prices(), house.margins()])} == left
    assert not len(house.prices().main)
