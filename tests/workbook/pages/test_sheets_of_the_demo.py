"""Every result sheet of the demo estate: what each is called and holds, how it opens, what its charts draw, how it
looks. Where an estate asks nothing there is no such sheet.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from costing import House, read_estate
from costing.answers import catalogue
from costing.answers.charts import is_drawable
from costing.decisions.cellar.cheapest_blend import trials
from costing.decisions.cellar.recipes import recipes
from costing.decisions.cellar.reserves import vats
from costing.decisions.changes.scenarios import scenarios_answer
from costing.decisions.changes.sensitivity import sensitivity
from costing.decisions.changes.uncertainty_tables import forecast_answer
from costing.decisions.changes.why import why_answer
from costing.decisions.hold_or_release import ageing
from costing.model import Runs
from costing.workbook.pages.answer_sheets import result_sheets
from costing.workbook.pages.result_sheet import ResultSheet, ResultTable
from costing.workbook.pages.write import result_workbook
from costing.workbook.update import OWNED_SHEETS
from tests.properties.estates import estate_drawn
from tests.workbook.looks import differences, looks_of_results, sheets_of_everything

pytestmark = pytest.mark.slow

GOLDEN = Path(__file__).parents[2] / "golden"
AGEING, TRIALS = ("Hold or release", "Candidate dates"), ("Trials costed", "Recipes costed")
PRICES = (
    *("Release prices", "Prices in detail", "Prices per 75 cl", "Price changes", "Scarce bottles", "Margins"),
    "Price build-up",
)
CHANGES = (
    *("Scenarios side by side", "Why it moved", "Sensitivity", "How sure"),
    *("Cells that move most", "Cost step by step", "Costs drawn", "Prices drawn"),
)
Sheets = Mapping[str, ResultSheet]


@pytest.fixture(scope="module")
def sheets(demo_runs: Runs) -> Sheets:
    """Every sheet, those of single commands too."""
    return {sheet.name: sheet for sheet in sheets_of_everything(demo_runs)}


@pytest.fixture(scope="module")
def decided(sheets: Sheets) -> list[ResultSheet]:
    """The sheets for deciding."""
    return [sheet for sheet in sheets.values() if sheet.group == "decisions"]


def table(sheet: ResultSheet, name: str) -> ResultTable:
    return next(one for one in sheet.tables if one.name == name)


def test_looks_are_as_kept(sheets: Sheets) -> None:
    """`tests/workbook/looks.py` says how looks are kept anew."""
    assert differences("results", looks_of_results(list(sheets.values()))) == []


def test_every_sheet_for_deciding_opens_with_an_answer_of_its_own(decided: list[ResultSheet]) -> None:
    """Hold or release said how it is computed; Price changes and Borrowing repeated the answer of another sheet."""
    wanted = {name for name, plan in catalogue.sheet_plans().items() if plan.group == "decisions"}
    assert {sheet.name for sheet in decided} == wanted
    first = {sheet.name: sheet.says[0] for sheet in decided if sheet.says}
    assert wanted - set(first) == set()
    assert len(set(first.values())) == len(first), first
    method = {note for plan in catalogue.sheet_plans().values() for note in plan.notes}
    assert not set(first.values()) & method


def test_what_stands_behind_the_first_table_is_not_opened_by_a_wider_one_below(decided: list[ResultSheet]) -> None:
    """Advised stood open after the reason of Spring tirage, because a table below it had a column more."""
    opened = {
        sheet.name: [str(name) for name in sheet.tables[0].frame.columns[sheet.tables[0].shown : widest]]
        for sheet in decided
        if (widest := max(table.shown for table in sheet.tables)) > sheet.tables[0].shown
    }
    assert {name: headers for name, headers in opened.items() if headers} == {}


def test_sheets_are_the_librarys_own_and_make_a_workbook_that_opens(sheets: Sheets) -> None:
    assert set(sheets) <= set(OWNED_SHEETS)
    names = (*AGEING, *TRIALS, "Vats in January", "Vats in blends", *CHANGES, *PRICES)
    workbook = openpyxl.load_workbook(io.BytesIO(result_workbook([sheets[name] for name in names])))
    assert workbook.sheetnames == list(names)
    tables = {name for sheet in workbook for name in sheet.tables}
    assert {"hold_or_release", "gain_by_date", "return_by_date", "candidate_dates"} <= tables
    assert {"vats", "vats_in_blends", "trial_blends_costed", "trials_made_of", "trials_leave"} <= tables
    assert {"cheapest_blends", "bounds_of_blends", "recipes_costed", "standard_and_actual"} <= tables
    assert {"scenarios_per_bottle", "why_by_year", "tornado", "cells_that_move_most", "costs_drawn"} <= tables
    assert {"verdicts_drawn", "prices_drawn", "doubt_by_figure"} <= tables
    assert sheets["How sure"].tables[0].name == "verdicts_drawn"
    moving = workbook["Cells that move most"]
    links = [cell.hyperlink.location for row in moving.iter_rows() for cell in row if cell.hyperlink]
    assert any("Grape prices" in link for link in links)


def test_every_chart_draws_something(sheets: Sheets) -> None:
    kinds = []
    frames = {each.name: each.frame for sheet in sheets.values() for each in sheet.tables}
    for sheet in sheets.values():
        for chart in sheet.charts:
            assert is_drawable(chart, frames[chart.table]), chart.title
            kinds += [chart.kind] if sheet.name in PRICES else []
    assert sorted(kinds) == ["bar", "column", "stacked column", "waterfall"]
    assert len(sheets["Hold or release"].charts) == 7


def test_trials_may_bear_the_name_of_a_header(demo_runs: Runs) -> None:
    estate = demo_runs.estate
    lines = estate["trial_blends"].astype({"trial": object})
    lines["trial"] = (
        lines["trial"].replace({"A as last year": "lot", "B young, more Meunier": "Lot"}).astype("category")
    )
    runs = Runs(replace(estate, tables={**estate.tables, "trial_blends": lines}))
    (sheet,) = result_sheets([trials(runs)])
    assert list(table(sheet, "trials_made_of").frame.columns[:4]) == ["Made of", "Name", "Lot", "Lot (2)"]
    result_workbook([sheet])


def test_another_estate_stands_above_the_years(demo_runs: Runs) -> None:
    sheet, *_ = result_sheets([why_answer(demo_runs, second="Brut", before=demo_runs.estate)])
    assert sheet.tables[0].name == "why_it_moved"
    assert list(sheet.tables[0].frame["What moved"]) == ["before", "after"]


def test_the_waterfall_climbs_from_the_cellar_to_the_shelf(sheets: Sheets) -> None:
    steps = table(sheets["Price build-up"], "price_steps").frame
    rise = steps["Rise"].fillna(0.0).to_numpy() - steps["Fall"].fillna(0.0).to_numpy()
    first, last = steps["Cost"].iloc[0], steps["Cost"].iloc[-1]
    assert steps["Step"].iloc[-1] == "shelf price"
    assert first + rise.sum() == pytest.approx(last)
    reached = first + rise.cumsum()
    base = steps["Base"].to_numpy()[1:-1]
    assert base == pytest.approx([min(pair) for pair in pairwise(reached[:-1])])


def test_the_margins_sheet_says_why_the_best_bottle_is_the_worst_use_of_capital(sheets: Sheets) -> None:
    sheet = sheets["Margins"]
    assert any(note.startswith("Prestige (bottle) looks best per bottle") for note in sheet.says)
    ranked = table(sheet, "margins_by_capital").frame
    bottles = ranked[ranked["Cuvée and format"].str.endswith(" bottle")]
    assert bottles["Cuvée and format"].iloc[-1] == "Prestige bottle"
    assert ranked["Margin a year per unit of capital"].is_monotonic_decreasing
    assert table(sheet, "margins").frame["Margin"].is_monotonic_decreasing


def test_a_caution_stands_beside_excise(sheets: Sheets) -> None:
    for name in ("Release prices", "Price build-up"):
        assert any("licensed professional" in note for note in sheets[name].notes)


def test_nothing_where_there_is_nothing_to_say() -> None:
    rates = pd.DataFrame({"From": ["2020-01-01"], "Hurdle rate (%)": [8.0]})
    runs = Runs(read_estate({"Interest rates": rates}))
    assert result_sheets([ageing(runs), vats(runs), trials(runs), recipes(runs)]) == []
    drawn = Runs(estate_drawn(4, 6))
    assert result_sheets([scenarios_answer(drawn)]) == []
    assert result_sheets([forecast_answer(drawn, 10)]) == []
    for answer in (why_answer(drawn), sensitivity(drawn)):
        result_workbook(result_sheets([answer]))


@pytest.mark.parametrize(("case", "left"), [("S1", set()), ("S2", set()), ("S3", {"Prices in detail"})])
def test_an_estate_without_channels_has_no_price_sheets(case: str, left: set[str]) -> None:
    """What a planned release would cost to make again needs no channel."""
    house = House(read_estate(GOLDEN / case))
    assert {sheet.name for sheet in result_sheets([house.prices(), house.margins()])} == left
    assert not len(house.prices().main)
