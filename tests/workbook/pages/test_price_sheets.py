"""Result sheets of prices and margins: what stands on them, and that charts draw what the tables say."""

from __future__ import annotations

from pathlib import Path

import pytest

from costing import BOOK, ECONOMIC, REPLACEMENT, read_estate, run, trace
from costing.answers.charts import is_drawable
from costing.commands.source import OWNED_SHEETS
from costing.decisions.prices.price_changes import price_tables
from costing.workbook.pages.price_sheets import price_sheets
from costing.workbook.pages.result_sheet import ResultSheet, ResultTable
from costing.workbook.pages.write import result_workbook

GOLDEN = Path(__file__).parents[2] / "golden"


@pytest.fixture(scope="module")
def sheets(demo_runs) -> dict[str, ResultSheet]:
    found = price_sheets(*(demo_runs.on(basis) for basis in (BOOK, ECONOMIC, REPLACEMENT)))
    return {sheet.name: sheet for sheet in found}


def table(sheet: ResultSheet, name: str) -> ResultTable:
    return next(one for one in sheet.tables if one.name == name)


def test_every_sheet_is_the_librarys_own_and_can_be_written(sheets: dict[str, ResultSheet]) -> None:
    assert list(sheets) == ["Release prices", "Price build-up", "Price changes", "Margins"]
    assert set(sheets) <= set(OWNED_SHEETS)
    assert result_workbook(list(sheets.values())).startswith(b"PK")


def test_every_chart_draws_something(sheets: dict[str, ResultSheet]) -> None:
    kinds = []
    for sheet in sheets.values():
        for chart in sheet.charts:
            assert is_drawable(chart, table(sheet, chart.table).frame), chart.title
            kinds.append(chart.kind)
    assert sorted(kinds) == ["bar", "bar", "scatter", "waterfall"]


def test_the_waterfall_climbs_from_the_cellar_to_the_shelf(sheets: dict[str, ResultSheet]) -> None:
    steps = table(sheets["Price build-up"], "price_steps").frame
    top = (steps["Base"] + steps["Amount"]).to_numpy()
    assert steps["Base"].to_numpy()[1:-1] == pytest.approx(top[:-2])
    assert (steps["Step"].iloc[-1], steps["Base"].iloc[-1]) == ("shelf price", 0.0)
    assert top[-1] == pytest.approx(top[-2])


def test_the_margins_sheet_says_why_the_best_bottle_is_the_worst_use_of_capital(sheets: dict[str, ResultSheet]) -> None:
    sheet = sheets["Margins"]
    assert any(note.startswith("Prestige (bottle) looks best per bottle") for note in sheet.notes)
    ranked = table(sheet, "margins_by_capital").frame
    bottles = ranked[ranked["Cuvée and format"].str.endswith(" bottle")]
    assert bottles["Cuvée and format"].iloc[-1] == "Prestige bottle"
    assert ranked["Margin a year per unit of capital"].is_monotonic_decreasing
    assert table(sheet, "margins").frame["Margin in all"].is_monotonic_decreasing


def test_a_caution_stands_beside_excise(sheets: dict[str, ResultSheet]) -> None:
    for name in ("Release prices", "Price build-up"):
        assert any("licensed professional" in note for note in sheets[name].notes)


@pytest.mark.parametrize("case", ["S1", "S2", "S3"])
def test_an_estate_without_channels_has_no_price_sheets(case: str) -> None:
    estate = read_estate(GOLDEN / case)
    chain = trace(estate)
    results = [run(estate, basis, chain) for basis in (BOOK, ECONOMIC, REPLACEMENT)]
    assert price_sheets(*results) == []
    assert not len(price_tables(*results)["release prices"])
