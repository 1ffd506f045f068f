"""Workbooks that count their days from 1904: results show the days that the inputs mean.

The two date systems, 1,462 days apart: ECMA-376 part 1, 18.17.4.1. openpyxl, which knows both, turns workbooks of
the one into those of the other and tells the days that stand in the results.
"""

from __future__ import annotations

import datetime as dt
import io
import re
import zipfile
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pytest
from openpyxl.utils.datetime import CALENDAR_MAC_1904, CALENDAR_WINDOWS_1900

from costing.answers.charts import Chart
from costing.cli import main
from costing.commands.records import demo_folder
from costing.inputs.fingerprint import fingerprint
from costing.workbook.pages import write
from costing.workbook.pages.result_sheet import ResultSheet, ResultTable
from costing.workbook.read import read_workbook
from costing.workbook.update import open_source, write_results
from tests.commands.books import typed
from tests.form import every

GOLDEN = Path(__file__).parents[1] / "golden"
DAYS = [dt.datetime(2018, 3, 6), dt.datetime(2026, 1, 1)]


@pytest.mark.parametrize("longest", [1, 500])
def test_days_of_results_are_the_same_in_a_1904_workbook(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, longest: int
) -> None:
    monkeypatch.setattr(write, "LONG_TABLE", longest)
    book = openpyxl.Workbook()
    book.epoch = CALENDAR_MAC_1904
    book.active.title = "Notes"
    path = tmp_path / "estate.xlsx"
    book.save(path)
    frame = pd.DataFrame({"Day": pd.to_datetime(DAYS), "Amount": [45_000.0, 1.0]})
    sheet = ResultSheet("Stock value", "Stock", (), (ResultTable("stock", frame, {"Day": "date", "Amount": "number"}),))
    write_results(open_source(path), path, [sheet], "")
    rows = list(openpyxl.load_workbook(io.BytesIO(path.read_bytes()))["Stock value"].iter_rows(values_only=True))
    assert [row[:2] for row in rows if isinstance(row[0], dt.datetime)] == [(DAYS[0], 45_000), (DAYS[1], 1)]


def cells(path: Path) -> dict[str, list[Any]]:
    """What every sheet shows but for the line of the run, days as days, links by where they lead."""
    book = openpyxl.load_workbook(path, data_only=True, read_only=True)
    return {
        sheet.title: [row for row in sheet.iter_rows(values_only=True) if not str(row[0]).startswith("Run 2")]
        for sheet in book
        if sheet.title != "Run log"
    }


def both(folder: Path, write: Callable[[dt.datetime], bytes]) -> tuple[Path, Path]:
    """The same workbook with its days counted from 1900 and from 1904."""
    of_1900, of_1904 = folder / "1900" / "estate.xlsx", folder / "1904" / "estate.xlsx"
    for path, epoch in ((of_1900, CALENDAR_WINDOWS_1900), (of_1904, CALENDAR_MAC_1904)):
        path.parent.mkdir()
        path.write_bytes(write(epoch))
    return of_1900, of_1904


CASES = sorted(folder.parent.name for folder in GOLDEN.glob("*/settings.csv"))


@pytest.mark.slow
@pytest.mark.parametrize("case", every(8, CASES))
def test_worked_cases_have_the_same_figures_and_days_in_a_1904_workbook(tmp_path: Path, case: str) -> None:
    of_1900, of_1904 = both(tmp_path, partial(typed, GOLDEN / case))
    assert fingerprint(read_workbook(of_1900)) == fingerprint(read_workbook(of_1904))
    for path in (of_1900, of_1904):
        assert main(["run", str(path)]) == 0
    expected, shown = cells(of_1900), cells(of_1904)
    assert "Cost per bottle" in shown or "Stock value" in shown
    assert shown == expected
    with zipfile.ZipFile(of_1904) as parts:
        assert re.search(rb'<workbookPr[^>]*date1904="(1|true)"', parts.read("xl/workbook.xml"))


@pytest.mark.slow
def test_a_closing_in_a_1904_workbook_stores_the_days_that_were_closed(tmp_path: Path) -> None:
    of_1900, of_1904 = both(tmp_path, partial(typed, demo_folder() / "small"))
    for path in (of_1900, of_1904):
        assert main(["close", str(path), "--date", "2024-12-31"]) == 0
        assert main(["open-year", str(path), str(path.with_suffix(".next.xlsx")), "--date", "2024-12-31"]) == 0
    expected, stored = cells(of_1900), cells(of_1904)
    days = {cell for row in stored["Year-end stock"] for cell in row if isinstance(cell, dt.datetime)}
    assert dt.datetime(2024, 12, 31) in days
    assert stored == expected
    assert cells(of_1904.with_suffix(".next.xlsx")) == cells(of_1900.with_suffix(".next.xlsx"))


def test_a_chart_of_days_stores_those_of_a_1904_workbook(tmp_path: Path) -> None:
    days = pd.DataFrame({"Day": pd.to_datetime(DAYS), "Amount": [1.0, 2.0]})
    chart = Chart("line", "Amounts", "amounts", "Day", ("Amount",), "day", "EUR")
    sheet = ResultSheet("Stock value", "Stock", (), (ResultTable("amounts", days, {"Day": "date"}),), (chart,))
    stored = {}
    for date_1904 in (False, True):
        with zipfile.ZipFile(io.BytesIO(write.result_workbook([sheet], date_1904=date_1904))) as parts:
            stored[date_1904] = re.findall(rb"<c:v>(4\d{4}|3\d{4})(?:\.0)?</c:v>", parts.read("xl/charts/chart1.xml"))
    assert [int(day) - 1_462 for day in stored[False]] == [int(day) for day in stored[True]]
    assert len(stored[True]) == 2
