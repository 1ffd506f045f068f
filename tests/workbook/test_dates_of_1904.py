"""Workbooks that count their days from 1904: results show the days that the inputs mean.

The two date systems, 1,462 days apart: ECMA-376 part 1, 18.17.4.1.
"""

from __future__ import annotations

import datetime as dt
import io
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from costing.workbook import write
from costing.workbook.update import open_source, write_results
from costing.workbook.write import ResultSheet, ResultTable

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
    write_results(open_source(path), path, [sheet], ["Stock value"], version="0", basis="book", inputs="")
    rows = list(openpyxl.load_workbook(io.BytesIO(path.read_bytes()))["Stock value"].iter_rows(values_only=True))
    assert [row[:2] for row in rows if isinstance(row[0], dt.datetime)] == [(DAYS[0], 45_000), (DAYS[1], 1)]
