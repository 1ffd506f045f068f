"""What stands on the library's own sheets before they are written anew, and what of it a person put there.

Rule: the library fills column A above its tables (title, stamp, what it says, and the line above each table) and below
them (its notes, under their heading), and the tables themselves, with formulas in totals rows and in columns that hold
formulas on the new sheet. Whatever else is there was typed by a person, or stretched a table by being typed beside or
below it: it is listed, since the sheet is about to be written anew. A text that stands on the new sheet too is not
lost.

What it does not do: it changes nothing, and it knows no value that was typed over one of the library's.
"""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from costing.inputs.raw import column_letter
from costing.workbook.file.package import Package, shown
from costing.workbook.file.scan import ERROR_CELL, TableRange, formula_cells, scan_sheet, table_ranges
from costing.workbook.file.sheets import NOTES, Book, Tab, read_book
from costing.workbook.file.values import cell_reader

_STAMPED_ROWS = 3
_UNFILLED_ROWS = 5  # of a new workbook's sheet that waits for the first run
_MANY = 50
_WIDE = 3  # columns of a table in which a row of one filled cell is no result


@dataclass(frozen=True)
class Standing:
    """A result sheet as it is. rows: cells from A1 on, errors as their text; formulas: (column, row) from 1; too_far:
    the farthest cell of a sheet too large to be read, which has no rows here.
    """

    rows: list[list[Any]]
    tables: tuple[TableRange, ...] = ()
    formulas: frozenset[tuple[int, int]] = frozenset()
    too_far: str = ""

    def table(self, name: str) -> TableRange | None:
        """Return the table of that name."""
        return next((table for table in self.tables if table.name == name), None)


@dataclass(frozen=True, eq=False)
class _Renewed:
    """A result sheet as it was just written."""

    book: Book
    tab: Tab

    @cached_property
    def tables(self) -> list[TableRange]:
        """Its tables."""
        return table_ranges(self.book, self.tab.part)

    @cached_property
    def formulas(self) -> frozenset[tuple[int, int]]:
        """Its formulas: (column, row) from 1."""
        return formula_cells(self.book.package.part(self.tab.part))

    @cached_property
    def texts(self) -> set[str]:
        """Every text on it."""
        rows = standing(self.book, [self.tab])[self.tab.name].rows
        return {cell for row in rows for cell in row if isinstance(cell, str)}


@dataclass(frozen=True, slots=True)
class Typed:
    """Something that a person put on a result sheet: `Stock value!H7` and what it says."""

    place: str
    what: str


def standing(book: Book, wanted: Collection[Tab]) -> dict[str, Standing]:
    """Result sheets as they are, by name. WorkbookError where one can't be read."""
    scans = {sheet.name: scan_sheet(book.package.part(sheet.part), ()) for sheet in wanted}
    near = [sheet for sheet in wanted if not scans[sheet.name].stray]
    cells_of = cell_reader(book, near) if near else None
    sheets_standing = {}
    for sheet in wanted:
        scan, tables = scans[sheet.name], tuple(table_ranges(book, sheet.part))
        if scan.stray or cells_of is None:
            sheets_standing[sheet.name] = Standing([], tables, scan.formula_cells, scan.stray)
            continue
        rows = cells_of(sheet.name)
        for fault in scan.faults:
            if fault.kind == ERROR_CELL and fault.row <= len(rows) and fault.column <= len(rows[fault.row - 1]):
                rows[fault.row - 1][fault.column - 1] = fault.shown
        sheets_standing[sheet.name] = Standing(rows, tables, scan.formula_cells)
    return sheets_standing


def typed_by_hand(
    package: Package, after: Package, renewed: Collection[str], written: Collection[str]
) -> tuple[Typed, ...]:
    """What a person put on the result sheets of `package` that are renewed, and that is not on those of `after`.

    written: names of all tables that the library may write; one that has no rows this time is nobody else's.
    """
    new_book, book = read_book(after), read_book(package)
    replaced = [sheet for sheet in book.owned() if sheet.name in renewed]
    if not replaced:
        return ()
    new = {sheet.name: _Renewed(new_book, sheet) for sheet in new_book.sheets}
    old = standing(book, replaced)
    return tuple(typed for name in old for typed in _in_short(name, list(_typed(name, old[name], new[name], written))))


def _in_short(name: str, typed: Sequence[Typed]) -> Sequence[Typed]:
    """The same, or a line on the sheet where its cells are in no table any more."""
    return typed if len(typed) <= _MANY else [Typed(name, f"{len(typed):,} cells outside its tables")]


def _typed(name: str, old: Standing, new: _Renewed, written: Collection[str]) -> Iterator[Typed]:
    if old.too_far:
        yield Typed(f"{name}!{old.too_far}", "a cell far away from the tables")
        return
    known = {table.name: table for table in new.tables}
    our_tables = [table for table in old.tables if table.name in known or table.name in written]
    for table in old.tables:
        if table not in our_tables:
            place = f"{name}!{column_letter(table.first_column - 1)}{table.first_row}"
            yield Typed(place, f"table '{shown(table.name)}'")
    own_cells, live = _own_cells(old, our_tables), _live_columns(new)
    for table in (table for table in our_tables if table.name in known):
        headers = {header.casefold() for header in known[table.name].headers}
        yield from _stretched(name, old, table, headers, new)
    doubtful = {(row, column) for column, row in old.formulas}.union(_outside_tables(old))
    for row, column in sorted(doubtful.difference((row, column) for column, row in own_cells)):
        cell, is_formula = _at(old.rows, column, row), (column, row) in old.formulas
        inside = _table_at(old.tables, column, row)
        if inside and (inside not in our_tables or (inside.totals_rows and row == inside.last_row)):
            continue
        if inside and (inside.name, inside.headers[column - inside.first_column]) in live:
            continue
        if inside is None and not is_formula and isinstance(cell, str) and cell in new.texts:
            continue
        text = _said(cell)
        yield Typed(f"{name}!{column_letter(column - 1)}{row}", f"formula, now {text}" if is_formula else text)


def _outside_tables(old: Standing) -> Iterator[tuple[int, int]]:
    """Row and column of every filled cell that stands in no table."""
    for row, cells in enumerate(old.rows, 1):
        here = [table for table in old.tables if table.first_row <= row <= table.last_row]
        column = 1
        for table in sorted(here, key=lambda table: table.first_column):
            yield from _filled(cells, row, column, table.first_column)
            column = table.last_column + 1
        yield from _filled(cells, row, column, len(cells) + 1)


def _filled(cells: Sequence[Any], row: int, first: int, below: int) -> Iterator[tuple[int, int]]:
    """Row and column of the filled cells of a row from one column on, up to another."""
    return ((row, column) for column, cell in enumerate(cells[first - 1 : below - 1], first) if cell not in (None, ""))


def _live_columns(new: _Renewed) -> set[tuple[str, str]]:
    """Table and header of every column that holds formulas above the totals."""
    return {
        (table.name, table.headers[column - table.first_column])
        for column, row in new.formulas
        if (table := _table_at(new.tables, column, row)) and not (table.totals_rows and row == table.last_row)
    }


def _stretched(name: str, old: Standing, table: TableRange, headers: Collection[str], new: _Renewed) -> Iterator[Typed]:
    """Columns a table has lost, and single cells in its last rows: typed beside or below, they become part of it."""
    first, last = table.first_row + table.header_rows, min(table.last_row - table.totals_rows, len(old.rows))
    for position, header in enumerate(table.headers):
        column = table.first_column + position
        if header.casefold() not in headers:
            filled = sum(_at(old.rows, column, row) not in (None, "") for row in range(first, last + 1))
            place = f"{name}!{column_letter(column - 1)}{table.first_row}"
            yield Typed(place, f"column '{shown(header, 40)}', {filled:,} filled cell{'s' * (filled != 1)}")
    row = last
    while len(table.headers) >= _WIDE and row > first:
        columns = range(table.first_column, table.last_column + 1)
        filled_cells = [(column, cell) for column in columns if (cell := _at(old.rows, column, row)) not in (None, "")]
        if len(filled_cells) != 1:
            return
        column, cell = filled_cells[0]
        if not isinstance(cell, str) or cell in new.texts:
            return
        yield Typed(f"{name}!{column_letter(column - 1)}{row}", _said(cell))
        row -= 1


def _own_cells(old: Standing, our_tables: Collection[TableRange]) -> set[tuple[int, int]]:
    """Cells in column A that the library fills beside the tables."""
    first = min((table.first_row for table in our_tables), default=len(old.rows) + 1)
    rows = set(range(1, (_STAMPED_ROWS if our_tables else _UNFILLED_ROWS) + 1)) | {
        table.first_row - 1 for table in our_tables
    }
    rows.update(_filled_from(old, _STAMPED_ROWS + 1, first))
    below = max((table.last_row for table in our_tables), default=len(old.rows)) + 1
    headings = [row for row in range(below, len(old.rows) + 1) if _at(old.rows, 1, row) == NOTES]
    for heading in headings[:1]:
        rows.update(_filled_from(old, heading, len(old.rows) + 1))
    return {(1, row) for row in rows}


def _filled_from(old: Standing, first: int, below: int) -> Iterator[int]:
    """Rows from the first on that are filled in column A without a gap."""
    return itertools.takewhile(lambda row: _at(old.rows, 1, row) not in (None, ""), range(first, below))


def _table_at(tables: Collection[TableRange], column: int, row: int) -> TableRange | None:
    return next(
        (
            table
            for table in tables
            if table.first_row <= row <= table.last_row and table.first_column <= column <= table.last_column
        ),
        None,
    )


def _at(rows: Sequence[Sequence[Any]], column: int, row: int) -> Any:
    return rows[row - 1][column - 1] if row <= len(rows) and column <= len(rows[row - 1]) else None


def _said(cell: Any) -> str:
    if isinstance(cell, float) and cell.is_integer():
        return f"{cell:.0f}"
    return cell.isoformat(" ") if isinstance(cell, dt.datetime) else f"'{shown(str(cell), 40)}'"
