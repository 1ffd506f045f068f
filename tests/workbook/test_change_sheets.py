"""Sheets of change and doubt: on the demo, on an estate that asks nothing, and as a workbook that opens."""

from __future__ import annotations

import io

import openpyxl
import pytest

from costing import BOOK, REPLACEMENT, read_estate, run
from costing.decisions.price_tables import release_prices
from costing.decisions.scenarios import scenarios
from costing.decisions.sensitivity import sensitivity
from costing.decisions.uncertainty import forecast
from costing.decisions.why import why
from costing.model import Runs
from costing.workbook.answer_sheets import result_sheets
from costing.workbook.change_sheets import uncertainty_sheets
from costing.workbook.write import result_workbook
from tests.properties.estates import random_estate


@pytest.fixture(scope="module")
def economic(demo_runs):
    return demo_runs.economic


def test_the_demo_has_all_four_in_a_workbook_that_opens(economic, demo_runs) -> None:
    estate = economic.estate
    book = run(estate, BOOK, economic.chain)
    prices = release_prices(book, economic, run(estate, REPLACEMENT, economic.chain))
    found = result_sheets([scenarios(demo_runs), why(demo_runs), sensitivity(demo_runs)])
    found += uncertainty_sheets(forecast(estate, 300), economic, prices)
    workbook = openpyxl.load_workbook(io.BytesIO(result_workbook(found)))
    assert workbook.sheetnames == ["Scenarios side by side", "Why it moved", "Sensitivity", "How sure"]
    tables = {name for sheet in workbook for name in sheet.tables}
    assert {"scenarios_per_bottle", "why_by_year", "tornado", "cells_that_move_most", "costs_drawn"} <= tables
    assert {"verdicts_drawn", "prices_drawn", "doubt_by_figure"} <= tables
    links = [cell.hyperlink.location for row in workbook["Sensitivity"].iter_rows() for cell in row if cell.hyperlink]
    assert any("Grape prices" in link for link in links)


def test_another_estate_stands_above_the_years(demo_runs) -> None:
    (sheet,) = result_sheets([why(demo_runs, second="Brut", before=demo_runs.estate)])
    assert sheet.tables[0].name == "why_it_moved"
    assert list(sheet.tables[0].frame["What moved"]) == ["before", "after"]


def test_an_estate_that_asks_nothing_has_no_such_sheets() -> None:
    runs = Runs(read_estate(random_estate(4, 6)))
    results = runs.economic
    assert result_sheets([scenarios(runs)]) == []
    assert uncertainty_sheets(forecast(results.estate, 10), results) == []
    for answer in (why(runs), sensitivity(runs)):
        result_workbook(result_sheets([answer]))
