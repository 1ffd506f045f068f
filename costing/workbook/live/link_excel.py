"""Excel as a program that has a workbook open, on Windows and macOS, through xlwings.

Rule: values and formulas are set by rectangles. Excel reads a text as if it were typed, so a text that might be
taken for a number, a date, a truth or a formula is set with an apostrophe before it, which Excel keeps apart
from the value.

Conventions: only the part of xlwings under the BSD licence is used, and of that only what has been there for
years; nothing but the active engine is asked. Whatever Excel or xlwings raises becomes one line. Excel's modes are
the whole application's and outlive a link that is killed, so what they were is kept in a temporary file while they
are changed, and the next link puts them back.

What it does not do: start or end Excel; tell a text that reads like an error (`#N/A`) from an error.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import re
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import cache, wraps
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

from costing.errors import WorkbookError
from costing.inputs.cells import fold
from costing.inputs.schema import sheets
from costing.workbook.file.package import shown
from costing.workbook.file.scan import MAX_CELLS
from costing.workbook.file.sheets import MARK, mark_text
from costing.workbook.file.stale import STALE
from costing.workbook.live.opened import DAY_ZERO, DAY_ZERO_1904, OpenSheet
from costing.workbook.live.running_excel import counts_from_1904, find, is_file, saves_itself
from costing.workbook.pages.pages import STALE_ROW, Page, PlacedTable, RowEdit, Styled, link_columns

_ERRORS = {"#DIV/0!", "#N/A", "#NAME?", "#NULL!", "#NUM!", "#REF!", "#VALUE!", "#SPILL!", "#CALC!", "#FIELD!"}
_PLAIN_TEXT = re.compile(r"[^\W\d_][^\d=@#]*")
_TRUTHS = {"true", "false", "vrai", "faux", "wahr", "falsch", "vero", "falso", "verdadero"}
_HEADER_ROWS, _STALE_COLUMNS = 20, 52
PATIENCE_SECONDS = 5.0
_WAS_FROZEN = (
    "An earlier link was ended in the middle of a refresh; Excel redraws and calculates again as it did before it. "
    "Result sheets may be partly old until the next refresh is done."
)
_P = ParamSpec("_P")
_R = TypeVar("_R")


def _in_one_line(method: Callable[_P, _R]) -> Callable[_P, _R]:
    """Turn whatever Excel raises into a WorkbookError: the types differ between systems."""

    @wraps(method)
    def guarded(*arguments: _P.args, **named: _P.kwargs) -> _R:
        try:
            return method(*arguments, **named)
        except Exception as fault:
            words = shown(str(fault).splitlines()[0] if str(fault) else type(fault).__name__, 120)
            msg = f"Excel refuses ({words}). Finish the cell that is being edited, close dialogs, then refresh again."
            raise WorkbookError(msg) from fault

    return guarded


class ExcelWorkbook:
    """A workbook open in Excel. NotOpenError where it isn't, or there is no Excel."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._app, self._book = find(path)
        self._tables: dict[str, list[PlacedTable]] = {}
        self._known: set[str] = set()
        self._before = Path(tempfile.gettempdir()) / f"costing-excel-{self._app.pid}.txt"
        self.saves_itself = saves_itself(self._book)
        self.date_1904 = counts_from_1904(self._book, path)
        self.remarks = [_WAS_FROZEN] if self._before.exists() and self._put_back() else []

    def close(self) -> None:
        """Nothing is to be closed: Excel keeps the workbook."""
        self._put_back()

    @_in_one_line
    def who(self) -> str:
        """Program and workbook, for a person."""
        return f"Excel {self._app.version}: {self._path.name}"

    def is_open(self) -> bool:
        """Whether the workbook is still open there."""
        self._put_back(at_once=True)
        try:
            return is_file(self._book, self._path)
        except Exception:  # of types that differ between systems
            return False

    @_in_one_line
    def titles(self) -> list[str]:
        """Titles of its worksheets in the order of their tabs, as they are now."""
        self._tables = {}
        return [str(sheet.name) for sheet in self._book.sheets]

    @_in_one_line
    def tables(self, title: str) -> list[PlacedTable]:
        """Tables on a sheet, as they were when first asked for since the last call of `titles`."""
        if title not in self._tables:
            self._tables[title] = [_placed(table) for table in self._book.sheets[title].tables if table.show_headers]
        return self._tables[title]

    @_in_one_line
    def is_marked(self, title: str) -> bool:
        """Whether the sheet bears the mark of a result sheet, with its present title."""
        names = {name.name.rpartition("!")[2]: name.refers_to for name in self._book.sheets[title].names}
        return str(names.get(MARK, "")).removeprefix("=") == mark_text(title)

    @_in_one_line
    def is_protected(self, title: str) -> bool:
        """Whether the sheet is protected, where Excel tells (on Windows)."""
        return getattr(self._book.sheets[title].api, "ProtectContents", False) is True

    @_in_one_line
    def read_table(self, title: str) -> OpenSheet:
        """Cells of a sheet. A sheet too large to be read comes as the one cell that makes it so."""
        sheet = self._book.sheets[title]
        used = sheet.used_range
        height, width = used.row + used.shape[0] - 1, used.column + used.shape[1] - 1
        if height * width > MAX_CELLS:
            return OpenSheet([], too_far=(width, height))
        area = sheet.range((1, 1), (height, width))
        rows: list[list[Any]] = area.options(ndim=2, err_to_str=True).value
        errors = []
        for row, cells in enumerate(rows, 1):
            for column, cell in enumerate(cells, 1):
                if isinstance(cell, str):
                    if cell in _ERRORS:
                        errors.append((column, row, cell))
                        cells[column - 1] = None
                elif isinstance(cell, dt.datetime):
                    cells[column - 1] = cell.replace(tzinfo=None)
                elif cell is not None and not isinstance(cell, bool):
                    cells[column - 1] = float(cell)
        while (
            rows and all(cell is None or cell == "" for cell in rows[-1]) and (not errors or errors[-1][1] < len(rows))
        ):
            rows.pop()
        formulas = _as_rows(sheet.range((1, 1), (height, min(width, _STALE_COLUMNS))).formula)
        filled = sum(bool(text) for line in formulas for text in line)
        day_zero = DAY_ZERO_1904 if self.date_1904 else DAY_ZERO
        return OpenSheet(rows, tuple(errors), frozenset(self._percents(sheet, rows)), filled, day_zero=day_zero)

    def _percents(self, sheet: Any, rows: list[list[Any]]) -> set[tuple[int, int]]:
        percents = set()
        for column in range(len(rows[0]) if rows else 0):
            if any(_is_percent(row[column]) for row in rows[:_HEADER_ROWS]):
                percents |= {(column + 1, row) for row in _percent_rows(sheet, column + 1, 1, len(rows))}
        return percents

    def read_tables(self, titles: Sequence[str]) -> Iterator[OpenSheet]:
        """Cells of sheets, one after the other."""
        return map(self.read_table, titles)

    def write_tables(self, plans: Iterable[tuple[Page, Sequence[RowEdit], bool]]) -> None:
        """Edit rows of each page, then set all its cells; where the plan says so, formats and tables as well."""
        for page, edits, styled in plans:
            self._write(page, edits, styled=styled)

    @_in_one_line
    def mark_stale(self, titles: Sequence[str], formula: str) -> None:
        """Put the formula into the cell of these sheets that says whether they are old."""
        for title in titles:
            cell = self._book.sheets[title].range((STALE_ROW + 1, 1))
            if "STALE" in str(cell.formula):
                cell.formula = formula

    @_in_one_line
    def _write(self, page: Page, edits: Sequence[RowEdit], *, styled: bool) -> None:
        """Edit rows, then set every cell of the page; with `styled`, formats and tables as well."""
        is_new = page.name not in [sheet.name for sheet in self._book.sheets]
        sheet = self._added(page.name) if is_new else self._book.sheets[page.name]
        for edit in edits:
            rows = sheet.range(f"{edit.row + 1}:{edit.row + abs(edit.count)}")
            if edit.count > 0:
                rows.insert("down")
            else:
                rows.delete("up")
        bottom, right = len(page.rows), len(page.rows[0])
        if styled:
            _place_tables(sheet, page)
        _clear_outside(sheet, bottom, right)
        links = link_columns(page)
        if not is_new and page.name not in self._known:
            # A link that was written into the file belongs to its cell and would outlive the new content.
            for column, top, formulas in links:
                sheet.range((top + 1, column + 1), (top + len(formulas), column + 1)).clear()
                _style(sheet, [run for run in page.styled if run.left == column])
        self._known.add(page.name)
        sheet.range((1, 1), (bottom, right)).value = [[_typed(cell) for cell in row] for row in page.rows]
        for column, top, formulas in links:
            area = sheet.range((top + 1, column + 1), (top + len(formulas), column + 1))
            area.formula = [[formula] for formula in formulas]
        for (row, column), formula in page.formulas.items():
            sheet.range((row + 1, column + 1)).formula = formula
        if styled:
            _style(sheet, page.styled)
            for column, characters in page.widths.items():
                sheet.range((1, column + 1)).column_width = characters
            for row, points in page.heights.items():
                sheet.range((row + 1, 1)).row_height = points

    def _added(self, name: str) -> Any:
        front = self._book.sheets.active
        sheet = self._book.sheets.add(name, after=self._book.sheets[len(self._book.sheets) - 1])
        mark = sheet.names.add(MARK, f"={mark_text(name)}")
        with contextlib.suppress(Exception):  # a visible mark marks as well
            mark.api.Visible = False
        front.activate()  # Excel brings an added sheet to the front
        return sheet

    @contextlib.contextmanager
    def paused(self) -> Iterator[None]:
        """Neither redraw nor recalculate inside. Where the inside fails, result sheets say that they are old."""
        try:
            self._pause()
            yield
        except BaseException:  # Ctrl-C, too
            with contextlib.suppress(WorkbookError):
                self.mark_stale([title for title in self.titles() if self.is_marked(title)], f'="{STALE}"')
            raise
        finally:
            self._put_back()

    @_in_one_line
    def _pause(self) -> None:
        self._before.write_text(str(self._app.calculation), encoding="ascii")
        self._app.calculation = "manual"
        self._app.screen_updating = False

    def _put_back(self, *, at_once: bool = False) -> bool:
        """Give Excel the modes it had before `_pause`, once it takes them; return whether nothing is left to do.

        Refused for PATIENCE_SECONDS, the rest is tried again with the next question whether the workbook is open.
        """
        until = time.monotonic() + (0.0 if at_once else PATIENCE_SECONDS)
        while self._before.exists():
            try:
                self._app.screen_updating = True
                self._app.calculation = self._before.read_text(encoding="ascii") or "automatic"
                self._before.unlink()
            except Exception:  # of types that differ between systems
                if time.monotonic() >= until:
                    return False
                time.sleep(0.1)
        return True


def _placed(table: Any) -> PlacedTable:
    area = table.range
    top, left, (height, width) = area.row - 1, area.column - 1, area.shape
    return PlacedTable(str(table.name), top, left, top + height - 1, left + width - 1, bool(table.show_totals))


def _as_rows(formulas: Any) -> Sequence[Sequence[Any]]:
    """What xlwings gives for a range: one text, one row of texts, or rows of texts."""
    if not isinstance(formulas, (list, tuple)):
        return [[formulas]]
    return [formulas] if formulas and not isinstance(formulas[0], (list, tuple)) else formulas


@cache
def _percent_titles() -> frozenset[str]:
    columns = [column for sheet in sheets().values() for column in sheet.columns if column.type == "percent"]
    return frozenset(fold(column.title.partition("(")[0]) for column in columns)


def _is_percent(cell: Any) -> bool:
    return isinstance(cell, str) and ("%" in cell or fold(cell.partition("(")[0]) in _percent_titles())


def _percent_rows(sheet: Any, column: int, top: int, bottom: int) -> Iterator[int]:
    """Rows of a column shown as percentages: halved until each part has one number format."""
    number_format = sheet.range((top, column), (bottom, column)).number_format
    if number_format is None and top < bottom:
        middle = (top + bottom) // 2
        yield from _percent_rows(sheet, column, top, middle)
        yield from _percent_rows(sheet, column, middle + 1, bottom)
    elif number_format and "%" in number_format:
        yield from range(top, bottom + 1)


def _place_tables(sheet: Any, page: Page) -> None:
    """Give our tables the page's corners. A table is resized without its totals row, under the same header row."""
    present = {table.name: table for table in sheet.tables}
    for wanted in page.tables:
        last = wanted.bottom + 1 - wanted.totals
        area = sheet.range((wanted.top + 1, wanted.left + 1), (last, wanted.right + 1))
        table = present.get(wanted.name)
        if table is None:
            table = sheet.tables.add(area, wanted.name, has_headers=True)
            table.table_style = ""
        elif _placed(table) != wanted:
            table.show_totals = False
            table.resize(area)
        if table.show_totals != wanted.totals:
            table.show_totals = wanted.totals


def _clear_outside(sheet: Any, bottom: int, right: int) -> None:
    used = sheet.used_range
    last_row, last_column = used.row + used.shape[0] - 1, used.column + used.shape[1] - 1
    if last_row > bottom:
        sheet.range((bottom + 1, 1), (last_row, max(last_column, right))).clear_contents()
    if last_column > right:
        sheet.range((1, right + 1), (bottom, last_column)).clear_contents()


def _typed(cell: Any) -> Any:
    """Value as it must be set so that Excel takes it for what it is."""
    if not isinstance(cell, str) or not cell:
        return cell
    return cell if _PLAIN_TEXT.fullmatch(cell) and cell.casefold() not in _TRUTHS else f"'{cell}"


def _style(sheet: Any, runs: Sequence[Styled]) -> None:
    for run in runs:
        form = run.form
        area = sheet.range((run.top + 1, run.left + 1), (run.bottom + 1, run.right + 1))
        area.number_format = form.get("num_format", "General")
        area.font.bold, area.font.italic = bool(form.get("bold")), bool(form.get("italic"))
        area.font.color = _colour(form.get("font_color", "#000000"))
        area.color = _colour(form["bg_color"]) if "bg_color" in form else None
        if "font_size" in form:
            area.font.size = form["font_size"]
        if form.get("text_wrap"):
            area.wrap_text = True


def _colour(name: str) -> tuple[int, int, int]:
    plain = {"white": "#FFFFFF", "black": "#000000"}.get(name, name).lstrip("#")
    return int(plain[:2], 16), int(plain[2:4], 16), int(plain[4:], 16)
