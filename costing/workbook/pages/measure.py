"""How wide the columns of a result sheet are, which texts are wrapped, and which columns wait behind the + above it.

Rule: the first table of a sheet answers its question, so it alone decides how wide its columns are. A table below it
widens a column for its figures, never for its words: those are wrapped. Columns that only a detailed reader wants
stand behind the first ones of their table, grouped and closed. What a sheet says stands above its first table, in
`MOST_LINES` at most, which stay when a reader scrolls; the rest and the notes stand below.

Conventions: widths in characters of the default font. Columns are counted from 0. Numbers are never wrapped.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from costing.answers.kinds import TEXTS
from costing.workbook.pages import look
from costing.workbook.pages.cells import cell_values
from costing.workbook.pages.result_sheet import ResultSheet, ResultTable

SHORT = 60
"""Rows of a table without filter buttons."""
LAST_TEXT, BESIDE, BELOW, VERDICT, CLOSED = 44.0, 22.0, 22.0, 28.0, 48.0
"""Widest text in the last column of the first table, widest other text beside one that is wrapped, and what a text or
a verdict of a table below it may widen a column to; widest text in a column behind the +.
"""

MOST_LINES = 4
_WIDEST_LINE, _NARROWEST_LINE = 150, 90  # characters of a line

Cells = Mapping[str, Sequence[Any]]


@dataclass(frozen=True)
class Measured:
    """Cells of each table by header, widths by column, wrapped headers by table, columns that stand open, columns that
    name a row of the widest table, lines of text above and below the tables.
    """

    cells: Mapping[str, Cells]
    widths: Mapping[int, float]
    wrapped: Mapping[str, frozenset[str]]
    opened: int
    keys: int
    lines_above: Sequence[str]
    lines_below: Sequence[str]

    @property
    def columns(self) -> int:
        """Columns of the widest table."""
        return max(map(len, self.cells.values()), default=0)

    def beside_first(self, characters: float) -> bool:
        """Whether so much finds room on the right of the first table, above wider ones."""
        first = len(next(iter(self.cells.values()), ())) + 1
        return sum(width for position, width in self.widths.items() if first <= position < self.opened) >= characters

    @property
    def across(self) -> float:
        """Characters of the columns that stand open."""
        return sum(width for position, width in self.widths.items() if position < self.opened)


def measured(sheet: ResultSheet, *, date_1904: bool = False) -> Measured:
    """What the columns of a sheet need."""
    cells = {table.name: _cells(table, date_1904) for table in sheet.tables}
    widths: dict[int, float] = {}
    wrapped: dict[str, frozenset[str]] = {}
    opened = max((table.shown or len(cells[table.name]) for table in sheet.tables), default=0)
    for table in sheet.tables:
        first = not widths
        folded = set()
        last = (table.shown or len(cells[table.name])) - 1
        ends_in_text = first and _is_long(table, last, cells[table.name])
        for position, header in enumerate(cells[table.name]):
            needed = _needed(table, header, cells[table.name][header])
            if (kind := table.formats.get(header, "text")) in TEXTS:
                if position >= opened:  # closed: as wide as it likes, and its row no higher
                    widest = needed = min(needed, CLOSED)
                elif not first:
                    least = VERDICT if kind == "verdict" else BELOW
                    widest = max(widths[position], least) if position in widths else look.WRAPPED
                elif ends_in_text and 0 < position < last and kind != "verdict":
                    widest = BESIDE
                else:
                    widest = LAST_TEXT
                if needed > widest:
                    folded.add(header)
                    needed = widest
                needed += look.INDENT * (position > 0 and first)
            widths[position] = max(needed, widths.get(position, 0.0))
        wrapped[table.name] = frozenset(folded)
    for table in sheet.tables:
        for position, header in enumerate(cells[table.name]):
            widths[position] = look.clear_width(header, widths[position], button=len(table.frame) > SHORT)
    main = list(sheet.tables[0].formats.values()) if sheet.tables else []
    figures = len(main) >= opened > 0 and main[opened - 1] not in TEXTS | {
        "date"
    }  # which would stand far from their neighbours
    for table in sheet.tables:
        may_widen = not sheet.charts and not figures
        wrapped[table.name] -= _running_on(table, cells[table.name], widths, opened, may_widen=may_widen)
    across = sum(width for position, width in widths.items() if position < opened)
    return Measured(cells, widths, wrapped, opened, _keys(sheet.tables), *_lines(sheet, across))


def _lines(sheet: ResultSheet, across: float) -> tuple[list[str], list[str]]:
    """Lines above the tables and below them. across: characters of the columns that stand open."""
    wide = int(min(max(across, _NARROWEST_LINE), _WIDEST_LINE))
    above: list[str] = []
    said = list(sheet.says)
    while said:
        lines = textwrap.wrap(said[0], wide)
        if sheet.group != "front" and above and len(above) + len(lines) > MOST_LINES:
            break
        above += lines
        said.pop(0)
    return above, [line for text in (*said, *sheet.notes) for line in textwrap.wrap(text, wide)]


def _running_on(
    table: ResultTable, cells: Cells, widths: dict[int, float], opened: int, *, may_widen: bool
) -> set[str]:
    """The last column, where its texts find room over the blank columns on its right: they need no second line.

    may_widen: the last of those columns is made as wide as they need, within bounds.
    """
    last, rightmost = len(cells) - 1, opened - 1
    header = list(cells)[last]
    if last >= rightmost or table.formats.get(header, "text") not in TEXTS:
        return set()
    lacking = _needed(table, header, cells[header]) - sum(widths[position] for position in range(last, opened))
    if lacking > 0 and not (may_widen and widths[rightmost] + lacking <= LAST_TEXT):
        return set()
    widths[rightmost] += max(lacking, 0.0)
    return {header}


def _keys(tables: Sequence[ResultTable]) -> int:
    """How many columns stand before the first figure of the widest table."""
    widest = max(tables, key=lambda table: len(table.frame.columns), default=None)
    kinds = [widest.formats.get(header, "text") for header in widest.frame.columns] if widest else []
    return max(1, next((position for position, kind in enumerate(kinds) if kind not in TEXTS), 1))


def alignment(table: ResultTable, header: str, *, button: bool = False) -> dict[str, Any]:
    """Numbers on the right, clear of the header's button; text on the left, clear of numbers before it."""
    kind = table.formats.get(header, "text")
    if kind not in TEXTS | {"date"} or pd.api.types.is_numeric_dtype(table.frame[header]):
        return {"align": "right", "indent": 2 * button}
    return {"align": "left", "indent": int(header != table.frame.columns[0])}


def total(values: Sequence[Any]) -> float:
    """Sum of the figures of a column."""
    return math.fsum(value for value in values if value is not None)


def _is_long(table: ResultTable, position: int, cells: Cells) -> bool:
    """Whether the column holds texts that are to be wrapped."""
    header = list(cells)[position]
    return table.formats.get(header, "text") in TEXTS and _needed(table, header, cells[header]) > LAST_TEXT


def _needed(table: ResultTable, header: str, values: Sequence[Any]) -> float:
    kind = table.formats.get(header, "text")
    shown = [*values, total(values)] if header in table.total_columns else values
    button = len(table.frame) > SHORT
    lines = look.heading_lines(header)
    if table.shown and header in table.frame.columns[table.shown :]:  # closed columns make no header row higher
        lines = min(lines, max(look.heading_lines(str(column)) for column in table.frame.columns[: table.shown]))
    width = look.column_width(header, shown, look.CELL_FORMATS[kind], button=button, lines=lines, widest=math.inf)
    return width + look.INDENT * (kind == "date")


def _cells(table: ResultTable, date_1904: bool) -> Cells:
    """Cells of each column of a table, days as numbers of the workbook's date system."""
    formats = table.formats
    return {
        header: cell_values(table.frame[header], formats.get(header, "text"), date_1904=date_1904)
        for header in table.frame.columns
    }
