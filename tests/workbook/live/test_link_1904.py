"""An open workbook that counts its days from 1904, and the fingerprint of what is open and of its file.

LibreOffice is the outside check: it shows the days and calculates the formula that says STALE.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pytest
from openpyxl.utils.datetime import CALENDAR_MAC_1904, CALENDAR_WINDOWS_1900

from costing.commands.records import demo_folder
from costing.inputs.fingerprint import fingerprint
from costing.workbook.file.stale import STALE
from costing.workbook.live.link import Refresher, attach
from costing.workbook.live.opened import read_open, write_open
from costing.workbook.pages.pages import pages
from costing.workbook.pages.result_sheet import ResultSheet, ResultTable
from costing.workbook.read import read_workbook
from tests.commands.books import typed
from tests.workbook.running import Office
from tests.workbook.test_dates_of_1904 import DAYS

pytestmark = pytest.mark.office


@pytest.fixture(params=["1900", "1904"])
def small(office: Office, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Path]:
    """The small example, open, in each of the date systems."""
    path = tmp_path / f"estate {request.param}.xlsx"
    epoch = CALENDAR_MAC_1904 if request.param == "1904" else CALENDAR_WINDOWS_1900
    path.write_bytes(typed(demo_folder() / "small", epoch))
    office.hand.open(str(path))
    yield path
    office.hand.close()


def a_day(_: object) -> list[ResultSheet]:
    frame = pd.DataFrame({"Day": pd.to_datetime(DAYS), "Amount": [45_000.0, 1.0]})
    return [ResultSheet("Stock value", "Stock", (), (ResultTable("stock", frame, {"Day": "date"}),))]


def test_an_open_workbook_has_the_fingerprint_of_its_file_and_its_results_the_days_of_the_inputs(
    office: Office, small: Path
) -> None:
    workbook = attach(small, office.pipe)
    try:
        tables, _, inputs = read_open(workbook)
        assert inputs == fingerprint(read_workbook(small))
        assert inputs == fingerprint(tables)
        assert workbook.date_1904 == ("1904" in small.name)
        assert "refreshed" in Refresher(workbook, a_day, "0", "book")()
        (page,) = pages(a_day(None), date_1904=workbook.date_1904)
        top = page.tables[0].top + 2
        assert [office.hand.text("Stock value", f"A{top + row}")[0] for row in (0, 1)] == ["2018-03-06", "2026-01-01"]
        assert office.hand.text("Stock value", "A3")[0] == ""
        office.hand.type("Dry goods", "G2", 99.0)
        assert office.hand.text("Stock value", "A3")[0] == STALE
        write_open(workbook, [page])
    finally:
        workbook.close()
