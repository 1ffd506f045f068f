"""Names as numbers: every name that some columns hold, once, in the order in which the columns list it.

Rules that follow names from sheet to sheet compare numbers; only what is told of them is a name again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd

from costing.array_types import Ints, Names
from costing.inputs.estate import Estate
from costing.inputs.schema import sheets
from costing.once import asked_once

Place = tuple[str, str]
"""Table and column."""


@cache
def columns_of(refers: str, *, introducing: bool) -> tuple[Place, ...]:
    """Columns that hold names of one sort, those that may introduce a new one or the others."""
    return tuple(
        (sheet.name, column.name)
        for sheet in sheets().values()
        for column in sheet.columns
        if column.refers == refers and column.introduces == introducing
    )


LOT_COLUMNS = (*columns_of("lot", introducing=True), *columns_of("lot", introducing=False))
"""Every column that names a lot, those first that may introduce one."""


@dataclass(frozen=True)
class Numbered:
    """names; of_names: number of each name that a column lists (its categories, in their order), by column; columns:
    as they stand in the tables.
    """

    names: Names
    of_names: Mapping[Place, Ints]
    columns: Mapping[Place, pd.Categorical]

    def of_rows(self, table: str, column: str) -> Ints:
        """Number of the name in each row of a column; −1 where it is blank."""
        place = table, column
        return np.asarray(np.append(self.of_names[place], -1)[self.columns[place].codes])


@asked_once
def numbered(estate: Estate, columns: tuple[Place, ...]) -> Numbered:
    """Names of some columns, numbered."""
    read: list[pd.Categorical] = [estate[table][column].array for table, column in columns]
    listed = [column.categories.to_numpy(dtype=object) for column in read]
    numbers, names = pd.factorize(np.concatenate(listed))
    of_names = np.split(numbers.astype(np.int64), np.cumsum([len(part) for part in listed])[:-1])
    return Numbered(names, dict(zip(columns, of_names, strict=True)), dict(zip(columns, read, strict=True)))


def lots_named(estate: Estate) -> Numbered:
    """Every lot that any sheet names."""
    return numbered(estate, LOT_COLUMNS)
