"""The cells that a formula refers to.

Rule: a reference is a cell, a range, whole columns or rows, a table's columns, or a defined name, each looked
up in the workbook; what is looked up stands for an area of one sheet.

Conventions: formulas as they stand in a file: A1 notation, English function names, commas (ECMA-376 part 1,
section 18.17). Columns and rows are counted from 1, sheets from 0. A reference to another workbook is none
here.

What it does not do: it can't see through INDIRECT, OFFSET or a macro.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from costing.inputs.raw import column_letter
from costing.workbook.file.scan import LAST_COLUMN, LAST_ROW, TableRange, all_tables, column_number
from costing.workbook.file.sheets import Book

_BRACKETS = r"\[(?:[^\[\]]|\[[^\[\]]*\])*\]"
_PLAIN_SHEET = r"[^\s'\"!(),;:+\-*/^&=<>{}\[\]#@]+"
_TOKEN = re.compile(
    rf"""(?P<text>"(?:[^"]|"")*")
    |(?:(?P<sheet>'(?:[^']|'')+'|(?:\[[^\]]*\])?{_PLAIN_SHEET}(?::{_PLAIN_SHEET})?)!)?
     (?:(?P<cells>\$?[A-Za-z]{{1,3}}\$?\d{{1,7}}(?::\$?[A-Za-z]{{1,3}}\$?\d{{1,7}})?
         |\$?[A-Za-z]{{1,3}}:\$?[A-Za-z]{{1,3}}|\$?\d{{1,7}}:\$?\d{{1,7}})(?![\w.(\[!])
       |(?P<name>[^\W\d][\w.\\?]*+)(?P<columns>{_BRACKETS})?(?!\s*\()
       |(?P<bare>{_BRACKETS}))
    |[^\W\d][\w.\\?]*+|\d[\d.]*(?:[Ee][+-]?\d+)?""",
    re.VERBOSE,
)
_CORNER = re.compile(r"(\$?)([A-Za-z]{1,3})(?=[$\d:]|$)|(\$?)(\d{1,7})")


@dataclass(frozen=True, slots=True)
class Area:
    """A rectangle of cells on one sheet, corners included."""

    sheet: int
    first_column: int
    first_row: int
    last_column: int
    last_row: int

    @property
    def size(self) -> int:
        """Number of its cells."""
        return (self.last_column - self.first_column + 1) * (self.last_row - self.first_row + 1)

    def cells(self) -> Iterator[tuple[int, int, int]]:
        """Every cell as (sheet, column, row)."""
        for column in range(self.first_column, self.last_column + 1):
            for row in range(self.first_row, self.last_row + 1):
                yield self.sheet, column, row


@dataclass(frozen=True, slots=True)
class Lookup:
    """What a workbook's formulas can name, by case-folded name."""

    sheets: Mapping[str, int]
    tables: Mapping[str, tuple[int, TableRange]]
    names: Mapping[tuple[int | None, str], str]


def lookup(book: Book, absent_sheets: Mapping[str, int]) -> Lookup:
    """Gather a workbook's sheets, tables and names; `absent_sheets` numbers those it doesn't have yet."""
    sheets = {name.casefold(): number for name, number in absent_sheets.items()}
    sheets |= {sheet.name.casefold(): sheet.index for sheet in book.sheets}
    tables = {table.name.casefold(): (sheet.index, table) for sheet, table in all_tables(book)}
    names = {(name.index, name.name.casefold()): name.text for name in book.names}
    return Lookup(sheets, tables, names)


def references(formula: str, place: tuple[int, int, int], known: Lookup) -> tuple[Area, ...]:
    """Return the areas that the formula in the cell `place` (sheet, column, row) refers to."""
    return tuple(_areas(formula, place, known, frozenset()))


def _areas(
    formula: str, place: tuple[int, int, int], known: Lookup, opened: frozenset[tuple[int | None, str]]
) -> Iterator[Area]:
    before, end = None, -1
    for token in _TOKEN.finditer(formula):
        for sheet in _sheets(token["sheet"], place[0], known):
            if token["cells"]:
                area = _area(token["cells"], sheet)
                if before and before.sheet == sheet and formula[end : token.start()] == ":":
                    area = _spanning(before, area)
                before, end = area, token.end()
                yield area
            elif token["name"]:
                yield from _named(token, sheet, place, known, opened)
            elif token["bare"]:
                _, column, row = place
                for home, table in known.tables.values():
                    inside = table.first_row <= row <= table.last_row
                    if home == sheet and inside and table.first_column <= column <= table.last_column:
                        yield _columns(table, token["bare"], home, row)


def _named(
    token: re.Match[str],
    sheet: int,
    place: tuple[int, int, int],
    known: Lookup,
    opened: frozenset[tuple[int | None, str]],
) -> Iterator[Area]:
    name = token["name"].casefold()
    if name in known.tables:
        home, table = known.tables[name]
        yield _columns(table, token["columns"] or "", home, place[2])
        return
    for key in ((sheet, name), (None, name)):
        if key in known.names and key not in opened:
            yield from _areas(known.names[key], (sheet, place[1], place[2]), known, opened | {key})
            return


def _sheets(written: str | None, own: int, known: Lookup) -> list[int]:
    """Numbers of the sheets before the `!`: one, several for `First:Last!`, none for another workbook's."""
    if written is None:
        return [own]
    plain = written[1:-1].replace("''", "'") if written.startswith("'") else written
    if plain.casefold() in known.sheets:
        return [known.sheets[plain.casefold()]]
    first, _, last = plain.casefold().partition(":")
    if first in known.sheets and last in known.sheets:
        low, high = sorted((known.sheets[first], known.sheets[last]))
        return list(range(low, high + 1))
    return []


def _area(written: str, sheet: int) -> Area:
    columns = [column_number(letters.upper()) for letters in re.findall(r"[A-Za-z]+", written)]
    rows = [int(digits) for digits in re.findall(r"\d+", written)]
    columns, rows = columns or [1, LAST_COLUMN], rows or [1, LAST_ROW]
    return Area(sheet, min(columns), min(rows), max(columns), max(rows))


def _spanning(first: Area, second: Area) -> Area:
    return Area(
        first.sheet,
        min(first.first_column, second.first_column),
        min(first.first_row, second.first_row),
        max(first.last_column, second.last_column),
        max(first.last_row, second.last_row),
    )


def _columns(table: TableRange, brackets: str, sheet: int, row: int) -> Area:
    """Area of a table's columns as the brackets name them; of the whole table where they name none."""
    folded = [header.casefold() for header in table.headers]
    named = re.findall(r"\[([^\[\]]*)\]", brackets) if "[[" in brackets else [brackets[1:-1]]
    named = [re.sub(r"'(.)", r"\1", column).lstrip("@").casefold() for column in named]
    places = [table.first_column + folded.index(column) for column in named if column in folded]
    first, last = (min(places), max(places)) if places else (table.first_column, table.last_column)
    if "#this row" in brackets.casefold() or "@" in brackets:
        return Area(sheet, first, row, last, row)
    return Area(sheet, first, table.first_row, last, table.last_row)


def moved(formula: str, columns: int, rows: int) -> str:
    """Return the formula as it reads `columns` to the right and `rows` below, as a shared formula is read."""

    def corner(part: re.Match[str]) -> str:
        if part[2]:
            number = column_number(part[2].upper())
            return part[1] + (part[2] if part[1] else column_letter((number + columns - 1) % LAST_COLUMN))
        return part[3] + (part[4] if part[3] else str((int(part[4]) + rows - 1) % LAST_ROW + 1))

    return with_cells(formula, lambda cells: _CORNER.sub(corner, cells))


def with_cells(formula: str, change: Callable[[str], str], *, own: bool = False) -> str:
    """The formula with every cell and range changed; own: those alone that name no sheet."""

    def token(match: re.Match[str]) -> str:
        cells = match["cells"]
        if not cells or (own and match["sheet"]):
            return match[0]
        return match[0][: len(match[0]) - len(cells)] + change(cells)

    return _TOKEN.sub(token, formula)
