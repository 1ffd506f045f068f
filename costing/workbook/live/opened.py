"""A workbook that is open in a spreadsheet program: what is asked of the program, and how input is read there.

Rule: an open sheet is read by the rules of a sheet in a file (`read.table_from_cells`), so the same cells
give the same estate; a result sheet is written only where it bears the library's mark (`sheets.MARK`).

Conventions: `OpenWorkbook` is all that a program must offer; rows and columns of cells are counted from 0, in
faults, percent cells and table ranges from 1, as in a file. Errors in cells are faults and their cells None.

What it does not do: it saves nothing, ever.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from typing import Any, Protocol

from costing.errors import Finding, WorkbookError
from costing.inputs.cells import fold
from costing.inputs.fingerprint import fingerprint
from costing.inputs.headers import sheet_name
from costing.inputs.links import LinkedSheet, is_links, read_links
from costing.inputs.raw import RawTable, column_letter
from costing.inputs.schema import sheets
from costing.workbook.file.package import shown
from costing.workbook.file.scan import ERROR_CELL, CellFault, SheetScan, TableRange
from costing.workbook.file.stale import SheetCount
from costing.workbook.linked import linked_table
from costing.workbook.pages.pages import Page, PlacedTable, RowEdit, row_edits
from costing.workbook.read import is_ours, table_from_cells

DAY_ZERO, DAY_ZERO_1904 = dt.datetime(1899, 12, 30), dt.datetime(1904, 1, 1)
_STALE_COLUMNS = 52  # A to AZ, as `stale` counts


class NotOpenError(WorkbookError):
    """A program that has the workbook not open, or can't be reached; the message says which and why."""


@dataclass(frozen=True, slots=True)
class OpenSheet:
    """Cells of an open sheet from A1 to its last filled one.

    rows: None, text, number, truth or datetime; errors: (column, row, text) from 1; percent_cells: (column,
    row) from 1 of numbers shown as percentages; filled: cells in columns A to AZ that COUNTA counts; too_far:
    (column, row) from 1 of the last cell, where the sheet is too large to be read and has no rows here;
    day_zero: the day that the workbook counts as 0.
    """

    rows: list[list[Any]]
    errors: tuple[tuple[int, int, str], ...] = ()
    percent_cells: frozenset[tuple[int, int]] = frozenset()
    filled: int = 0
    too_far: tuple[int, int] | None = None
    day_zero: dt.datetime = DAY_ZERO

    @property
    def total(self) -> float:
        """Sum of the numbers in columns A to AZ, dates as day numbers, as SUM has it."""
        return sum(_number(cell, self.day_zero) for row in self.rows for cell in row[:_STALE_COLUMNS])


class OpenWorkbook(Protocol):
    """What a spreadsheet program that has the workbook open must offer."""

    date_1904: bool  # whether it counts its days from 1904 (ECMA-376 part 1, 18.17.4.1)

    def who(self) -> str:
        """Program and workbook, for a person."""

    def is_open(self) -> bool:
        """Whether the workbook is still open there."""

    def titles(self) -> list[str]:
        """Titles of its worksheets in the order of their tabs, as they are now."""

    def tables(self, title: str) -> list[PlacedTable]:
        """Tables on a sheet, as they were at the last call of `titles`."""

    def is_marked(self, title: str) -> bool:
        """Whether the sheet bears the mark of a result sheet, with its present title."""

    def is_protected(self, title: str) -> bool:
        """Whether the sheet is protected."""

    def read_tables(self, titles: Sequence[str]) -> Iterator[OpenSheet]:
        """Cells of sheets, one after the other."""

    def write_tables(self, plans: Iterable[tuple[Page, Sequence[RowEdit], bool]]) -> None:
        """Edit rows of each page, then set all its cells; where the plan says so, formats and tables as well.

        A sheet that isn't there is made as the last one, with its mark.
        """

    def mark_stale(self, titles: Sequence[str], formula: str) -> None:
        """Put the formula into the cell of these sheets that says whether they are old."""

    def paused(self) -> AbstractContextManager[None]:
        """Neither redraw nor recalculate inside; what is done inside is undone in one step, where that can be."""


def read_open(workbook: OpenWorkbook) -> tuple[list[RawTable], list[SheetCount], str]:
    """Raw tables of the open workbook, the counts behind STALE, and the fingerprint of the inputs."""
    titles = workbook.titles()
    named = [(title, *sheet_name(title)[:2]) for title in titles]
    wrongly_named = {title for title, _, rule in named if rule and not workbook.is_marked(title)}
    on_links = [title for title in titles if is_links(title)]
    cells = dict(zip(on_links, workbook.read_tables(on_links), strict=True)) if on_links else {}
    first = {title: _raw_table(title, sheet, workbook.tables(title)) for title, sheet in cells.items()}
    first = {title: table for title, table in first.items() if is_ours(table)}
    links = read_links(first.values(), titles)
    listed = {title for title in titles if fold(title) in links.listed}
    known = {title for title, name, rule in named if name and not rule and not is_links(title)} - listed
    wanted = [title for title in titles if title in known or links.of(title)]
    read = iter(workbook.read_tables(wanted))
    tables_read: list[RawTable] = []
    counts = []
    for title, name, _ in named:
        if title in wrongly_named - listed:
            tables_read.append(table_from_cells(title, []))
        if title in wanted:
            cells[title] = next(read)
        if title in first:
            tables_read.append(replace(first[title], findings=(*first[title].findings, *links.findings)))
        elif title in listed:
            tables_read += [_linked_table(linked, cells[title], workbook.tables(title)) for linked in links.of(title)]
        elif title in known:
            tables_read.append(_raw_table(title, cells[title], workbook.tables(title)))
        if title in cells and (title in listed or sheets()[name].owner == "user"):
            counts.append(SheetCount(title, cells[title].filled, cells[title].total))
        if title not in first:
            cells.pop(title, None)
    return tables_read, counts, fingerprint(tables_read)


def _linked_table(links: LinkedSheet, cells: OpenSheet, placed: Sequence[PlacedTable]) -> RawTable:
    if cells.too_far:
        return _too_far(links.title, cells.too_far)
    scan = SheetScan(_faults(cells), "", frozenset(), cells.percent_cells)
    return linked_table(links, cells.rows, scan, _areas(placed))


def _raw_table(title: str, cells: OpenSheet, placed: Sequence[PlacedTable]) -> RawTable:
    if cells.too_far:
        return _too_far(title, cells.too_far)
    return table_from_cells(title, cells.rows, _areas(placed), _faults(cells), cells.percent_cells)


def _too_far(title: str, last: tuple[int, int]) -> RawTable:
    column, row = last
    place = f"{title}!{column_letter(column - 1)}{row}"
    rule = "is filled far away from the table, which makes the sheet too large to read."
    remedy = "Delete the unused rows and columns (not only their content)."
    return replace(table_from_cells(title, []), findings=(Finding(place, "", rule, remedy),))


def _faults(cells: OpenSheet) -> tuple[CellFault, ...]:
    return tuple(CellFault(column, row, ERROR_CELL, text) for column, row, text in cells.errors)


def _areas(placed: Sequence[PlacedTable]) -> list[TableRange]:
    """Their tables as a file has them; each has a row of headers, which is read with the other cells."""
    return [
        TableRange(
            *(table.name, table.left + 1, table.top + 1, table.right + 1, table.bottom + 1),
            header_rows=1,
            totals_rows=int(table.totals),
            headers=(),
        )
        for table in placed
    ]


def write_open(
    workbook: OpenWorkbook,
    pages: Sequence[Page],
    *,
    is_outgrown: Callable[[Page], bool] = lambda _: False,
    others_stale: str = "",
) -> tuple[str, ...]:
    """Refresh result sheets in the open workbook; return those that are protected and keep what they hold.
    WorkbookError, with nothing written, where one is not ours.

    is_outgrown: whether the formats and widths of a page must be set anew; others_stale: formula
    that says so on every other result sheet (none: they keep their own).
    """
    names = [page.name for page in pages]
    titles = {title.casefold(): title for title in workbook.titles()}
    protected: list[str] = []
    for name in names:
        title = titles.get(name.casefold())
        _check_ours(workbook, name, title)
        if title is not None and workbook.is_protected(title):
            protected.append(title)

    def plans() -> Iterator[tuple[Page, Sequence[RowEdit], bool]]:
        for page in pages:
            if page.name in protected:
                continue
            if page.name.casefold() not in titles:
                yield page, [], True
                continue
            edits, is_all = row_edits(workbook.tables(page.name), page.tables)
            yield page, edits, not is_all or is_outgrown(page)

    fresh = {name.casefold() for name in names}
    old = [title for key, title in titles.items() if others_stale and key not in fresh and workbook.is_marked(title)]
    locked = [title for title in old if workbook.is_protected(title)]
    with workbook.paused():
        workbook.write_tables(plans())
        workbook.mark_stale([title for title in old if title not in locked], others_stale)
    return (*protected, *locked)


def _check_ours(workbook: OpenWorkbook, name: str, title: str | None) -> None:
    """WorkbookError if a sheet of that name is there and the library did not make it."""
    if title is not None and (title != name or not workbook.is_marked(title)):
        msg = (
            f"Sheet '{shown(title)}' has the name of a result sheet but wasn't written by this library. "
            "Rename it, or delete it if it is an old result; then refresh again."
        )
        raise WorkbookError(msg)


def _number(cell: Any, day_zero: dt.datetime) -> float:
    if isinstance(cell, dt.datetime):
        return (cell - day_zero) / dt.timedelta(days=1)
    return cell if isinstance(cell, float) else 0.0
