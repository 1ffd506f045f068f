"""Checks between result tables: two sums that must agree, as figures and as formulas over the cells of the sheets.

Rule: `checks.csv` says of each check what stands on either side: `table.column` summed, `table.family:*` summed over
all its columns, `table.column[key=value]` over the rows of one key, `rows table`, or a number; `+` between them. A
check counts where all its tables have rows.

Conventions: formulas are in Excel's English spelling, with `{table|Header}` for the cells of a column and `{|Header}`
for the cell of the same row, which whoever writes a sheet replaces. Two sides agree where nothing is left between them
at `DECIMALS`, those of a cost per bottle in the books.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import pandas as pd

from costing.answers import catalogue
from costing.answers.answer import Answer
from costing.packaged import packaged_rows

DECIMALS = 4
_TABLE = "sheets_compared"
AGREES, DIFFERS = "agrees", "differs"
_TERM = re.compile(r"(?P<table>\w+)\.(?P<column>[\w:*]+)(?:\[(?P<key>\w+)=(?P<value>[^\]]+)\])?")


@dataclass(frozen=True, slots=True)
class Term:
    """One part of a side: a sum over a column or family, over the rows of one key if there is one, a number of rows
    (no column), or a number (no table).
    """

    table: str
    column: str
    key: str = ""
    value: str = ""

    def figure(self, tables: Mapping[str, pd.DataFrame]) -> float:
        """What it comes to."""
        if not self.table:
            return float(self.value)
        frame = tables[self.table]
        if not self.column:
            return float(len(frame))
        rows = frame[frame[self.key] == self.value] if self.key else frame
        return math.fsum(float(rows[name].sum()) for name in self._columns(frame))

    def formula(self, tables: Mapping[str, pd.DataFrame]) -> str:
        """The same as a formula."""
        if not self.table:
            return self.value
        frame = tables[self.table]
        if not self.column:
            return f"ROWS({_cells(self.table, str(frame.columns[0]))})"
        areas = [_cells(self.table, name) for name in self._columns(frame)]
        if self.key:
            return f'SUMIF({_cells(self.table, self.key)},"{self.value}",{areas[0]})'
        return f"SUM({','.join(areas)})"

    def _columns(self, frame: pd.DataFrame) -> list[str]:
        return catalogue.in_order((self.column,), list(frame.columns))


@dataclass(frozen=True, slots=True)
class Agreement:
    """Two sides that must agree, and what they say."""

    name: str
    one_side: tuple[Term, ...]
    other_side: tuple[Term, ...]

    @property
    def tables(self) -> set[str]:
        """Tables that it reads."""
        return {term.table for term in (*self.one_side, *self.other_side) if term.table}


@cache
def agreements() -> tuple[Agreement, ...]:
    """Every check, in order. ValueError for a side that can't be read, KeyError for a table that there is not."""
    rows = packaged_rows(__package__, "checks")
    return tuple(Agreement(row["check"], _side(row["one_side"]), _side(row["other_side"])) for row in rows)


def _side(text: str) -> tuple[Term, ...]:
    return tuple(_term(part.strip()) for part in text.split(" + "))


def _term(text: str) -> Term:
    if text.isdigit():
        return Term("", "", value=text)
    if text.startswith("rows "):
        return Term(catalogue.table(text.removeprefix("rows ")).name, "")
    match = _TERM.fullmatch(text)
    if match is None:
        msg = f"a side of answers/checks.csv can't be read: '{text}'"
        raise ValueError(msg)
    catalogue.table(match["table"])
    return Term(match["table"], match["column"], match["key"] or "", match["value"] or "")


def sheets_compared(tables: Mapping[str, pd.DataFrame]) -> Answer:
    """Every check whose tables have rows: `sheets_compared`, with its formulas."""
    possible = [wanted for wanted in agreements() if all(len(tables.get(name, ())) for name in wanted.tables)]
    rows, formulas = [], []
    one_cell, other_cell, apart_cell = (_cells("", name) for name in ("one_side", "other_side", "apart"))
    for wanted in possible:
        sides = wanted.one_side, wanted.other_side
        left, right = (math.fsum(term.figure(tables) for term in side) for side in sides)
        apart = round(abs(left - right), DECIMALS)
        rows.append((wanted.name, DIFFERS if apart else AGREES, left, right, apart))
        formulas.append(
            (
                f'=IF({apart_cell}=0,"{AGREES}","{DIFFERS}")',
                *("=" + "+".join(term.formula(tables) for term in side) for side in sides),
                f"=ROUND(ABS({one_cell}-{other_cell}),{DECIMALS})",
            )
        )
    columns = ["check", "agreement", "one_side", "other_side", "apart"]
    live = pd.DataFrame(formulas, columns=columns[1:])
    return Answer({_TABLE: pd.DataFrame(rows, columns=columns)}, formulas={_TABLE: live})


def _cells(table: str, column: str) -> str:
    return f"{{{table}|{catalogue.column(column).header}}}"
