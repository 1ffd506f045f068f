"""The row in force on a day: of the dated rows that speak of one thing, the last that began on or before it.

Conventions: a row holds from its date, that day included, until the next of its series. A row without a date
held from the beginning. Of two rows of one date the lower on the sheet holds. The last row of a series holds
for ever; before the first nothing does: −1.

What it does not do: choose between series (`decisions.prices.terms_in_force.most_particular`) or move evenly
between two dated levels (`costing.money.indices`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from costing.array_types import Ints, Names
from costing.inputs.estate import text_of


def key_text(table: pd.DataFrame, columns: Iterable[str]) -> dict[str, Names]:
    """Text of key columns of a table, "" where blank."""
    return {name: text_of(table[name]) for name in columns}


def series_of(keys: Sequence[NDArray[np.integer]], since: Ints) -> Iterator[Ints]:
    """Rows of each series (equal keys), in the order of their dates; series in the order of their first rows.

    keys: parallel arrays of codes, one value per row; since: day from which each row holds.
    """
    rows_of: dict[tuple[int, ...], list[int]] = {}
    for row, key in enumerate(zip(*(values.tolist() for values in keys), strict=True)):
        rows_of.setdefault(key, []).append(row)
    for rows in rows_of.values():
        yield by_date(np.array(rows, dtype=np.int64), since)


def by_date(rows: Ints, since: Ints) -> Ints:
    """Rows in the order of their dates, those of one date in the order of the sheet."""
    return rows[np.argsort(since[rows], kind="stable")]


def row_in_force(rows: Ints, since: Ints, day: Ints) -> Ints:
    """Row of one series that holds on each day (−1: none yet).

    rows: positions in the table; since: day from which each row of the table holds; day: days asked for.
    """
    if not len(rows):
        return np.full(len(day), -1, dtype=np.int64)
    rows = by_date(rows, since)
    last = np.searchsorted(since[rows], day, side="right") - 1
    return np.where(last >= 0, rows[last], -1)


def named_row_in_force(name: Names, since: Ints, wanted: Names, day: Ints) -> Ints:
    """Row that holds for each name wanted on its day (−1: none); a blank name has none.

    name, since: of each row of the table; wanted, day: parallel, one per key asked for.
    """
    row = np.full(len(wanted), -1, dtype=np.int64)
    for asked_for in pd.unique(wanted):
        if not pd.isna(asked_for):
            here = np.flatnonzero(wanted == asked_for)
            row[here] = row_in_force(np.flatnonzero(name == asked_for), since, day[here])
    return row


def rows_in_force(keys: pd.DataFrame, since: Ints, day: int) -> Ints:
    """Row of every series (equal keys) that holds on one day, in the order of their dates; none that begins later."""
    begun = by_date(np.flatnonzero(since <= day), since)
    return np.asarray(begun[~keys.iloc[begun].duplicated(keep="last").to_numpy()])
