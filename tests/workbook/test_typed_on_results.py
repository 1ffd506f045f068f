"""What a person typed on result sheets, and the run log edited by hand: listed or kept, never lost, no traceback."""

from __future__ import annotations

import random
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook
from openpyxl.utils import get_column_letter, range_boundaries
from openpyxl.worksheet.table import Table, TableColumn

from costing.cli import main
from costing.workbook.file.backups import backups
from costing.workbook.file.package import open_package
from costing.workbook.pages.run_log import _COLUMNS, read_log
from tests.commands.books import first_hour, typed
from tests.form import chosen, in_full

pytestmark = pytest.mark.slow

Edit = Callable[[Any], None]


@cache
def _run_once(folder: Path) -> bytes:
    path = folder / "estate.xlsx"
    path.write_bytes(typed(first_hour(folder / "estate")))
    for _ in range(3):
        assert main(["run", str(path)]) == 0
    return path.read_bytes()


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return _run_once(tmp_path_factory.mktemp("ground"))


@pytest.fixture
def small(ground: bytes, tmp_path: Path) -> Path:
    path = tmp_path / "small.xlsx"
    path.write_bytes(ground)
    return path


def edited(path: Path, edit: Edit) -> bytes:
    book = load_workbook(path)
    for sheet in book.worksheets:
        sheet._charts = []  # openpyxl would write them under names of its own
    edit(book)
    book.save(path)
    return path.read_bytes()


def corner(sheet: Any, name: str) -> tuple[int, int, int, int]:
    """First column, first row, last column, last row of a table."""
    return range_boundaries(sheet.tables[name].ref)  # type: ignore[no-any-return]


def beside(book: Any) -> None:
    sheet = book["Stock value"]
    _, first, last_column, last = corner(sheet, "stock_value")
    sheet.cell(first + 1, last_column + 2, "ask the cooper")
    sheet.cell(first + 2, last_column + 2, f"={get_column_letter(last_column)}{last}*2")
    sheet.cell(last + 40, 3, 4711)


def stretched(book: Any) -> None:
    sheet = book["Stock value"]
    table = sheet.tables["stock_value"]
    left, first, right, last = corner(sheet, "stock_value")
    sheet.cell(first, right + 1, "My column")
    sheet.cell(first + 1, right + 1, "counted twice")
    table.tableColumns.append(TableColumn(id=99, name="My column"))
    table.ref = f"{get_column_letter(left)}{first}:{get_column_letter(right + 1)}{last}"


def inside(book: Any) -> None:
    sheet = book["Stock value"]
    left, first, *_ = corner(sheet, "stock_value")
    sheet.cell(first + 1, left + 2, "=1+1")


def own_table(book: Any) -> None:
    sheet = book["Stock value"]
    for row, value in enumerate(("Mine", 1, 2), 70):
        sheet.cell(row, 30, value)
    sheet.add_table(Table(displayName="mine", ref="AD70:AD72"))


def all_of_these(book: Any) -> None:
    for edit in (own_table, inside, beside, stretched):
        edit(book)


def far(book: Any) -> None:
    book["Stock value"]["XFD1048576"] = "far"


ALL = (
    *("'ask the cooper'", "4711", "column 'My column', 1 filled cell", "Stock value!AD70 table 'mine'"),
    *("formula, now", "formula, now"),
)


@pytest.mark.parametrize(("edit", "listed"), [(all_of_these, ALL), (far, ("Stock value!XFD1048576",))])
def test_notes_and_formulas_typed_on_a_result_sheet_are_listed_and_in_the_back_up(
    edit: Edit, listed: tuple[str, ...], small: Path, capsys
) -> None:
    """They were gone at the next run, without a word."""
    with_notes = edited(small, edit)
    assert main(["run", str(small)]) == 0
    said = capsys.readouterr().err
    assert "Typed on result sheets" in said
    for what in listed:
        assert what in said
    assert len(said.splitlines()) == 3 + len(listed)
    assert backups(small)[-1].read_bytes() == with_notes
    assert main(["run", str(small)]) == 0
    assert "Typed" not in capsys.readouterr().err


def test_results_that_nobody_touched_list_nothing(small: Path, capsys) -> None:
    for command in ("run", "ageing --write", "run", "ageing --write"):
        verb, *more = command.split()
        assert main([verb, str(small), *more]) == 0
        assert "Typed" not in capsys.readouterr().err, command


def log_of(path: Path) -> list[list[Any]]:
    return read_log(open_package(path)).to_numpy().tolist()


def log_edit(row: int, column: int, value: Any) -> Edit:
    def edit(book: Any) -> None:
        sheet = book["Run log"]
        left, first, *_ = corner(sheet, "run_log")
        sheet.cell(first + row, left + column, value)

    return edit


@pytest.mark.parametrize("values", [("checked with Ann", "#N/A", "=1/0"), (True, "2026-01-01", 1e300)])
def test_the_log_takes_whatever_is_typed_in_a_number_column(values: tuple[Any, ...], small: Path, capsys) -> None:
    """A note or an error there was a traceback on every later run."""
    before = log_of(small)
    assert len(before) >= len(values)

    def one_a_row(book: Any) -> None:
        for row, value in enumerate(values, 1):
            log_edit(row, _COLUMNS.index("Book"), value)(book)

    edited(small, one_a_row)
    for count in range(1, 1 + chosen(full=2, short=1)):
        assert main(["run", str(small)]) == 0, capsys.readouterr().err
        after = log_of(small)
        assert len(after) == len(before) + count
        for number, row in enumerate(before):
            assert after[number][: _COLUMNS.index("Book")] == row[: _COLUMNS.index("Book")]
    for row, value in zip(after, values, strict=False):
        assert str(value).startswith("=") or row[_COLUMNS.index("Book")] == value


def test_a_renamed_header_or_a_column_of_ones_own_keeps_the_log(small: Path) -> None:
    """A renamed header replaced the log: nine rows became three."""
    before = log_of(small)

    def rename(book: Any) -> None:
        sheet = book["Run log"]
        left, first, *_ = corner(sheet, "run_log")
        sheet.cell(first, left + 2, "Source")
        sheet.tables["run_log"].tableColumns[2].name = "Source"

    edited(small, rename)
    assert main(["run", str(small)]) == 0
    after = read_log(open_package(small))
    assert list(after.columns) == [*_COLUMNS[:2], "Source", *_COLUMNS[3:], "Inputs"]
    assert len(after) == len(before) + 1
    assert after["Source"].tolist()[: len(before)] == [row[2] for row in before]
    assert after["Source"].isna().tolist() == [False] * len(before) + [True]
    assert after["Inputs"].notna().tolist() == [False] * len(before) + [True]


def test_a_row_typed_below_the_log_stays_in_it(small: Path) -> None:
    before = log_of(small)
    edited(small, log_edit(1 + len(before), _COLUMNS.index("Figure"), "year closed"))
    assert main(["run", str(small)]) == 0
    after = log_of(small)
    assert after[len(before)] == [None, None, None, None, "year closed", None, None]
    assert after[: len(before)] == before


@pytest.mark.parametrize("what", ["far cell", "no table"])
def test_a_log_that_cannot_be_read_is_refused_and_stays(what: str, small: Path, capsys) -> None:
    """A far cell on it ended the process; a table turned into cells would begin a new log."""

    def edit(book: Any) -> None:
        if what == "far cell":
            book["Run log"]["XFD1048576"] = 1
        else:
            del book["Run log"].tables["run_log"]

    content = edited(small, edit)
    assert main(["run", str(small)]) == 1
    assert "Run log" in capsys.readouterr().err
    assert small.read_bytes() == content


@in_full
def test_random_edits_of_the_log_lose_no_row(small: Path, capsys) -> None:
    choose = random.Random(4)  # draws a note and an error, then all four
    texts: set[str] = set()
    for step in range(30):
        note = f"note {step}"
        rows = len(log_of(small))
        value = choose.choice([note, note, 1.5, "#DIV/0!", True])
        edited(small, log_edit(choose.randint(1, rows), choose.randrange(len(_COLUMNS)), value))
        before = log_of(small)
        assert main(["run", str(small)]) == 0, capsys.readouterr().err
        assert log_of(small)[: len(before)] == before
        texts |= {note} if value == note else set()
    assert texts
