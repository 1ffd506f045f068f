"""The formula that says whether inputs have changed: what it counts, what can't spoil it, how long it may be.

Longest formula, 8,192 characters, and arguments of a function, 255: Microsoft, "Excel specifications and limits".
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest
from xlsxwriter.worksheet import Worksheet

from costing.cli import main
from costing.inputs.schema import sheets
from costing.workbook.file import scan
from costing.workbook.file.package import read_package
from costing.workbook.file.stale import STALE, UNWATCHED, SheetCount, count_inputs, stale_formula
from tests.form import in_full
from tests.workbook.office import sheets_as_calculated, unprinted
from tests.workbook.running import Office
from tests.workbook.test_read import book, rewritten

RESULT = "Cost per bottle"


def changed(path: Path, change: Callable[[openpyxl.Workbook], None]) -> Path:
    """The workbook as openpyxl saves it: formulas without values."""
    book = openpyxl.load_workbook(path)
    change(book)
    book.save(path)
    return path


def helper(formula: str, rows: int = 1) -> Callable[[openpyxl.Workbook], None]:
    """Formulas in a column of the user's own beside the rows of Movements."""

    def change(book: openpyxl.Workbook) -> None:
        for row in range(2, 2 + rows):
            book["Movements"].cell(row, 30).value = formula

    return change


def stale_cell(path: Path, folder: Path) -> str:
    """Third row's first cell of a result sheet, as LibreOffice calculates it."""
    return sheets_as_calculated(path, folder)[RESULT][2][0]


@pytest.mark.parametrize("value", [b"<v></v>", b"<v/>", b"<v />", b""])
def test_a_formula_saved_without_a_value_is_counted_and_not_summed(value: bytes) -> None:
    def fill(_: object, sheet: Worksheet) -> None:
        sheet.write_row(0, 0, ["Date", "Lot", "Measured"])
        sheet.write_row(1, 2, [12.5])
        sheet.write_formula(1, 5, "=1+1", None, 7)
        sheet.write_formula(2, 5, "=1+1", None, 7)

    content = rewritten(book(fill), "xl/worksheets/sheet1.xml", lambda xml: xml.replace(b"<v>7</v>", value))
    counted = count_inputs(read_package(content, "estate.xlsx"), ["Stocktakes"])
    assert counted == [SheetCount("Stocktakes", 6, 12.5, ("F2:F3",))]


@in_full
@pytest.mark.office
def test_a_formula_saved_without_a_value_does_not_stop_a_run_nor_make_it_stale(
    small_book: Path, tmp_path: Path
) -> None:
    path = changed(small_book, helper("=1+1", rows=5))
    assert main(["run", str(path)]) == 0
    assert stale_cell(path, tmp_path) == ""


@pytest.mark.office
def test_an_error_in_a_helper_column_is_not_stale_and_a_changed_number_beside_it_is(
    small_book: Path, tmp_path: Path, office: Office
) -> None:
    path = changed(small_book, helper("=NA()", rows=3))
    assert main(["run", str(path)]) == 0
    shown = tmp_path / "shown"
    shown.mkdir()
    office.hand.open(str(unprinted(path, shown)))
    try:
        office.hand.calculate()
        assert office.hand.text("Movements", "AD2:AD2")[0] == "#N/A"
        assert office.hand.text(RESULT, "A3")[0] == ""
        ((price,),) = office.hand.see("Dry goods", "G2")
        office.hand.type("Dry goods", "G2", price + 0.01)
        assert office.hand.text(RESULT, "A3")[0] == STALE
    finally:
        office.hand.close()


def test_the_formula_of_90_input_sheets_is_one_that_a_spreadsheet_takes() -> None:
    titles = [sheet.title for sheet in sheets().values() if sheet.owner == "user"]
    many = [f"{title} {year}" for year in (2024, 2025, 2026) for title in titles][:90]
    assert len(many) == 90
    formula, now = stale_formula([SheetCount(title, 123_456, 123_456_789.123456) for title in many])
    assert "COUNTA" in formula
    assert now == ""
    assert len(formula) <= 8_192
    assert all(call.count("A:AZ") <= 255 for call in re.findall(r"COUNTA\([^)]*\)", formula))


def test_a_formula_that_would_be_too_long_says_that_changes_are_not_watched() -> None:
    formula, now = stale_formula([SheetCount(f"Movements {year}", 10, 1.5) for year in range(1000, 1200)])
    assert (formula, now) == (f'="{UNWATCHED}"', UNWATCHED)


def test_columns_beyond_az_are_not_counted() -> None:
    def fill(_: object, sheet: Worksheet) -> None:
        sheet.write_row(0, 0, ["Date", "Lot", "Measured"])
        for column, value in ((25, 1.0), (51, 10.0), (52, 100.0), (702, 1_000.0)):  # Z, AZ, BA, AAA
            sheet.write_number(1, column, value)
            sheet.write_formula(2, column, "=1+1", None, value)

    counted = count_inputs(read_package(book(fill), "estate.xlsx"), ["Stocktakes"])
    assert counted == [SheetCount("Stocktakes", 7, 22.0)]


def test_cells_are_counted_alike_however_they_are_written(tmp_path: Path) -> None:
    """Plain cells are found all at once, others one by one; a sheet is taken in blocks cut between rows."""

    def fill(_: object, sheet: Worksheet) -> None:
        sheet.write_row(0, 0, ["Date", "Lot", "Measured"])
        for row in range(1, 40):
            sheet.write_row(row, 1, [f"L{row}", row / 8, row % 2 == 0])

    content = book(fill)
    path = tmp_path / "as_openpyxl_writes.xlsx"
    openpyxl.load_workbook(io.BytesIO(content)).save(path)
    inline = rewritten(
        content,
        "xl/worksheets/sheet1.xml",
        lambda xml: re.sub(rb' t="s"><v>\d+</v>', b' t="inlineStr"><is><t>one of many</t></is>', xml),
    )
    prefixed = rewritten(
        content,
        "xl/worksheets/sheet1.xml",
        lambda xml: re.sub(rb"<(/?)(?=[a-zA-Z])", rb"<\1x:", xml).replace(b"xmlns=", b"xmlns:x="),
    )
    expected = [SheetCount("Stocktakes", 3 + 3 * 39, sum(row / 8 for row in range(1, 40)))]
    for written in (content, path.read_bytes(), inline, prefixed):
        assert count_inputs(read_package(written, "estate.xlsx"), ["Stocktakes"]) == expected


@pytest.mark.slow
@pytest.mark.parametrize("block", [1, 700, 10**6])
def test_blocks_of_a_sheet_change_no_count(block: int, demo_workbook: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    titles = [sheet.title for sheet in sheets().values()]
    package = read_package(demo_workbook.read_bytes(), "estate.xlsx")
    whole = count_inputs(package, titles)
    monkeypatch.setattr(scan, "_BLOCK", block)
    for cut, uncut in zip(count_inputs(package, titles), whole, strict=True):
        assert (cut.title, cut.filled, cut.uncalculated) == (uncut.title, uncut.filled, uncut.uncalculated)
        assert cut.total == pytest.approx(uncut.total, rel=1e-12)
