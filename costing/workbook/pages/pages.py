"""Result sheets as pages of cells, for a spreadsheet program that has the workbook open.

Rule: a page is laid out by the same code as a sheet in a file (`write.lay_out`), so everything stands in
the same place and an open sheet can be refreshed without moving. Where a table has grown or shrunk, whole rows
are put in or taken out inside it (`row_edits`), as a person would do it: charts, tables further down and the
user's own references move along.

Conventions: rows and columns are counted from 0. Totals are formulas over their cells, spelt as in an English
Excel. A link's location is `'Movements'!F17`. Dates are day numbers of the open workbook's date system.

What it does not do: charts. Those that stand on a sheet follow their tables; a new sheet gets its charts when
the results are written into the file, and a chart of a single row keeps to that row until then.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from costing.inputs.raw import column_letter
from costing.workbook.file.long_tables import LongTable
from costing.workbook.pages import look
from costing.workbook.pages.result_sheet import ResultSheet, RunStamp
from costing.workbook.pages.write import lay_out

STALE_ROW = 2  # `write.STALE_CELL`, counted from 0
_TOTAL = re.compile(r"=SUBTOTAL\(109,\w+\[.*\]\)", re.DOTALL)
_LONGEST_IN_FORMULA = 255  # characters of a text (Microsoft, "Excel specifications and limits")
Cell = str | float | bool | None
Form = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class PlacedTable:
    """A table on a sheet: its corners from 0, header and totals row counted in."""

    name: str
    top: int
    left: int
    bottom: int
    right: int
    totals: bool

    @property
    def body(self) -> int:
        """Rows between the header and the totals."""
        return self.bottom - self.top - self.totals


@dataclass(frozen=True, slots=True)
class Styled:
    """A rectangle of cells that look alike; `form` holds properties of an XlsxWriter format."""

    top: int
    left: int
    bottom: int
    right: int
    form: Form


@dataclass(frozen=True)
class Page:
    """All that stands on one result sheet.

    rows: cells, all rows equally long; formulas: (row, column) -> formula; links: (row, column) -> location
    that the cell leads to; widths: column -> characters, 0 where it is hidden; heights: row -> points.
    """

    name: str
    rows: Sequence[Sequence[Cell]]
    formulas: Mapping[tuple[int, int], str]
    links: Mapping[tuple[int, int], str]
    tables: tuple[PlacedTable, ...]
    styled: tuple[Styled, ...]
    widths: Mapping[int, float]
    heights: Mapping[int, float]

    def same_content(self, other: Page | None) -> bool:
        """Whether both pages show the same, whenever they were made."""
        if other is None or self.links != other.links or self.tables != other.tables:
            return False
        stale = {place: formula for place, formula in self.formulas.items() if place[0] != STALE_ROW}
        other_formulas = {place: formula for place, formula in other.formulas.items() if place[0] != STALE_ROW}
        return stale == other_formulas and self.rows[STALE_ROW + 1 :] == other.rows[STALE_ROW + 1 :]


@dataclass(frozen=True, slots=True)
class RowEdit:
    """Whole rows put in before a row (count above 0), or taken out from a row on (below 0)."""

    row: int
    count: int


def pages(
    sheets: Sequence[ResultSheet],
    stamp: RunStamp | None = None,
    stale_formula: tuple[str, str] | None = None,
    *,
    date_1904: bool = False,
) -> list[Page]:
    """Lay the result sheets out as pages; date_1904: whether days are counted from 1904 in the open workbook.

    ValueError where a description contradicts its frame.
    """
    recorder = _Workbook(date_1904)
    without_charts = [replace(sheet, charts=()) for sheet in sheets]
    for long in lay_out(recorder, without_charts, stamp, stale_formula):
        recorder.sheets[long.sheet].fill(long)
    return [sheet.page() for sheet in recorder.sheets]


def row_edits(present: Sequence[PlacedTable], wanted: Sequence[PlacedTable]) -> tuple[list[RowEdit], bool]:
    """Rows to put in and take out, in this order, so that the present tables come to stand as wanted.

    Also whether that is all: tables with other columns, tables in another order, new ones, and a table that
    grows from a single row must be set anew and styled.
    """
    present = sorted(present, key=lambda table: table.top)
    wanted = sorted(wanted, key=lambda table: table.top)
    if [table.name for table in present] != [table.name for table in wanted]:
        return [], False
    edits, shift, is_all = [], 0, True
    for old, new in zip(present, wanted, strict=True):
        # Rows above a table come and go before its title, which stands right above its header.
        above = new.top - old.top - shift
        if above:
            edits.append(RowEdit(old.top + shift - 1 + min(above, 0), above))
        grown = new.body - old.body
        same_shape = (old.left, old.right, old.totals) == (new.left, new.right, new.totals)
        is_all = is_all and same_shape and not (grown > 0 and old.body < 2)
        if grown:
            # Before the last row, so that references to the whole column take the new ones in.
            last = new.top + old.body
            edits.append(RowEdit(last if grown > 0 else last + grown, grown))
        shift += above + grown
    return edits, is_all


def link_columns(page: Page, separator: str = ",") -> list[tuple[int, int, list[str]]]:
    """Links as formulas, those right below each other together: column, first row, formulas.

    A formula is one property of its cell, so that a link never outlives the row it was made for.
    """
    columns: list[tuple[int, int, list[str]]] = []
    for row, column in sorted(page.links, key=lambda place: (place[1], place[0])):
        formula = _link_formula(page.links[row, column], page.rows[row][column], separator)
        if formula is None:
            continue
        last = columns[-1] if columns else None
        if last and last[0] == column and last[1] + len(last[2]) == row:
            last[2].append(formula)
        else:
            columns.append((column, row, [formula]))
    return columns


def _link_formula(location: str, value: Any, separator: str) -> str | None:
    """Formula of a cell that shows `value` and leads to `location`; None where it can't be told in one."""
    target = f"#{location}".replace('"', '""')
    label = '"' + value.replace('"', '""') + '"' if isinstance(value, str) else repr(value)
    if max(len(target), len(label) - 2) > _LONGEST_IN_FORMULA:
        return None
    return f'=HYPERLINK("{target}"{separator}{label})'


class _Workbook:
    """Takes the calls of the writer in place of an XlsxWriter workbook, and keeps what they say."""

    def __init__(self, date_1904: bool) -> None:
        self.date_1904 = date_1904
        self.sheets: list[_Sheet] = []

    def add_worksheet(self, name: str) -> _Sheet:
        self.sheets.append(_Sheet(name))
        return self.sheets[-1]

    def add_format(self, form: Form) -> Form:
        return form


class _Ignored:
    """Takes any call and does nothing."""

    def __getattr__(self, name: str) -> Any:
        return lambda *_, **__: None


class _Sheet(_Ignored):
    """Takes the calls of the writer in place of an XlsxWriter worksheet."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.cells: dict[tuple[int, int], Cell] = {}
        self.forms: dict[tuple[int, int], Form] = {}
        self.formulas: dict[tuple[int, int], str] = {}
        self.links: dict[tuple[int, int], str] = {}
        self.tables: list[PlacedTable] = []
        self.styled: list[Styled] = []
        self.widths: dict[int, float] = {}
        self.heights: dict[int, float] = {}

    def set_row(self, row: int, height: float) -> None:
        self.heights[row] = height

    def set_column(
        self, first: int, last: int, width: float | None, _: Any = None, options: Mapping[str, Any] = {}
    ) -> None:
        if width is not None:
            shown = 0.0 if options.get("hidden") else width
            self.widths |= dict.fromkeys(range(first, last + 1), shown)

    def write_string(self, row: int, column: int, value: Cell, form: Form) -> None:
        self.cells[row, column] = value
        self.forms[row, column] = form

    write_number = write_boolean = write_blank = write_string

    def write_url(self, row: int, column: int, url: str, form: Form, text: str) -> None:
        self.write_string(row, column, text, form)
        self.links[row, column] = url.removeprefix("internal:")

    def write_formula(self, row: int | str, column: Any, formula: Any, form: Any = None, value: Cell = None) -> None:
        if isinstance(row, str):  # the one place that the writer names by its letter
            self.forms[STALE_ROW, 0] = {**formula, "font_color": look.WARNING_INK, "bold": True}
            self.cells[STALE_ROW, 0], self.formulas[STALE_ROW, 0] = None, column
            return
        if _TOTAL.fullmatch(formula):
            table = next(table for table in self.tables if table.bottom == row)
            letter = column_letter(column)
            formula = f"=SUBTOTAL(109,{letter}{table.top + 2}:{letter}{table.bottom})"
        self.write_string(row, column, value, form)
        self.formulas[row, column] = formula

    def add_table(self, top: int, left: int, bottom: int, right: int, options: Mapping[str, Any]) -> int:
        self.tables.append(PlacedTable(options["name"], top, left, bottom, right, options["total_row"]))
        for position, column in enumerate(options["columns"], left):
            self.write_string(top, position, column["header"], column["header_format"])
        return 0

    def fill(self, long: LongTable) -> None:
        """Set the rows of a long table, whose first row stands there already."""
        first = long.first_row - 1
        for position, values in enumerate(long.columns):
            self.cells |= {(first + step, position): value for step, value in enumerate(values)}
            form = self.forms[first - 1, position]
            self.styled.append(Styled(first, position, first + len(values) - 1, position, form))
        for position, places in long.links.items():
            self.links |= {(first + step, position): place for step, place in enumerate(places) if place}

    def page(self) -> Page:
        height = 1 + max(row for row, _ in self.cells)
        width = 1 + max(column for _, column in self.cells)
        rows: list[list[Cell]] = [[None] * width for _ in range(height)]
        for (row, column), value in self.cells.items():
            rows[row][column] = value
        links = {place: where for place, where in self.links.items() if self.cells.get(place) is not None}
        styled = (*self.styled, *self._runs())
        return Page(
            self.name, rows, self.formulas, links, tuple(self.tables), styled, dict(self.widths), dict(self.heights)
        )

    def _runs(self) -> list[Styled]:
        """Cells of one column that follow each other and share a format, as one rectangle."""
        runs: list[Styled] = []
        for row, column in sorted(self.forms, key=lambda place: (place[1], place[0])):
            form = self.forms[row, column]
            last = runs[-1] if runs else None
            if last and last.left == column and last.bottom == row - 1 and last.form is form:
                runs[-1] = Styled(last.top, column, row, column, form)
            else:
                runs.append(Styled(row, column, row, column, form))
        return runs
