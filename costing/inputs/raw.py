"""Raw rows of one sheet, as a reader found them, before anything is understood."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import pandas as pd

from costing.array_types import Flags, Ints
from costing.errors import Finding
from costing.inputs.cells import Cells, take_apart
from costing.once import Once, asked_once


@dataclass(frozen=True, slots=True)
class Linked:
    """How a sheet of the user's own is read as one of the library's: by library name; by header of the frame what one
    of its unit is in the header's; by column name what every row holds; by column name the row of Links.
    """

    name: str
    factors: Mapping[str, float] = field(default_factory=dict)
    fixed: Mapping[str, str] = field(default_factory=dict)
    places: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class RawTable(Once):
    """Rows of one sheet under their headers.

    sheet: its title; frame: one column per header as found, raw values (text, number, TRUE, date, None);
    row_numbers: row of the sheet for each row of the frame; letters: column letter of each header; findings:
    what the reader has found already; percent_formatted: per header, True where the cell holds a fraction
    shown as a percentage; header_row: row of the headers; faulty: cells (`F17`) that hold an error or were never
    calculated: the findings speak of them, and they are no blanks; linked: set where the sheet is the user's own,
    read by its links and not by its title.
    """

    sheet: str
    frame: pd.DataFrame
    row_numbers: Ints
    letters: Mapping[str, str]
    findings: tuple[Finding, ...] = ()
    percent_formatted: Mapping[str, Flags] = field(default_factory=dict)
    header_row: int = 1
    faulty: frozenset[str] = frozenset()
    linked: Linked | None = None

    @asked_once
    def cells(self, position: int) -> Cells:
        """What the cells of the column at a position hold."""
        return take_apart(self._columns()[position])

    @asked_once
    def _columns(self) -> list[pd.Series[Any]]:
        """Columns of the frame by position, which `iloc` takes four times as long to give one by one."""
        return [column for _, column in self.frame.items()]


@cache
def column_letter(position: int) -> str:
    """Letter of the column at a position counted from 0: 0 is A, 26 is AA."""
    letters = ""
    position += 1
    while position:
        position, rest = divmod(position - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters
