"""Whether the inputs have changed since the run, as a live formula on every result sheet.

Rule: at the run, each input sheet's filled cells are counted and its numbers added up over columns A to AZ;
the formula does the same with COUNTA and SUM and says so once one of them differs. It uses no function that a
common spreadsheet program lacks.

What it does not do: see a change that leaves both count and sum as they were (two numbers swapped).
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass

from costing.workbook.package import Package
from costing.workbook.sheets import read_book

STALE = "STALE: the inputs have changed since this run. Run again."
_CELL = re.compile(rb"<(?:\w+:)?c\b(?P<of>[^>]*?)(?:/>|>(?P<inside>.*?)</(?:\w+:)?c>)", re.DOTALL)
_PLACE = re.compile(rb'\br="([A-Z]+)\d+"')
_TYPE = re.compile(rb'\bt="(\w+)"')
_VALUE = re.compile(rb"<(?:\w+:)?v\b[^>]*>([^<]*)</")
_RELATIVE = 2e-12  # sums taken in another order differ by less


@dataclass(frozen=True, slots=True)
class SheetCount:
    """Filled cells of an input sheet in columns A to AZ, and the sum of its numbers."""

    title: str
    filled: int
    total: float


def count_inputs(package: Package, titles: Collection[str]) -> list[SheetCount]:
    """Count the sheets of these titles, in workbook order."""
    book = read_book(package)
    return [_count(sheet.name, package.part(sheet.part)) for sheet in book.sheets if sheet.name in set(titles)]


def _count(title: str, content: bytes) -> SheetCount:
    filled, total = 0, 0.0
    for cell in _CELL.finditer(content):
        of, inside = cell["of"], cell["inside"]
        place = _PLACE.search(of)
        if not inside or not place or len(place[1]) > 2 or (len(place[1]) == 2 and place[1][:1] != b"A"):
            continue
        kind = _TYPE.search(of)
        value = _VALUE.search(inside)
        if kind is None or kind[1] == b"n":
            if value is None:
                continue
            total += float(value[1])
        filled += 1
    return SheetCount(title, filled, total)


def stale_formula(counts: Collection[SheetCount]) -> tuple[str, str]:
    """Formula that shows `STALE` once a count or a sum differs, and its text now (none)."""
    same = ",".join(
        part
        for count in counts
        for part in (
            f"COUNTA({_area(count.title)})={count.filled}",
            f"ABS(SUM({_area(count.title)})-{count.total!r})<={max(abs(count.total) * _RELATIVE, 1e-9)!r}",
        )
    )
    return f'=IF(IFERROR(AND({same}),FALSE),"","{STALE}")', ""


def _area(title: str) -> str:
    return "'" + title.replace("'", "''") + "'!$A:$AZ"
