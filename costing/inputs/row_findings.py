"""Findings on rows of the estate's tables: from a mask over rows to the cells it names.

Rules look at whole columns; only the rows that break one are gone through. More than `FIRST_PLACES` rows with one
and the same rule and remedy are one finding, with their number and the first places; where the words differ from
row to row, at most `ROWS_PER_RULE` wordings are shown.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from costing.errors import CAUTION, ERROR, FIRST_PLACES, Finding, also
from costing.inputs.cells import number_text
from costing.inputs.estate import Estate
from costing.inputs.schema import sheets

ROWS_PER_RULE = 20
Mask = NDArray[np.bool_]
Words = str | Callable[[int], str]

__all__ = [
    "CAUTION",
    "ERROR",
    "Mask",
    "also_at",
    "by_name",
    "cell_place",
    "each",
    "filled",
    "first_rows",
    "repeated",
    "shown",
    "totals",
]


def shown(estate: Estate, table: str, row: int, column: str) -> str:
    """Return what a cell holds, in the unit in which it was typed; empty if blank."""
    value: Any = estate[table][column].iloc[row]
    if pd.isna(value):
        return ""
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d}"
    if isinstance(value, (float, np.floating)):
        if np.isinf(value):
            return sheets()[table].column(column).words[0]
        percent = sheets()[table].column(column).type == "percent"
        _, factor = estate.unit_typed(table, row, column)
        return number_text(round(float(value) * (100.0 if percent else 1.0) / factor, 9))
    return str(value)


def each(
    estate: Estate,
    table: str,
    rows: Mask | NDArray[np.intp] | list[int],
    column: str | None,
    rule: Words,
    remedy: Words,
    severity: str = ERROR,
) -> Iterator[Finding]:
    """Yield a finding for each row (mask or positions) at `column`, or one for many that are alike; words may depend
    on the row. Rows that have an error already are passed over.
    """
    positions = np.asarray(rows)
    positions = np.flatnonzero(positions) if positions.dtype == bool else positions.astype(np.intp)
    if table in estate.wrong_rows:
        positions = positions[~estate.wrong_rows[table][positions]]
    if severity == ERROR and len(positions):
        estate.refused.setdefault(table, []).append((positions, column or ""))
    if isinstance(rule, str) and isinstance(remedy, str):
        grouped = {(rule, remedy): positions.tolist()}
    else:
        grouped = {}
        for row in positions.tolist():
            said = rule if isinstance(rule, str) else rule(row)
            grouped.setdefault((said, remedy if isinstance(remedy, str) else remedy(row)), []).append(row)
    for (said, advice), alike in list(grouped.items())[:ROWS_PER_RULE]:
        more = ""
        if len(alike) > FIRST_PLACES:
            places = [cell_place(estate, table, row, column) for row in alike[1 : FIRST_PLACES + 1]]
            more, alike = also_at(places, len(alike) - 1), alike[:1]
        for row in alike:
            value = shown(estate, table, row, column) if column else ""
            yield Finding(cell_place(estate, table, row, column), value, said + more, advice, severity)
    if further := list(grouped.values())[ROWS_PER_RULE:]:
        title = estate.sources[table].sheet[positions[0]]
        count = sum(map(len, further))
        more = f"has {count:,} more row{'s' * (count > 1)} like these."
        yield Finding(str(title), "", more, "Correct those shown first.", severity)


def also_at(places: list[str], count: int) -> str:
    """Sentence on further places of the same sheet, `count` in all."""
    return also([place.rpartition("!")[2] for place in places], count)


def cell_place(estate: Estate, table: str, row: int, column: str | None) -> str:
    """Place of a cell; yearly sheets of one table may have their columns in different orders."""
    source = estate.sources[table]
    letter = source.letters.get(f"{source.sheet[row]}!{column}")
    return estate.place(table, row, column) if letter is None else f"{source.sheet[row]}!{letter}{source.row[row]}"


def filled(estate: Estate, table: str, column: str) -> Mask:
    """Tell which rows have something in `column`."""
    return estate[table][column].notna().to_numpy()


def first_rows(estate: Estate, table: str, column: str, where: Mask | None = None) -> dict[str, int]:
    """Each name in a column of names -> the first row that holds it (among the rows `where` is true)."""
    values = estate[table][column].cat
    codes = values.codes.to_numpy()
    if where is not None:
        codes = np.where(where, codes, -1)
    names = values.categories.to_list()
    first = np.full(len(names) + 1, -1, dtype=np.intp)
    first[codes[::-1]] = np.arange(len(codes) - 1, -1, -1)  # the last to be written is the first row
    return {name: row for name, row in zip(names, first.tolist(), strict=False) if row >= 0}


def by_name(estate: Estate, table: str, column: str, values: dict[str, Any], blank: Any) -> NDArray[Any]:
    """Value of each row's name: `values[name]`, `blank` where the name is not among them."""
    names = estate[table][column].cat
    spread = np.array([*(values.get(str(name), blank) for name in names.categories), blank])
    return spread[names.codes.to_numpy()]


def totals(estate: Estate, table: str, by: str, column: str) -> dict[str, float]:
    """Sum of `column` for each name in `by`; blanks count as nothing."""
    return {str(name): float(total) for name, total in estate[table].groupby(by, observed=True)[column].sum().items()}


def repeated(estate: Estate, table: str, keys: list[str]) -> Iterator[tuple[int, int]]:
    """Yield (row, first row) where all `keys` are as in an earlier row; blank equals blank."""
    frame = estate[table]
    alike = np.flatnonzero(frame.duplicated(keys, keep=False).to_numpy())
    if not len(alike):
        return
    known: dict[tuple[Any, ...], int] = {}
    numbers = pd.DataFrame({key: pd.factorize(frame[key], use_na_sentinel=False)[0][alike] for key in keys})
    for row, key in zip(alike.tolist(), numbers.itertuples(index=False, name=None), strict=True):
        known.setdefault(key, row)
        if row != known[key]:
            yield row, known[key]
