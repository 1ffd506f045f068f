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

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Any

from costing.inputs.cells import number_text, tidy
from costing.inputs.raw import column_letter
from costing.inputs.schema import Column, Sheet, lists, operations, settings, sheets

LISTS_SHEET = "Lists"
NAMES = 1000
ROOM = 800
_MOST_ROWS = 5000
# What a column may refer to, with the heading of its list and the name that stands for it.
_NAMED = {
    "lot": ("Lots", "lot_names"),
    "cuvee": ("Cuvées", "cuvee_names"),
    "terms": ("Terms", "terms_names"),
    "channel": ("Channels", "channel_names"),
}


@dataclass(frozen=True, slots=True)
class Placed:
    """A table as it stands in the workbook: sheet title, letter of each column, cells of each column from row 2 on."""

    sheet: Sheet
    title: str
    letters: Mapping[str, str]
    cells: Mapping[str, Sequence[Any]]


def source_of(column: Column) -> str:
    """Formula of the drop-down of a column; empty if it has none."""
    words = column.choices or open_list(column.refers)
    if words:
        return closed_lists()[words]
    name = _NAMED.get(column.refers, ("", ""))[1]
    # Where one table alone introduces a name, its own cells are the list.
    return f"={name}" if name and not (column.introduces and len(_introducing(column.refers)) == 1) else ""


def open_list(refers: str) -> tuple[str, ...]:
    """Words that are offered, and may be added to, for what a column refers to."""
    if refers == "element":
        return lists()["element"]
    return (*operations(), *lists()["stage"]) if refers == "operation or stage" else ()


@cache
def closed_lists() -> MappingProxyType[tuple[str, ...], str]:
    """Return the place of every list of words: words -> formula of their range."""
    found: dict[tuple[str, ...], str] = {}
    columns = [column for sheet in sheets().values() for column in sheet.columns]
    offered = [column.choices or open_list(column.refers) for column in columns]
    for words in (*offered, *(setting.choices for setting in settings().values())):
        if words and words not in found:
            letter = column_letter(len(found))
            found[words] = f"={LISTS_SHEET}!${letter}$2:${letter}${len(words) + 1}"
    return MappingProxyType(found)


def write_lists(workbook: Any, placed: Sequence[Placed]) -> None:
    """Add the hidden sheet to an XlsxWriter workbook, after all others, and define its names."""
    sheet = workbook.add_worksheet(LISTS_SHEET)
    heading = workbook.add_format({"bold": True})
    for position, words in enumerate(closed_lists()):
        sheet.write_string(0, position, f"List {position + 1}", heading)
        sheet.write_column(1, position, words)
    position = len(closed_lists())
    for refers, (title, name) in _NAMED.items():
        _write_names(workbook, sheet, position, title, name, list(_stacked(refers, placed)))
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


def _stacked(refers: str, placed: Sequence[Placed]) -> Iterator[tuple[str, str]]:
    """Formula and value of each cell that may hold a name."""
    for name, column in _introducing(refers):
        for table in placed:
            if table.sheet.name != name or column not in table.letters:
                continue
            cells, letter = table.cells[column], table.letters[column]
            rows = min(len(cells) + ROOM, _MOST_ROWS)
            area = f"'{table.title}'!${letter}$2:${letter}${rows + 1}"
            for row in range(rows):
                value = cells[row] if row < len(cells) else None
                yield f'=IFERROR(INDEX({area},{row + 1})&"","")', _as_text(value)


def _as_text(value: Any) -> str:
    if value is None or value != value:  # NaN is the one value that differs from itself
        return ""
    return number_text(float(value)) if isinstance(value, (int, float)) else tidy(str(value))


def _write_names(
    workbook: Any, sheet: Any, position: int, title: str, name: str, stacked: Sequence[tuple[str, str]]
) -> None:
    all_, count, names = (column_letter(position + step) for step in range(3))
    last = len(stacked) + 1
    for step, heading in enumerate((f"{title}, all cells", "Count", title)):
        sheet.write_string(0, position + step, heading)
    seen: list[str] = []
    known: set[str] = set()
    for row, (formula, value) in enumerate(stacked, 1):
        if value and value.casefold() not in known:
            known.add(value.casefold())
            seen.append(value)
        first = f"IFERROR(MATCH({all_}{row + 1},{all_}$2:{all_}${last},0),{row})={row}"
        counting = f'=N({count}{row})+IF({all_}{row + 1}="",0,IF({first},1,0))'
        sheet.write_formula(row, position, formula, None, value)
        sheet.write_formula(row, position + 1, counting, None, len(seen))
    for row in range(1, NAMES + 1):
        found = f"INDEX({all_}$2:{all_}${last},MATCH({row},{count}$2:{count}${last},0))"
        value = seen[row - 1] if row <= len(seen) else ""
        sheet.write_formula(row, position + 2, f'=IF({row}>{count}${last},"",{found})', None, value)
    column = f"{LISTS_SHEET}!${names}$2"
    end = f"INDEX({column}:${names}${NAMES + 1},MAX(1,MIN({NAMES},{LISTS_SHEET}!${count}${last})))"
    workbook.define_name(name, f"={column}:{end}")
