"""Whether the inputs have changed since the run, as a live formula on every result sheet.

Rule: at the run, each input sheet's filled cells are counted and its numbers added up over columns A to AZ;
the formula does the same with COUNTA and SUMIF and says so once one of them differs. Sheets of one table
(`Movements 2025`, `Movements 2026`) are taken together, which keeps the formula short. SUMIF passes over cells
that hold an error, so that one in a helper column spoils nothing. The formula uses no function that a common
spreadsheet program lacks.

Conventions: cells with a formula that was never calculated count as filled, as COUNTA has it, and are taken
out of both sums: what they will show is not known yet, and no value that is read stands in one.

What it does not do: see a change that leaves both count and sum as they were (two numbers swapped). Where the
formula would be longer than a spreadsheet takes, the cell says that changes are not watched.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from dataclasses import dataclass

from costing.inputs.headers import sheet_name
from costing.inputs.raw import column_letter
from costing.workbook.file.package import Package
from costing.workbook.file.scan import column_number, in_blocks
from costing.workbook.file.sheets import read_book

STALE = "STALE: the inputs have changed since this run. Run again."
UNWATCHED = "Too many input sheets for a formula to watch: run again after any change."
LONGEST_FORMULA = 8_192  # characters (Microsoft, "Excel specifications and limits")
_GREATEST = 9e99  # SUMIF's criterion; numbers beyond it are in neither sum
_CELL = re.compile(
    rb'<c r="A?[A-Z]\d+"(?: s="\d+")?(?:/>|(?: t="(\w+)")?>(?:<v>([^<\s][^<]*)</v>|<is><t>[^<]*</t></is>)</c>)'
    rb"|<(?:\w+:)?c\b([^>]*?)(?:/>|>(.*?)</(?:\w+:)?c>)",
    re.DOTALL,
)
"""A cell as most are written: its type, and its value where that is no text in place; any other: its attributes and
what is inside it.
"""
_PLACE = re.compile(rb'\br="([A-Z]+)(\d+)"')
_TYPE = re.compile(rb'\bt="(\w+)"')
_VALUE = re.compile(rb"<(?:\w+:)?v\b[^>/]*>([^<]*)</")
_FORMULA = re.compile(rb"<(?:\w+:)?f\b")
_RELATIVE = 2e-12  # sums taken in another order differ by less


@dataclass(frozen=True, slots=True)
class SheetCount:
    """Filled cells of an input sheet in columns A to AZ, the sum of its numbers, and the cells, as
    references, that are in no sum because they were never calculated.
    """

    title: str
    filled: int
    total: float
    uncalculated: tuple[str, ...] = ()


def count_inputs(package: Package, titles: Collection[str]) -> list[SheetCount]:
    """Count the sheets of these titles, in workbook order."""
    book = read_book(package)
    return [_count(sheet.name, package.part(sheet.part)) for sheet in book.sheets if sheet.name in set(titles)]


def _count(title: str, content: bytes) -> SheetCount:
    filled, total, others = 0, 0.0, []
    for block in in_blocks(content, b"<row "):
        cells = _CELL.findall(block)
        filled += sum(1 for kind, value, _, _ in cells if kind or value)
        numbers = [float(value) for kind, value, _, _ in cells if value and kind in (b"", b"n")]
        total += sum(number for number in numbers if number < _GREATEST)
        others += [(of, inside) for _, _, of, inside in cells if inside]
    uncalculated: list[tuple[int, int]] = []
    for of, inside in others:
        place = _PLACE.search(of)
        if not place or len(place[1]) > 2 or (len(place[1]) == 2 and place[1][:1] != b"A"):
            continue
        kind = _TYPE.search(of)
        if kind is None or kind[1] == b"n":
            match = _VALUE.search(inside)
            number = match[1].strip() if match else b""
            if number:
                total += float(number) if float(number) < _GREATEST else 0.0
            elif _FORMULA.search(inside):
                uncalculated.append((column_number(place[1].decode()), int(place[2])))
            else:
                continue
        filled += 1
    return SheetCount(title, filled, total, _references(uncalculated))


def _references(cells: Iterable[tuple[int, int]]) -> tuple[str, ...]:
    """Cells (column, row) as references, those right below each other in one."""
    runs: list[list[int]] = []
    for column, row in sorted(cells):
        if runs and runs[-1][0] == column and runs[-1][2] == row - 1:
            runs[-1][2] = row
        else:
            runs.append([column, row, row])
    letters = [column_letter(column - 1) for column, _, _ in runs]
    return tuple(f"{letter}{first}:{letter}{last}" for letter, (_, first, last) in zip(letters, runs, strict=True))


def stale_formula(counts: Collection[SheetCount]) -> tuple[str, str]:
    """Formula that shows `STALE` once a count or a sum differs, and its text now (none)."""
    tables: dict[str, list[SheetCount]] = {}
    for count in counts:
        tables.setdefault(sheet_name(count.title)[0] or count.title, []).append(count)
    same = ",".join(part for sheets in tables.values() for part in _same(sheets))
    formula = f'=IF(IFERROR(AND({same}),FALSE),"","{STALE}")'
    return (formula, "") if len(formula) <= LONGEST_FORMULA else (f'="{UNWATCHED}"', UNWATCHED)


def _same(sheets: Collection[SheetCount]) -> tuple[str, str]:
    """Conditions that hold while the sheets of one table are as they were counted."""
    areas = [(sheet, "'" + sheet.title.replace("'", "''") + "'!") for sheet in sheets]
    total = sum(sheet.total for sheet in sheets)
    sums = "+".join(f'SUMIF({of}A:AZ,"<9E99")' for _, of in areas)
    less = "".join(f'-SUMIF({of}{cells},"<9E99")' for sheet, of in areas for cells in sheet.uncalculated)
    return (
        f"COUNTA({','.join(f'{of}A:AZ' for _, of in areas)})={sum(sheet.filled for sheet in sheets)}",
        f"ABS({sums}{less}-({total!r}))<={max(abs(total) * _RELATIVE, 1e-9):.1e}",
    )
