"""Sheets of hold or release, of January and of recipes: headers that a spreadsheet would take for one another,
charts that have their tables, and nothing where there is nothing to say.
"""

from __future__ import annotations

import io
from dataclasses import replace

import openpyxl
import pandas as pd
import pytest

from costing import BOOK, ECONOMIC, read_estate
from costing.decisions.cellar.cheapest_blend import trials
from costing.decisions.cellar.recipes import recipes
from costing.decisions.cellar.reserves import vats
from costing.decisions.hold_or_release import ageing
from costing.model import Runs
from costing.workbook.pages.answer_sheets import result_sheets
from costing.workbook.pages.write import result_workbook


@pytest.fixture(scope="module")
def demo(demo_runs):
    return [demo_runs.on(basis) for basis in (BOOK, ECONOMIC)]


def test_every_sheet_is_written_with_its_tables_and_charts(demo_runs, demo) -> None:
    sheets = result_sheets([ageing(demo_runs), vats(demo_runs), trials(demo_runs), recipes(demo_runs)])
    written = openpyxl.load_workbook(io.BytesIO(result_workbook(sheets)))
    assert written.sheetnames == [
        *("Hold or release", "Vats in January", "Trials costed", "Recipes costed", "Candidate dates"),
        "Vats in blends",
    ]
    assert [len(written[name]._charts) for name in written.sheetnames] == [7, 0, 1, 1, 0, 0]
    tables = {table for name in written.sheetnames for table in written[name].tables}
    assert {"hold_or_release", "gain_by_date", "return_by_date", "candidate_dates"} <= tables
    assert {"vats", "vats_in_blends", "trial_blends_costed", "trials_made_of", "trials_leave"} <= tables
    assert {"cheapest_blends", "bounds_of_blends", "recipes_costed", "standard_and_actual"} <= tables


def test_trials_may_bear_the_name_of_a_header(demo) -> None:
    estate = demo[0].estate
    lines = estate["trial_blends"].astype({"trial": object})
    lines["trial"] = (
        lines["trial"].replace({"A as last year": "lot", "B young, more Meunier": "Lot"}).astype("category")
    )
    runs = Runs(replace(estate, tables={**estate.tables, "trial_blends": lines}))
    (sheet,) = result_sheets([trials(runs)])
    made_of = next(table for table in sheet.tables if table.name == "trials_made_of").frame
    assert list(made_of.columns[:4]) == ["Made of", "Name", "Lot", "Lot (2)"]
    result_workbook([sheet])


def test_nothing_where_there_is_nothing_to_say() -> None:
    rates = pd.DataFrame({"From": ["2020-01-01"], "Hurdle rate (%)": [8.0]})
    estate = read_estate({"Interest rates": rates})
    assert [
        *result_sheets([ageing(Runs(estate)), vats(Runs(estate)), trials(Runs(estate)), recipes(Runs(estate))]),
    ] == []
