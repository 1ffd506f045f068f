"""The hidden sheet behind the drop-downs: closed lists of words, and the names the user has entered so far.

Rule: a name counts as known once a table that may introduce it holds it. Those cells are stacked, the first
    of each name is counted, and the names follow in the order of their count: stacked[k] = the k-th cell of
    the tables, as text count[k] = count[k-1] + (stacked[k] is filled and stands there for the first time)
    names[j] = stacked at the k where count[k] = j
Conventions: plain formulas that every spreadsheet program knows, with their values stored beside them;
    lists are in columns, headed in row 1. A name such as `lot_names` stands for the filled part of its
    column. Case does not matter, as in MATCH.
What it does not do: a list holds `NAMES` names at most, from the first rows of each table; what is beyond
    can still be typed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Any

from xlsxwriter.worksheet import Worksheet

from costing.inputs.appellations import rule_set_names
from costing.inputs.cells import number_text, tidy
from costing.inputs.raw import column_letter
from costing.inputs.schema import Column, Sheet, lists, operations, recipe_figures, settings, sheets
from costing.inputs.translations import units_of
from costing.workbook.file.sheets import LISTS_SHEET

MOST_ROWS = 5000


class _PlainFormulas(Worksheet):  # type: ignore[misc]  # the writer has no types
    """A sheet whose formulas call no function younger than 2007, so that the writer need not look for a hundred of
    them in each of thousands of cells.
    """

    def _prepare_formula(self, formula: str, _expand_future_functions: bool = False) -> str:
        return formula.removeprefix("=")


@dataclass(frozen=True, slots=True)
class NameList:
    """A list of names: heading, defined name, most names, rows looked at below the filled ones of a table."""

    title: str
    name: str
    most: int
    room: int


NAME_LISTS = {
    "lot": NameList("Lots", "lot_names", 1000, 600),
    "cuvee": NameList("Cuvées", "cuvee_names", 200, 200),
    "terms": NameList("Terms", "terms_names", 200, 200),
    "channel": NameList("Channels", "channel_names", 200, 200),
}


@dataclass(frozen=True, slots=True)
class Placed:
    """A table in the workbook: sheet title, letter of each column, cells of each column from `first_row` on."""

    sheet: Sheet
    title: str
    letters: Mapping[str, str]
    cells: Mapping[str, Sequence[Any]]
    first_row: int = 2


def source_of(column: Column) -> str:
    """Return the formula of a column's drop-down; empty if it has none."""
    words = column.choices or open_list(column.refers or column.name)
    if words:
        return closed_lists()[words]
    names = NAME_LISTS.get(column.refers)
    # Where one table alone introduces a name, its own cells are the list.
    if names is None or (column.introduces and len(_introducing(column.refers)) == 1):
        return ""
    return f"={names.name}"


def open_list(what: str) -> tuple[str, ...]:
    """Words that are offered, and may be added to, for what a column or setting refers to."""
    if what == "element":
        return lists()["element"]
    if what == "rule_set":
        return rule_set_names()
    if what in _TITLES:
        return _TITLES[what]()
    return (*operations(), *lists()["stage"]) if what == "operation or stage" else ()


def _sheet_titles() -> tuple[str, ...]:
    return tuple(
        sheet.title for sheet in sheets().values() if sheet.owner == "user" and sheet.name not in _OF_THEMSELVES
    )


def _column_titles() -> tuple[str, ...]:
    known = (sheet for sheet in sheets().values() if sheet.title in _sheet_titles())
    return tuple(sorted({column.title for sheet in known for column in sheet.columns}, key=str.casefold))


def _units() -> tuple[str, ...]:
    columns = [column for sheet in sheets().values() for column in sheet.columns]
    return tuple(dict.fromkeys(unit for column in columns for unit in units_of(column)))


_OF_THEMSELVES = ("settings", "links")
_TITLES: Mapping[str, Callable[[], tuple[str, ...]]] = {
    "sheet title": _sheet_titles,
    "column title": _column_titles,
    "unit word": _units,
    "recipe figure": lambda: tuple(figure.title for figure in recipe_figures().values()),
}


@cache
def closed_lists() -> MappingProxyType[tuple[str, ...], str]:
    """Return the place of every list of words: words -> formula of their range."""
    by_choices: dict[tuple[str, ...], str] = {}
    columns = [column for sheet in sheets().values() for column in sheet.columns]
    offered = [column.choices or open_list(column.refers or column.name) for column in columns]
    for words in (*offered, *(setting.choices for setting in settings().values())):
        if words and words not in by_choices:
            letter = column_letter(len(by_choices))
            by_choices[words] = f"={LISTS_SHEET}!${letter}$2:${letter}${len(words) + 1}"
    return MappingProxyType(by_choices)


def write_lists(workbook: Any, placed: Sequence[Placed]) -> None:
    """Add the hidden sheet to an XlsxWriter workbook, after all others, and define its names."""
    sheet = workbook.add_worksheet(LISTS_SHEET, _PlainFormulas)
    heading = workbook.add_format({"bold": True})
    for position, words in enumerate(closed_lists()):
        sheet.write_string(0, position, f"List {position + 1}", heading)
        sheet.write_column(1, position, words)
    position = len(closed_lists())
    for refers, names in NAME_LISTS.items():
        _write_names(workbook, sheet, position, names, list(_stacked(refers, names.room, placed)))
        position += 3
    sheet.hide()


def _introducing(refers: str) -> list[tuple[str, str]]:
    """Sheets and columns that may introduce a name, by library name."""
    return [
        (sheet.name, column.name)
        for sheet in sheets().values()
        for column in sheet.columns
        if column.refers == refers and column.introduces
    ]


def _stacked(refers: str, room: int, placed: Sequence[Placed]) -> Iterator[tuple[str, str]]:
    """Yield formula and value of each cell that may hold a name."""
    for name, column in _introducing(refers):
        for table in placed:
            if table.sheet.name != name or column not in table.letters:
                continue
            cells, letter = table.cells[column], table.letters[column]
            rows = min(len(cells) + room, MOST_ROWS)
            title, first = table.title.replace("'", "''"), table.first_row
            area = f"'{title}'!${letter}${first}:${letter}${rows + first - 1}"
            for row in range(rows):
                value = cells[row] if row < len(cells) else None
                yield f'=IFERROR(INDEX({area},{row + 1})&"","")', _as_text(value)


def _as_text(value: Any) -> str:
    if value is None or value != value:  # NaN is the one value that differs from itself
        return ""
    return number_text(float(value)) if isinstance(value, (int, float)) else tidy(str(value))


def _write_names(workbook: Any, sheet: Any, position: int, names: NameList, stacked: Sequence[tuple[str, str]]) -> None:
    cell, count, name = (column_letter(position + step) for step in range(3))
    last = len(stacked) + 1
    for step, heading in enumerate((f"{names.title}, all cells", "Count", names.title)):
        sheet.write_string(0, position + step, heading)
    seen: list[str] = []
    known: set[str] = set()
    for row, (formula, value) in enumerate(stacked, 1):
        if value and value.casefold() not in known:
            known.add(value.casefold())
            seen.append(value)
        first = f"IFERROR(MATCH({cell}{row + 1},{cell}$2:{cell}${last},0),{row})={row}"
        counting = f'=N({count}{row})+IF({cell}{row + 1}="",0,IF({first},1,0))'
        sheet.write_formula(row, position, formula, None, value)
        sheet.write_formula(row, position + 1, counting, None, len(seen))
    for row in range(1, names.most + 1):
        looked_up = f"INDEX({cell}$2:{cell}${last},MATCH({row},{count}$2:{count}${last},0))"
        value = seen[row - 1] if row <= len(seen) else ""
        sheet.write_formula(row, position + 2, f'=IF({row}>{count}${last},"",{looked_up})', None, value)
    column = f"{LISTS_SHEET}!${name}$2"
    end = f"INDEX({column}:${name}${names.most + 1},MAX(1,MIN({names.most},{LISTS_SHEET}!${count}${last})))"
    workbook.define_name(names.name, f"={column}:{end}")
