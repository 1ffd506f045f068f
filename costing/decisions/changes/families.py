"""Families of columns that explain a difference, how rows of two estates are matched, and columns passed from one
to the other.

    price: what was paid     yield: grapes and must     loss: what was drawn and arrived, norms
    rates: rates, pools, interest, indices     timing: dates and terms     plan: all else, and rows of one alone

Rows are the same one where their keys are; rows that share their keys are told apart by their order.

What it does not do: it runs nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from costing.array_types import Ints
from costing.inputs.estate import Estate, column_dtype
from costing.inputs.schema import sheets

Pairs = dict[str, tuple[Ints, Ints]]
FAMILIES = ("price", "yield", "loss", "rates", "timing", "plan")


def row_keys() -> dict[str, tuple[str, ...]]:
    """Columns that say that two rows of a table are the same one, by table."""
    return {name: sheet.same_row_by for name, sheet in sheets().items() if sheet.same_row_by is not None}


def columns_of_family(family: str) -> dict[str, tuple[str, ...]]:
    """Columns whose differences are put down to a family, by table."""
    named = {
        name: tuple(column.name for column in sheet.columns if column.family == family)
        for name, sheet in sheets().items()
    }
    return {name: columns for name, columns in named.items() if columns}


def matched_rows(first: pd.DataFrame, second: pd.DataFrame, keys: Sequence[str]) -> tuple[Ints, Ints]:
    """Positions of the rows that both tables have."""

    def labels(frame: pd.DataFrame) -> pd.Index:
        words = [frame[key].astype(object).where(frame[key].notna(), "").astype(str).tolist() for key in keys]
        label = ["|".join(parts) for parts in zip(*words, strict=True)] if words else [""] * len(frame)
        seen: Counter[str] = Counter()
        names = []
        for text in label:
            names.append((text, seen[text]))
            seen[text] += 1
        return pd.MultiIndex.from_tuples(names)

    if not len(first) or not len(second):
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    partner = labels(second).get_indexer(labels(first)).astype(np.int64)
    here = np.flatnonzero(partner >= 0)
    return here, partner[here]


def passed_on(
    reached: Estate,
    second: Estate,
    pairs: Pairs,
    columns: Mapping[str, Sequence[str]],
    only: tuple[str, int] | None = None,
) -> Estate:
    """The estate with the columns of a family taken from the second one, in the rows that both have.

    only: one table and the position among its matched rows. The same estate where nothing differs.
    """
    tables, changed = dict(reached.tables), False
    for name, wanted in columns.items():
        here, there = pairs[name]
        if only is not None:
            here, there = (here[[only[1]]], there[[only[1]]]) if name == only[0] else (here[:0], there[:0])
        frame = tables[name]
        for column in wanted:
            old, new = frame[column].iloc[here], second[name][column].iloc[there]
            same = (old.astype(object).to_numpy() == new.astype(object).to_numpy()) | (
                old.isna().to_numpy() & new.isna().to_numpy()
            )
            if same.all():
                continue
            values = frame[column].astype(object).to_numpy(copy=True)
            values[here] = new.astype(object).to_numpy()
            kind = column_dtype(sheets()[name].column(column).type)
            frame = frame.assign(
                **{column: pd.Series(values, index=frame.index, dtype=object).astype(pd.api.types.pandas_dtype(kind))}
            )
            changed = True
        tables[name] = frame
    return replace(reached, tables=tables) if changed else reached
