"""What of a refused estate can be read all the same: the rows without an error, and the lots whose balance they tell.

A lot is doubtful where a row with an error names it, where it has two spellings, where a loss norm that has an error
may say how much it received, and where wine of a doubtful lot went into it. Errors in money, names and descriptions
leave the quantities of a row as they are. Nothing can be told where a sheet of quantities could not be read in full, or
a cell that names the lot filled.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from costing.array_types import Flags
from costing.errors import Finding, errors_in
from costing.inputs.estate import Estate, some_rows
from costing.inputs.headers import sheet_name
from costing.inputs.schema import Column, sheets
from costing.inputs.spellings import keys_of

_MOVING = (
    *("opening_stock", "deliveries", "pressings", "movements", "stocktakes", "tirage", "disgorgements"),
    *("dispatches", "costs"),
)
_TELLING = frozenset(
    ("on_date", "sequence", "operation", "fraction", "load", "kind", "what", "format", "unit", "loss_allowance")
)
_NORMS = "loss_norms"
_LESS_THE_NORM = {"movements": (("in_l", "in_bottles"), "to_lot"), "disgorgements": (("bottles_out",), "release_lot")}
_PASSED_ON = {
    "movements": (("from_lot",), "to_lot"),
    "tirage": (("wine_lot",), "to_lot"),
    "disgorgements": (("from_lot", "liqueur_lot"), "release_lot"),
}


@dataclass(frozen=True)
class Readable:
    """The rows without an error, and the lots whose balance they do not tell."""

    estate: Estate
    doubtful: frozenset[str]

    def certain(self, findings: Iterable[Finding]) -> list[Finding]:
        """Those findings whose row names no doubtful lot."""
        return [finding for finding in findings if not self.doubtful & set(self._lots_at(finding.place))]

    def _lots_at(self, place: str) -> Iterator[str]:
        sheet, _, cell = place.rpartition("!")
        row = int(re.sub(r"\D", "", cell) or 0)
        for table in _MOVING:
            source = self.estate.sources[table]
            yield from _names(self.estate, table, np.flatnonzero((source.row == row) & (source.sheet == sheet)))


def readable(
    estate: Estate, spoilt_tables: Collection[str], spoilt_cells: Collection[str], findings: Iterable[Finding]
) -> Readable | None:
    """What can be read beside the cells, tables and rows (`estate.refused`) in which an error was found."""
    unread = {sheet_name(finding.place)[0] for finding in errors_in(findings) if "!" not in finding.place}
    if {*_MOVING} & {*spoilt_tables} or any(not name or name in _MOVING for name in unread):
        return None
    wrong: dict[str, Flags] = {}
    for table in (*_MOVING, _NORMS):
        cells = _columns_of_cells(estate, table, spoilt_cells)
        if any(column.introduces for _, column in cells):
            return None
        wrong[table] = np.zeros(len(estate[table]), dtype=bool)
        for row, column in cells:
            wrong[table][row] |= _tells(column, table)
        for rows, name in estate.refused.get(table, ()):
            wrong[table][rows] |= not name or _tells(sheets()[table].column(name), table)
    doubtful = {lot for table in _MOVING for lot in _names(estate, table, np.flatnonzero(wrong[table]))}
    if wrong[_NORMS].any() or _NORMS in {*spoilt_tables, *unread}:
        doubtful |= _received_less_the_norm(estate)
    kept = _without(estate, wrong)
    return Readable(kept, frozenset(_passed_on(kept, doubtful | _two_spellings(estate))))


def _received_less_the_norm(estate: Estate) -> set[str]:
    """Lots of which a row leaves what they received to the loss norm."""
    lots = set[str]()
    for table, (given, filled) in _LESS_THE_NORM.items():
        rows = estate[table]
        lots.update(map(str, rows.loc[rows[list(given)].isna().all(axis=1), filled].dropna().unique()))
    return lots


def _tells(column: Column, table: str) -> bool:
    """Whether a column says what moved or may be lost, when, or how much; of the norms, each does."""
    if column.name in _TELLING or column.refers == "lot" or table == _NORMS:
        return True
    return column.name == "quantity" or column.unit in ("kg", "L", "bottles")


def _columns_of_cells(estate: Estate, table: str, cells: Collection[str]) -> list[tuple[int, Column]]:
    """Row and column of those cells that lie in a table."""
    if not cells:
        return []
    source = estate.sources[table]
    rows = {place: row for row, place in enumerate(zip(source.sheet.tolist(), source.row.tolist(), strict=True))}
    letters: dict[tuple[str, str], Column] = {}
    for column in sheets()[table].columns:
        for sheet in dict.fromkeys(source.sheet.tolist()):
            letter = source.letters.get(f"{sheet}!{column.name}", source.letters.get(column.name, ""))
            letters[sheet, letter] = column
    named = [re.fullmatch(r"(.+)!([A-Z]+)(\d+)", cell) for cell in cells]
    split = [(match[1], match[2], int(match[3])) for match in named if match]
    return [
        (rows[sheet, row], letters[sheet, letter])
        for sheet, letter, row in split
        if (sheet, row) in rows and (sheet, letter) in letters
    ]


def _names(estate: Estate, table: str, rows: NDArray[np.intp]) -> Iterator[str]:
    """Lots that some rows name."""
    for column in sheets()[table].columns if len(rows) else ():
        if column.refers == "lot":
            names: pd.Categorical = estate[table][column.name].array
            held = np.bincount(names.codes[rows] + 1, minlength=len(names.categories) + 1)[1:]
            yield from names.categories[held > 0]


def _two_spellings(estate: Estate) -> set[str]:
    names = sorted({lot for table in _MOVING for lot in _names(estate, table, np.arange(len(estate[table])))})
    keys: dict[str, list[str]] = {}
    for name, key in zip(names, keys_of(names), strict=True):
        keys.setdefault(key, []).append(name)
    return {name for group in keys.values() if len(group) > 1 for name in group}


def _without(estate: Estate, wrong: dict[str, Flags]) -> Estate:
    tables, sources = some_rows(estate, {name: ~rows for name, rows in wrong.items() if rows.any()})
    return replace(estate, tables={**estate.tables, **tables}, sources={**estate.sources, **sources})


def _passed_on(estate: Estate, doubtful: set[str]) -> set[str]:
    """Doubtful lots, and all that wine of them went into."""
    after: dict[str, set[str]] = {}
    for table, (drawn, filled) in _PASSED_ON.items():
        for column in drawn:
            for from_lot, others in _beside(estate[table], column, filled).items():
                after.setdefault(from_lot, set()).update(others)
    pressings = estate["pressings"]
    pressed, drained = (_beside(pressings, "load", column) for column in ("from_lot", "to_lot"))
    for load, lots in pressed.items():
        for from_lot in lots:
            after.setdefault(from_lot, set()).update(drained.get(load, ()))
    ahead = list(doubtful)
    while ahead:
        for lot in after.get(ahead.pop(), set()) - doubtful:
            doubtful.add(lot)
            ahead.append(lot)
    return doubtful


def _beside(frame: pd.DataFrame, first: str, second: str) -> dict[str, set[str]]:
    """Names of one column -> those that stand beside them in another."""
    names: list[pd.Categorical] = [frame[first].array, frame[second].array]
    some, other = (column.categories for column in names)
    found: dict[str, set[str]] = {}
    for one, two in set(zip(*(column.codes.tolist() for column in names), strict=True)):
        if one >= 0 and two >= 0:
            found.setdefault(some[one], set()).add(other[two])
    return found
