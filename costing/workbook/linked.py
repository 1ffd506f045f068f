"""Sheets of the user's own, read as `Links` says.

Rule: a column is found by its header, in the rows right above the first row of data (of two rows of headers, `above /
below`, either alone, or both), else by its letter. Where a spreadsheet table has the headers, its rows are read, and
those typed right below it; elsewhere every row down to the last. Below a blank row only rows that fill every linked
column that is required are read.

Conventions: the header of a group counts for the columns right of it up to the next; a line of one cell is a title.
Rows and letters are those of their sheet, so that findings name their cells.

What it does not do: it judges no value (`inputs.load` does); it changes nothing of theirs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from costing.errors import Finding, caution, nearest
from costing.inputs.cells import display, fold, says_total, tidy
from costing.inputs.links import Link, LinkedSheet
from costing.inputs.raw import Linked, RawTable, column_letter
from costing.workbook.file.cells import fault_findings, is_blank, typed_column
from costing.workbook.file.scan import SheetScan, TableRange, column_number

_MOST_HEADER_ROWS = 3
Grid = Sequence[Sequence[Any]]


@dataclass(frozen=True, slots=True)
class Header:
    """One column of a table of theirs, position from 1. below: header nearest to its data; above: that of its group;
    row: where `below` stands.
    """

    position: int
    below: str
    above: str
    row: int

    @property
    def whole(self) -> str:
        """Both, as Links has them."""
        return f"{self.above} / {self.below}" if self.above and self.below else self.below or self.above


def headers_above(rows: Grid, first_row: int) -> list[Header]:
    """Headers of the columns whose data begin in `first_row` (from 1), in order; columns without one are left out."""
    lines = [row for row in range(first_row - 1, max(first_row - 1 - _MOST_HEADER_ROWS, 0), -1) if _filled(rows, row)]
    if not lines:
        return []
    below = lines[0]
    above = lines[1] if len(lines) > 1 and lines[1] == below - 1 and _filled(rows, lines[1]) > 1 else 0
    width = max(len(rows[line - 1]) for line in lines[:2])
    headers, group = [], ""
    for position in range(1, width + 1):
        own, over = _text(rows, below, position), _text(rows, above, position)
        group = over or group
        if own:
            headers.append(Header(position, own, group, below))
        elif over:
            headers.append(Header(position, "", over, above))
    return headers


def linked_table(links: LinkedSheet, rows: Grid, scan: SheetScan, tables: Sequence[TableRange]) -> RawTable:
    """Raw table of one of their sheets under our headers, with what is wrong with its links; then without rows."""
    findings: list[Finding] = []
    chosen = _table_of(links, rows, tables)
    first = chosen.first_row + chosen.header_rows if chosen else links.first_row
    headers = headers_above(rows, first)
    places = {link.column.name: _position(link, headers, links, rows, findings) for link in links.links if link.theirs}
    placed = {name: position for name, position in places.items() if position}
    if findings:
        return _empty(links, findings)
    last = _last_row(rows, chosen)
    numbers, left_out = _kept(links, rows, placed, first, last, chosen)
    if left_out:
        findings.append(left_out)
    block = [rows[number - 1] for number in numbers]
    columns: dict[str, Any] = {}
    percent: dict[str, Any] = {}
    for name, position in placed.items():
        column = links.sheet.column(name)
        values = [_worded(links, name, row[position - 1] if position <= len(row) else None) for row in block]
        columns[column.title] = typed_column(values)
        if column.type == "percent":
            percent[column.title] = np.array([(position, number) in scan.percent_cells for number in numbers], bool)
    letters = {links.sheet.column(name).title: column_letter(position - 1) for name, position in placed.items()}
    read, known = set(numbers), set(placed.values())
    faults = [fault for fault in scan.faults if fault.row in read and fault.column in known]
    findings += fault_findings(links.title, faults)
    frame = pd.DataFrame({title: pd.Series(values, dtype=values.dtype) for title, values in columns.items()})
    header_row = max((header.row for header in headers), default=max(1, first - 1))
    faulty = frozenset(f"{column_letter(fault.column - 1)}{fault.row}" for fault in faults)
    return RawTable(
        *(links.title, frame, np.array(numbers, dtype=np.int64), letters, tuple(findings), percent, header_row, faulty),
        linked=_how(links),
    )


def _how(links: LinkedSheet) -> Linked:
    return Linked(
        links.sheet.name,
        {link.column.title: link.factor for link in links.links if link.theirs},
        {link.column.name: link.fixed for link in links.links if not link.theirs},
        {link.column.name: link.place for link in links.links},
    )


def _empty(links: LinkedSheet, findings: Sequence[Finding]) -> RawTable:
    none = np.array([], dtype=np.int64)
    return RawTable(links.title, pd.DataFrame(), none, {}, tuple(findings), {}, linked=_how(links))


def _table_of(links: LinkedSheet, rows: Grid, tables: Sequence[TableRange]) -> TableRange | None:
    """Table of theirs that holds the linked headers, the most of them."""
    wanted = {fold(link.theirs) for link in links.links if link.theirs}
    best, most = None, 0
    for table in tables:
        inside = range(table.first_column, table.last_column + 1)
        headers = headers_above(rows, table.first_row + table.header_rows) if table.header_rows else []
        texts = {fold(text) for header in headers if header.position in inside for text in (header.below, header.whole)}
        if (score := len(wanted & texts)) > most:
            best, most = table, score
    return best


def _position(link: Link, headers: Sequence[Header], links: LinkedSheet, rows: Grid, findings: list[Finding]) -> int:
    """Column that a link names; 0, with what is wrong, where there is none or more than one."""
    wanted = fold(link.theirs)
    for texts in ([header.whole for header in headers], [header.below for header in headers]):
        positions = [header.position for header, text in zip(headers, texts, strict=True) if fold(text) == wanted]
        if len(positions) == 1:
            return positions[0]
        if positions:
            letters = ", ".join(column_letter(position - 1) for position in positions)
            rule = f"is the header of several columns of '{links.title}': {letters}."
            findings.append(Finding(link.place, link.theirs, rule, "Write the letter of the one meant."))
            return 0
    if link.theirs.isalpha() and link.theirs.isupper() and len(link.theirs) <= 2:
        return column_number(link.theirs)
    if elsewhere := _row_of(rows, wanted):
        rule = f"stands in row {elsewhere} of '{links.title}', not right above its first row, {links.first_row}."
        remedy = f"Set First row to {elsewhere + 1}, on every row of that sheet."
    else:
        rule = f"is no column of '{links.title}' any more."
        near = nearest(link.theirs, [header.whole for header in headers])
        remedy = near or "Write the header that it has now, or delete the row here."
    if not any(finding.remedy == remedy for finding in findings if elsewhere):  # one finding for the whole sheet
        findings.append(Finding(link.place, link.theirs, rule, remedy))
    return 0


def _row_of(rows: Grid, wanted: str) -> int:
    for number, row in enumerate(rows[:60], 1):
        if any(isinstance(cell, str) and fold(cell) == wanted for cell in row):
            return number
    return 0


def _last_row(rows: Grid, table: TableRange | None) -> int:
    if table is None:
        return len(rows)
    last = min(table.last_row - table.totals_rows, len(rows))
    while not table.totals_rows and last < len(rows) and not _all_blank(rows[last], table):
        last += 1
    return last


def _all_blank(row: Sequence[Any], table: TableRange) -> bool:
    return all(is_blank(cell) for cell in row[table.first_column - 1 : table.last_column])


def _kept(
    links: LinkedSheet, rows: Grid, placed: dict[str, int], first: int, last: int, table: TableRange | None
) -> tuple[list[int], Finding | None]:
    """Rows that are read, and a caution on the first one below a blank row that is not."""
    needed = [position for name, position in placed.items() if links.sheet.column(name).required]
    kept: list[int] = []
    left_out, gap = 0, False
    for number in range(first, last + 1):
        row = rows[number - 1]
        filled = [
            cell_place for cell_place in placed.values() if cell_place <= len(row) and not is_blank(row[cell_place - 1])
        ]
        if not filled:
            gap = gap or bool(kept)
        elif gap and not table and not all(cell_place in filled for cell_place in needed):
            if not any(isinstance(cell, str) and says_total(cell) for cell in row):
                left_out = left_out or number
        else:
            kept.append(number)
    if not left_out:
        return kept, None
    row = rows[left_out - 1]
    position = next(
        cell_place for cell_place in placed.values() if cell_place <= len(row) and not is_blank(row[cell_place - 1])
    )
    place, value = f"{links.title}!{column_letter(position - 1)}{left_out}", display(str(row[position - 1]), 40)
    rule = "stands below a blank row and lacks a column that every row needs: it is not read."
    return kept, caution(place, value, rule, "If it belongs to the list, fill it and delete the blank row above it.")


def _worded(links: LinkedSheet, name: str, cell: Any) -> Any:
    if isinstance(cell, str) and links.words:
        return links.words.get((name, fold(cell)), cell)
    return cell


def _filled(rows: Grid, row: int) -> int:
    return sum(not is_blank(cell) for cell in rows[row - 1]) if 0 < row <= len(rows) else 0


def _text(rows: Grid, row: int, position: int) -> str:
    cells = rows[row - 1] if 0 < row <= len(rows) else []
    cell = cells[position - 1] if position <= len(cells) else None
    if is_blank(cell):
        return ""
    return tidy(f"{cell:g}" if isinstance(cell, float) else str(cell))
