"""Input sheets into a workbook that exists: made as the blank workbook makes them, grafted like results.

Rule: every other part of the file stays the same byte for byte. The drop-downs of the new sheets know the names that
the tables of the workbook hold, the user's own linked sheets among them, so the hidden lists are written anew.

What it does not do: it overwrites no sheet but `Links`, where that is asked for, and the hidden lists.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from pathlib import Path

import pandas as pd

from costing.errors import WorkbookError
from costing.inputs.headers import read_as, read_headers
from costing.inputs.raw import RawTable
from costing.inputs.schema import sheets
from costing.workbook.blank.blank import further_sheets
from costing.workbook.blank.lists import NAME_LISTS, Placed
from costing.workbook.file.graft import graft
from costing.workbook.file.package import Package, changed_parts, read_package, shown
from costing.workbook.file.replace import replace_atomically
from costing.workbook.file.sheets import LISTS_SHEET, Book, exclusive_parts, is_1904, read_book
from costing.workbook.read import read_workbook


def with_sheets(
    package: Package, names: Collection[str], tables: Mapping[str, pd.DataFrame], *, replaced: Collection[str] = ()
) -> bytes:
    """The workbook with input sheets, by library name, added; `replaced` are written anew where they are there.

    tables: their rows, if any. WorkbookError where a sheet of that name, or one named as the hidden lists, is there.
    """
    book = read_book(package)
    titles = {name: sheets()[name].title for name in names}
    for name, title in titles.items():
        present = book.sheet(title)
        if present is not None and name not in replaced:
            msg = f"Sheet '{shown(present.name)}' is there already and stays as it is. Rename it first for a new one."
            raise WorkbookError(msg)
    _require_own_lists(book)
    scratch = further_sheets(names, tables, placed_tables(package), date_1904=is_1904(book))
    inputs = (*titles.values(), LISTS_SHEET)
    return graft(package, scratch, inputs, inputs=inputs)


def write_with_sheets(
    path: str | Path, before: Package, content: bytes, *, replaced: Collection[str] = (), ignore_lock: bool = False
) -> Path:
    """Put the workbook with its new sheets in the place of the one read; return the back-up's path."""
    book = read_book(before)
    after = read_package(content, before.path)
    gone = [sheet for name in replaced if (sheet := book.sheet(sheets()[name].title))]
    lists = book.sheet(LISTS_SHEET)
    own = exclusive_parts(book, [*gone, *([lists] if lists else [])])
    fresh = changed_parts(before, after) - set(before.members)
    return replace_atomically(path, content, before.sha256, ignore_lock=ignore_lock, may_change=own | fresh)


def _require_own_lists(book: Book) -> None:
    """WorkbookError where a sheet has the name of the hidden lists and is not that of this library."""
    lists = book.sheet(LISTS_SHEET)
    known = {names.name for names in NAME_LISTS.values()}
    if lists and not any(name.name in known and LISTS_SHEET in name.text for name in book.names):
        what = "has the name of the hidden sheet of the drop-downs"
        msg = f"Sheet '{shown(lists.name)}' {what}. Rename it, and run again."
        raise WorkbookError(msg)


def placed_tables(package: Package) -> list[Placed]:
    """Tables of a workbook that are read by their sheet's title, in tab order."""
    return [placed for table in read_workbook(package) if (placed := _placed(table))]


def _placed(table: RawTable) -> Placed | None:
    name, rule, _ = read_as(table)
    if not name or rule or not table.frame.shape[1]:
        return None
    headers = [str(header) for header in table.frame.columns]
    headings = read_headers(sheets()[name], headers)
    columns = {heading.column.name: header for header, heading in zip(headers, headings, strict=True) if heading.column}
    return Placed(
        sheets()[name],
        table.sheet,
        {column: table.letters[header] for column, header in columns.items()},
        {column: table.frame[header].tolist() for column, header in columns.items() if header in table.frame},
        int(table.row_numbers[0]) if len(table.row_numbers) else table.header_row + 1,
    )
