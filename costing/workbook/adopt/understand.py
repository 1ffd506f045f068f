"""Which sheet of ours one of theirs is: where its data begin, and which of its columns are which of ours.

Rule: every row that may be the last of its headers is tried against every sheet of ours. A header counts the more the
fewer sheets have one of that name; the title counts as much as a column and a half; a column that our sheet requires
and that is not there counts against it. A column whose cells are not of the sort that ours holds is not linked.

What it does not do: it changes nothing and decides nothing for good: what it finds is a proposal.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import Any

from costing.inputs.cells import says_total
from costing.inputs.columns import read_date, read_number
from costing.inputs.schema import Column, Sheet, sheets
from costing.inputs.translations import choices_of, names_of, our_word, plain, title_spellings
from costing.workbook.adopt.headers import Meaning, meanings
from costing.workbook.file.cells import is_blank
from costing.workbook.file.scan import SheetScan, TableRange
from costing.workbook.linked import Grid, Header, headers_above

_ROWS_TO_SEARCH = 40
_LOOKED_AT = 200
_TITLE, _MISSING = 1.5, 0.5
_MOSTLY = 0.6


@dataclass(frozen=True, slots=True)
class ForeignSheet:
    """One of their sheets as it was read: title, cells from A1 on, its tables, what its bytes say."""

    title: str
    rows: Grid
    tables: Sequence[TableRange]
    scan: SheetScan


@dataclass(frozen=True, slots=True)
class Understood:
    """Their sheet as one of ours. first_row: of its data; headers: all of its columns; columns: what the header at a
    position means; score: how surely.
    """

    tab: ForeignSheet
    sheet: Sheet
    first_row: int
    headers: tuple[Header, ...]
    columns: Mapping[int, Meaning]
    score: float

    def cells(self, position: int, most: int = _LOOKED_AT) -> list[Any]:
        """Filled cells of a column, in order."""
        return filled_cells(self.tab.rows, self.first_row, position, most)


def filled_cells(rows: Grid, first_row: int, position: int, most: int = _LOOKED_AT) -> list[Any]:
    """Filled cells of a column from a row on, in order; labels of totals are left out."""
    column = (row[position - 1] for row in rows[first_row - 1 :] if position <= len(row))
    filled = (cell for cell in column if not is_blank(cell) and not (isinstance(cell, str) and says_total(cell)))
    return [cell for cell, _ in zip(filled, range(most), strict=False)]


def understand(tab: ForeignSheet) -> Understood | None:
    """What one of their sheets is; None where it is like none of ours."""
    best: Understood | None = None
    for first_row in _first_rows(tab):
        headers = headers_above(tab.rows, first_row)
        for name in linkable():
            candidate = _as_sheet(tab, sheets()[name], first_row, headers)
            if candidate and (best is None or candidate.score > best.score):
                best = candidate
    return best


@cache
def linkable() -> tuple[str, ...]:
    """Library names of the sheets that a person may keep under another name: those with translations."""
    return tuple(name for name in sheets() if names_of("sheet", name))


def titled(title: str, names: Callable[[], Mapping[str, str]] = title_spellings) -> str:
    """Library name of the sheet that a title names, year or number and all; blank for none."""
    words = plain(re.sub(r"\b\d{2,4}\b|\(\d+\)", " ", title))
    if words in names():
        return names()[words]
    inside = [spelling for spelling in names() if len(spelling) > 4 and re.search(rf"\b{re.escape(spelling)}\b", words)]
    return names()[max(inside, key=len)] if inside else ""


def operation_of(title: str, column: Column) -> str:
    """Operation that a title names, `Soutirages 2025`; blank for none."""
    words = re.sub(r"\b\d{2,4}\b", " ", title).strip()
    return our_word(column, words) or our_word(column, words.removesuffix("s"))


def _first_rows(tab: ForeignSheet) -> list[int]:
    tabled = [table.first_row + 1 for table in tab.tables if table.header_rows]
    likely = []
    for number, row in enumerate(tab.rows[:_ROWS_TO_SEARCH], 1):
        filled = [cell for cell in row if not is_blank(cell)]
        texts = sum(isinstance(cell, str) for cell in filled)
        if texts >= 2 and texts >= _MOSTLY * len(filled):
            likely.append(number + 1)
    return list(dict.fromkeys([*tabled, *likely]))


def _as_sheet(tab: ForeignSheet, sheet: Sheet, first_row: int, headers: Sequence[Header]) -> Understood | None:
    offered = [
        (meaning.strength, -place, header, meaning)
        for place, header in enumerate(headers)
        for meaning in meanings(sheet, header)
        if _holds(meaning.column, filled_cells(tab.rows, first_row, header.position))
    ]
    columns: dict[int, Meaning] = {}
    taken: set[str] = set()
    for _, _, header, meaning in sorted(offered, key=lambda column: column[:2], reverse=True):
        if header.position not in columns and meaning.column.name not in taken:
            columns[header.position] = meaning
            taken.add(meaning.column.name)
    own_title = titled(tab.title) == sheet.name
    if len(columns) < (2 if own_title else 3) or (not own_title and 2 * len(columns) < len(headers)):
        return None
    if not any(sheet.column(name).required for name in taken):
        return None
    weights = {header.position: _rarity(header.above, header.below) for header in headers}
    missing = sum(column.required and not column.default and column.name not in taken for column in sheet.columns)
    score = sum(meaning.strength * weights[position] for position, meaning in columns.items())
    score += _TITLE * own_title - _MISSING * missing - _misfits(tab.rows, first_row, columns)
    score -= sum(_sort(header.below) != "text" for header in headers if header.below)  # figures are no headers
    if score <= 0:
        return None
    return Understood(tab, sheet, first_row, tuple(headers), columns, score)


def _misfits(rows: Grid, first_row: int, columns: Mapping[int, Meaning]) -> int:
    """Cells of the first row that are not of the sort of their column: it is a row of units, or one more of headers."""
    row = rows[first_row - 1] if first_row <= len(rows) else []
    cells = ((meaning.column, row[place - 1]) for place, meaning in columns.items() if place <= len(row))
    return sum(
        not is_blank(cell) and column.type in ("date", "number", "percent") and _sort(cell) == "text"
        for column, cell in cells
    )


@cache
def _rarity(above: str, below: str) -> float:
    """One over the number of our sheets that have a column of that header."""
    known = sum(bool(meanings(sheets()[name], Header(1, below, above, 1))) for name in linkable())
    return 1.0 / known if known else 1.0


def _holds(column: Column, cells: Sequence[Any]) -> bool:
    """Whether most of the cells are of the sort that the column holds; an empty column may be anything."""
    if not cells:
        return True
    if choices_of(column) and sum(bool(our_word(column, str(cell))) for cell in cells) >= _MOSTLY * len(cells):
        return True
    sorts = [_sort(cell) for cell in cells]
    dates, numbers = sorts.count("date") / len(sorts), sorts.count("number") / len(sorts)
    if column.type == "date":
        return dates >= _MOSTLY
    if column.type in ("number", "integer", "percent"):
        return numbers >= _MOSTLY
    if dates >= _MOSTLY:
        return False
    if column.choices and len(set(map(str, cells))) > 3 * len(choices_of(column)) + 10:
        return False
    return column.type != "choice" or numbers < _MOSTLY


def _sort(cell: Any) -> str:
    if isinstance(cell, date):
        return "date"
    if isinstance(cell, (int, float)) and not isinstance(cell, bool):
        return "number"
    text = str(cell).strip()
    if any(read_date(text, style)[0] for style in ("day first", "month first")) or re.fullmatch(
        r"\d{1,2}[./-]\d{1,2}[./-]\d{2}", text
    ):
        return "date"
    bare = re.sub(r"\s*(?:%|[^\W\d_]{1,3})$", "", text)
    return "number" if not all(read_number(bare, style)[1] for style in ("point", "comma")) else "text"
