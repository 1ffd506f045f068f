"""Sheets of change and doubt: on the demo, on an estate that asks nothing, and as a workbook that opens."""

from __future__ import annotations

import io

import openpyxl

from costing.decisions.changes.scenarios import scenarios_answer
from costing.decisions.changes.sensitivity import sensitivity
from costing.decisions.changes.uncertainty_tables import forecast_answer
from costing.decisions.changes.why import why_answer
from costing.model import Runs
from costing.workbook.pages.answer_sheets import result_sheets
from costing.workbook.pages.write import result_workbook
from tests.properties.estates import estate_drawn


def test_the_demo_has_all_four_in_a_workbook_that_opens(demo_runs) -> None:
    answers = [
        scenarios_answer(demo_runs),
        why_answer(demo_runs),
        sensitivity(demo_runs),
        forecast_answer(demo_runs, 200),
    ]
    found = result_sheets(answers)
    workbook = openpyxl.load_workbook(io.BytesIO(result_workbook(found)))
    assert workbook.sheetnames == [
        *("Scenarios side by side", "Why it moved", "Sensitivity", "How sure"),
        *("Cells that move most", "Cost step by step", "Costs drawn", "Prices drawn"),
    ]
    tables = {name for sheet in workbook for name in sheet.tables}
    assert {"scenarios_per_bottle", "why_by_year", "tornado", "cells_that_move_most", "costs_drawn"} <= tables
    assert {"verdicts_drawn", "prices_drawn", "doubt_by_figure"} <= tables
    assert [sheet.tables[0].name for sheet in found if sheet.name == "How sure"] == ["verdicts_drawn"]
    links = [
        cell.hyperlink.location
        for row in workbook["Cells that move most"].iter_rows()
        for cell in row
        if cell.hyperlink
    ]
    assert any("Grape prices" in link for link in links)


def test_another_estate_stands_above_the_years(demo_runs) -> None:
    sheet, *_ = result_sheets([why_answer(demo_runs, second="Brut", before=demo_runs.estate)])
    assert sheet.tables[0].name == "why_it_moved"
    assert list(sheet.tables[0].frame["What moved"]) == ["before", "after"]


def test_an_estate_that_asks_nothing_has_no_such_sheets() -> None:
    runs = Runs(estate_drawn(4, 6))
    assert result_sheets([scenarios_answer(runs)]) == []
    assert result_sheets([forecast_answer(runs, 10)]) == []
    for answer in (why_answer(runs), sensitivity(runs)):
        result_workbook(result_sheets([answer]))
