"""Sheets of change and doubt: on the demo, on an estate that asks nothing, and as a workbook that opens."""

from __future__ import annotations

import io

import openpyxl
import pytest

from costing import BOOK, ECONOMIC, REPLACEMENT, read_estate, run
from costing.decisions.price_tables import release_prices
from costing.decisions.uncertainty import forecast
from costing.decisions.why import why_it_moved
from costing.workbook.change_sheets import (
    scenario_sheets,
    sensitivity_sheets,
    uncertainty_sheets,
    why_sheets,
)
from costing.workbook.write import result_workbook
from tests.properties.estates import random_estate


@pytest.fixture(scope="module")
def economic(demo_runs):
    return demo_runs.economic


def test_the_demo_has_all_four_in_a_workbook_that_opens(economic) -> None:
    estate = economic.estate
    book = run(estate, BOOK, economic.chain)
    prices = release_prices(book, economic, run(estate, REPLACEMENT, economic.chain))
    found = [*scenario_sheets(economic), *why_sheets(economic), *sensitivity_sheets(economic)]
    found += uncertainty_sheets(forecast(estate, 300), economic, prices)
    workbook = openpyxl.load_workbook(io.BytesIO(result_workbook(found)))
    assert workbook.sheetnames == ["Scenarios side by side", "Why it moved", "Sensitivity", "How sure"]
    tables = {name for sheet in workbook for name in sheet.tables}
    assert {"scenarios_per_bottle", "why_by_year", "tornado_1", "cells_that_move_most", "costs_drawn"} <= tables
    assert {"verdicts_drawn", "prices_drawn", "doubt_by_figure"} <= tables
    links = [cell.hyperlink.location for row in workbook["Sensitivity"].iter_rows() for cell in row if cell.hyperlink]
    assert any("Grape prices" in link for link in links)


def test_another_estate_stands_above_the_years(economic) -> None:
    moved = why_it_moved(economic.estate, economic.estate, "Brut")
    sheet = why_sheets(economic, {"Brut": moved})[0]
    assert sheet.tables[0].name == "why_it_moved"
    assert list(sheet.tables[0].frame["What moved"]) == ["before", "after"]


def test_an_estate_that_asks_nothing_has_no_such_sheets() -> None:
    results = run(read_estate(random_estate(4, 6)), ECONOMIC)
    assert scenario_sheets(results) == []
    assert uncertainty_sheets(forecast(results.estate, 10), results) == []
    for sheets in (why_sheets(results), sensitivity_sheets(results)):
        result_workbook(sheets)
