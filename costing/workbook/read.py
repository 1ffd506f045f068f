"""Workbook -> raw tables: the cells of every input sheet, with where each stands.

Rule: one table per sheet. Where the sheet holds a spreadsheet table with the sheet's headers, its rows are
the table's; otherwise they follow the first row, among the first `HEADER_ROWS`, that holds the required
headers. Every value comes from the file as it was last calculated; a cell that holds an error, or a formula
that was never calculated, is a finding and never a blank.

Conventions: hidden and filtered rows count; a totals row does not. Rows typed directly below a table count
when they fill every required column, since not every spreadsheet program stretches the table; such a row
further down, below a blank line or a totals row, is an error, anything else there a caution. Dates are
datetimes. Rows and letters are those of the sheet.

What it does not do: it judges no value, no header and no blank row (`inputs.load` does), and it evaluates
no formula.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from costing.array_types import Flags
from costing.errors import Finding, also, caution
from costing.garbage import not_looked_for
from costing.inputs.cells import fold, says_total, tidy
from costing.inputs.headers import read_headers, readable_name, sheet_name
from costing.inputs.links import LinkedSheet, Links, is_links, read_links
from costing.inputs.raw import RawTable, column_letter
from costing.inputs.schema import Sheet, sheets
from costing.workbook.file.cells import fault_findings, is_blank, typed_column
from costing.workbook.file.package import Package, open_package, read_package, shown
from costing.workbook.file.scan import (
    CellFault,
    SheetScan,
    TableRange,
    calculation_doubt,
    is_past_edge,
    percent_styles,
    scan_sheet,
    table_ranges,
)
from costing.workbook.file.sheets import Book, Tab, read_book
from costing.workbook.file.values import cell_reader
from costing.workbook.linked import linked_table

HEADER_ROWS = 20
_Row = Sequence[Any]
Sighted = tuple[SheetScan, Sequence[TableRange], Callable[[str], list[list[Any]]]]


@dataclass(frozen=True, slots=True)
class _Area:
    """Where the table of a sheet stands: headers with their columns, first and last row of data, from 1."""

    headers: tuple[str, ...]
    columns: tuple[int, ...]
    first_row: int
    last_row: int
    table: TableRange | None = None


@not_looked_for()
def read_workbook(source: str | Path | bytes | Package) -> list[RawTable]:
    """Return raw tables of every sheet that the schema knows, in tab order, and of those that `Links` names.

    A sheet whose title is close to a known one, or a copy of one, comes without rows, so that the loader can
    say so. The user's other sheets and result sheets are left out. Raises WorkbookError (one line) for a file
    that is refused or damaged.
    """
    if isinstance(source, bytes):
        package = read_package(source, "workbook.xlsx")
    else:
        package = source if isinstance(source, Package) else open_package(source)
    book = read_book(package)
    worksheets = [tab for tab in book.sheets if tab.kind == "worksheet"]
    read, cells_of = _title_reader(book), sheet_reader(book)
    first, links = _links(book, read)
    listed = [tab for tab in worksheets if fold(tab.name) in links.listed]
    wanted = [tab for tab in worksheets if tab not in listed and not is_links(tab.name) and _is_wanted(tab, book)]
    others = read(wanted)
    cells = cells_of([tab for tab in listed if links.of(tab.name)])
    tables_read = []
    for tab in worksheets:
        if tab.name in first:
            tables_read.append(replace(first[tab.name], findings=(*first[tab.name].findings, *links.findings)))
        elif tab in listed:
            tables_read += [_linked(linked, *cells(tab.name)) for linked in links.of(tab.name)]
        elif tab.name in others:
            tables_read.append(others[tab.name])
    return tables_read


def links_of(book: Book) -> Links:
    """How the user's own sheets are read."""
    return _links(book, _title_reader(book))[1]


def _links(book: Book, read: Callable[[Sequence[Tab]], dict[str, RawTable]]) -> tuple[dict[str, RawTable], Links]:
    tabs = [tab for tab in book.sheets if tab.kind == "worksheet"]
    first = read([tab for tab in tabs if is_links(tab.name)])
    first = {title: table for title, table in first.items() if is_ours(table)}
    return first, read_links(first.values(), [tab.name for tab in tabs])


def is_ours(links: RawTable) -> bool:
    """Whether a sheet named `Links` has any header of ours, or nothing at all; else it is a person's own."""
    return bool(links.frame.shape[1]) or not links.findings


def _title_reader(book: Book) -> Callable[[Sequence[Tab]], dict[str, RawTable]]:
    """Return a function: tabs -> their raw tables by title, each read as the sheet that its title names."""
    doubt, sheet_of = calculation_doubt(book), sheet_reader(book)

    def read(tabs: Sequence[Tab]) -> dict[str, RawTable]:
        known = {tab.name: sheets()[name] for tab in tabs if (name := readable_name(tab.name))}
        cells = sheet_of([tab for tab in tabs if tab.name in known])
        return {
            tab.name: _read_sheet(tab.name, known[tab.name], *cells(tab.name), doubt)
            if tab.name in known
            else _without_rows(tab.name)
            for tab in tabs
        }

    return read


def sheet_reader(book: Book) -> Callable[[Sequence[Tab]], Callable[[str], Sighted]]:
    """Return a function: tabs -> a function: title -> scan, tables and cells of one of them."""
    styles = percent_styles(book)

    def reader(tabs: Sequence[Tab]) -> Callable[[str], Sighted]:
        scans = {tab.name: scan_sheet(book.package.part(tab.part), styles) for tab in tabs}
        parts = {tab.name: tab.part for tab in tabs}
        readable = [tab for tab in tabs if not scans[tab.name].stray]
        cells_of = cell_reader(book, readable) if readable else lambda _: []
        return lambda title: (scans[title], table_ranges(book, parts[title]), cells_of)

    return reader


def _linked(
    links: LinkedSheet, scan: SheetScan, tables: Sequence[TableRange], cells_of: Callable[[str], list[list[Any]]]
) -> RawTable:
    if scan.stray:
        return _without_rows(links.title, stray_finding(links.title, scan.stray))
    return linked_table(links, cells_of(links.title), scan, tables)


def table_from_cells(
    title: str,
    rows: list[list[Any]],
    tables: Sequence[TableRange] = (),
    faults: Sequence[CellFault] = (),
    percent_cells: Collection[tuple[int, int]] = (),
) -> RawTable:
    """Raw table of one sheet whose cells have been read already, by the rules of `read_workbook`.

    rows: its cells from A1 on, all rows equally long; faults: error cells among them; percent_cells: (column,
    row) from 1 of numbers shown as percentages. A title that is only close to a known one gives no rows.
    """
    name = readable_name(title)
    if not name:
        return _without_rows(title)
    scan = SheetScan(tuple(faults), "", frozenset(), frozenset(percent_cells))
    return _read_sheet(title, sheets()[name], scan, tables, lambda _: rows, "")


def stray_finding(title: str, stray: str) -> Finding:
    """Say which cell keeps a sheet from being read."""
    if is_past_edge(stray):
        rule, remedy = "is no cell that a sheet can have.", "Open and save the workbook in a spreadsheet program."
        return Finding(f"{title}!{shown(stray)}", "", rule, remedy)
    rule = "is filled far away from the table, which makes the sheet too large to read."
    remedy = "Delete the unused rows and columns (not only their content) and save."
    return Finding(f"{title}!{stray}", "", rule, remedy)


def _is_wanted(tab: Tab, book: Book) -> bool:
    name, rule, _ = sheet_name(tab.name)
    return bool(name) or (bool(rule) and tab not in book.owned())


def _without_rows(title: str, *findings: Finding) -> RawTable:
    return RawTable(title, pd.DataFrame(), np.array([], dtype=np.int64), {}, findings, {})


def _read_sheet(
    title: str,
    sheet: Sheet,
    scan: SheetScan,
    tables: Sequence[TableRange],
    cells_of: Callable[[str], list[list[Any]]],
    doubt: str,
) -> RawTable:
    if scan.stray:
        return _without_rows(title, stray_finding(title, scan.stray))
    rows = cells_of(title)
    if not any(any(not is_blank(cell) for cell in row) for row in rows) and not scan.faults:
        return _without_rows(title)
    area, findings = _locate(title, sheet, rows, tables)
    if area is None:
        return _without_rows(title, *findings)
    return _raw_table(title, sheet, rows, area, scan, findings, doubt)


def _raw_table(
    title: str,
    sheet: Sheet,
    rows: list[list[Any]],
    area: _Area,
    scan: SheetScan,
    findings: list[Finding],
    doubt: str,
) -> RawTable:
    headings = read_headers(sheet, area.headers)
    letters: dict[str, str] = {}
    columns: dict[str, NDArray[Any]] = {}
    percent: dict[str, Flags] = {}
    known: set[int] = set()
    block = rows[area.first_row - 1 : area.last_row]
    cells = list(zip(*block, strict=True))
    numbers = np.arange(area.first_row, area.first_row + len(block), dtype=np.int64)
    for header, position, heading in zip(area.headers, area.columns, headings, strict=True):
        letter = column_letter(position - 1)
        if header in columns:
            if heading.column:
                place, rule = f"{title}!{letter}{area.first_row - 1}", "is the second column of that name."
                findings.append(Finding(place, header, rule, "Keep one of the two."))
            continue
        columns[header] = typed_column(cells[position - 1] if position <= len(cells) else [None] * len(block))
        letters[header] = letter
        if heading.column:
            known.add(position)
        if scan.percent_cells and ("%" in header or (heading.column and heading.column.type == "percent")):
            percent[header] = np.array([(position, row) in scan.percent_cells for row in numbers.tolist()], dtype=bool)
    faults = [f for f in scan.faults if f.column in known and area.first_row <= f.row <= area.last_row]
    findings += fault_findings(title, faults)
    if (
        doubt
        and not faults
        and any(column in known and area.first_row <= row <= area.last_row for column, row in scan.formula_cells)
    ):
        rule = f"holds formulas whose values may be old: the file says that {doubt}."
        remedy = "Calculate it in a spreadsheet program (F9) and save it."
        findings.append(caution(title, "", rule, remedy))
    header_row = max(1, area.first_row - 1)
    # Without the dtype a pandas version of its own choosing would look through every cell for text.
    frame = pd.DataFrame({header: pd.Series(values, dtype=values.dtype) for header, values in columns.items()})
    faulty = frozenset(f"{column_letter(fault.column - 1)}{fault.row}" for fault in faults)
    return RawTable(title, frame, numbers, letters, tuple(findings), percent, header_row, faulty)


def _locate(
    title: str, sheet: Sheet, rows: list[list[Any]], tables: Sequence[TableRange]
) -> tuple[_Area | None, list[Finding]]:
    required = {column.name for column in sheet.columns if column.required}
    scored = [(len(matched_columns(sheet, texts)), table) for table in tables if (texts := _table_headers(rows, table))]
    best = max(scored, key=lambda pair: pair[0], default=(0, None))
    findings: list[Finding] = []
    if best[1] is not None and best[0] > 0:
        chosen = best[1]
        for score, table in scored:
            if table is not chosen and score == best[0]:
                place = f"{title}!{column_letter(table.first_column - 1)}{table.first_row}"
                remedy = f"Move its rows into the first, or to a sheet '{sheet.title} 2026' (title and year)."
                findings.append(Finding(place, table.name, "is a second table with the same headers.", remedy))
        area = _table_area(rows, chosen, tables)
        return _with_rows_below(title, sheet, rows, area, tables, required, findings), findings
    scores = [(row, matched_columns(sheet, _texts(rows[row]))) for row in range(min(HEADER_ROWS, len(rows)))]
    complete = [row for row, names in scores if required <= names]
    row = complete[0] if complete else max(scores, key=lambda pair: len(pair[1]), default=(0, set()))[0]
    if not scores or not dict(scores)[row]:
        headers = ", ".join(f"'{column.title}'" for column in sheet.columns if column.required)
        rule = f"has no header row among its first {HEADER_ROWS} rows."
        return None, [Finding(title, "", rule, f"Put the headers {headers} into one row above the data.")]
    cells = [(tidy(str(cell)), place) for place, cell in enumerate(rows[row], 1) if not is_blank(cell)]
    area = _Area(tuple(text for text, _ in cells), tuple(place for _, place in cells), row + 2, len(rows))
    return area, findings


def matched_columns(sheet: Sheet, texts: Sequence[str]) -> set[str]:
    """Names of the columns that these headers name, whatever their unit."""
    known = {fold(column.header): column.name for column in sheet.columns}
    if not any(fold(text.partition("(")[0].partition("[")[0]) in known or text in known.values() for text in texts):
        return set()
    return {heading.column.name for heading in read_headers(sheet, texts) if heading.column}


def _texts(row: _Row) -> list[str]:
    return [tidy(cell) for cell in row if isinstance(cell, str) and not is_blank(cell)]


def _table_headers(rows: list[list[Any]], table: TableRange) -> list[str]:
    if not table.header_rows:
        return list(table.headers)
    if table.first_row > len(rows):
        return []
    row = rows[table.first_row - 1]
    return [tidy(str(cell)) for cell in row[table.first_column - 1 : table.last_column]]


def _table_area(rows: list[list[Any]], table: TableRange, tables: Sequence[TableRange]) -> _Area:
    """Columns of the table and, right beside it, headed columns that it was not stretched over."""
    texts = list(zip(_table_headers(rows, table), range(table.first_column, table.last_column + 1), strict=False))
    if table.header_rows:
        row = rows[table.first_row - 1]
        for column in range(table.last_column + 1, len(row) + 1):
            if is_blank(row[column - 1]) or _inside(tables, column, table.first_row):
                break
            texts.append((tidy(str(row[column - 1])), column))
    texts = [(text, column) for text, column in texts if text]
    last = min(table.last_row - table.totals_rows, len(rows))
    first = table.first_row + table.header_rows
    return _Area(tuple(text for text, _ in texts), tuple(column for _, column in texts), first, last, table)


def _with_rows_below(
    title: str,
    sheet: Sheet,
    rows: list[list[Any]],
    area: _Area,
    tables: Sequence[TableRange],
    required: set[str],
    findings: list[Finding],
) -> _Area:
    table = area.table
    if table is None:
        return area
    needed = _required_positions(sheet, area, required)
    below = table.last_row
    while not table.totals_rows and below < len(rows) and needed and _fills(rows[below], needed):
        below += 1
    last = max(area.last_row, below) if below > table.last_row else area.last_row
    remedy = "Drag the table's corner down over rows that belong to it; move notes to another sheet."
    left_out = [
        number
        for number in range(max(below, table.last_row) + 1, len(rows) + 1)
        if needed and _fills(rows[number - 1], needed) and not _inside(tables, needed[0], number)
        if not any(isinstance(cell, str) and says_total(cell) for cell in rows[number - 1])
    ]
    if left_out:
        first, *further = [f"{column_letter(needed[0] - 1)}{number}" for number in left_out]
        rule = f"begins a filled row below the table '{table.name}', which is not read.{also(further)}"
        value = shown(str(rows[left_out[0] - 1][needed[0] - 1]), 40)
        findings.append(Finding(f"{title}!{first}", value, rule, remedy))
        return replace(area, last_row=last)
    for number in range(max(below, table.last_row) + 1, len(rows) + 1):
        column = next(
            (c for c in area.columns if c <= len(rows[number - 1]) and not is_blank(rows[number - 1][c - 1])),
            0,
        )
        if column and not _inside(tables, column, number):
            value = shown(str(rows[number - 1][column - 1]), 40)
            rule = f"stands below the table '{table.name}' and is not read, nor is anything further down."
            findings.append(caution(f"{title}!{column_letter(column - 1)}{number}", value, rule, remedy))
            break
    return replace(area, last_row=last)


def _required_positions(sheet: Sheet, area: _Area, required: set[str]) -> list[int]:
    headings = read_headers(sheet, area.headers)
    return [
        position
        for heading, position in zip(headings, area.columns, strict=True)
        if heading.column and heading.column.name in required
    ]


def _fills(row: _Row, positions: Sequence[int]) -> bool:
    return all(position <= len(row) and not is_blank(row[position - 1]) for position in positions)


def _inside(tables: Sequence[TableRange], column: int, row: int) -> bool:
    return any(
        table.first_column <= column <= table.last_column and table.first_row <= row <= table.last_row
        for table in tables
    )
