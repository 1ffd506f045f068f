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

FAMILIES = ("price", "yield", "loss", "rates", "timing", "plan")

ROW_KEYS: Mapping[str, tuple[str, ...]] = {
    "interest_rates": (),
    "price_indices": ("element",),
    "opening_stock": ("lot",),
    "opening_costs": ("lot", "basis", "stage", "element"),
    "opening_composition": ("lot", "attribute", "name"),
    "deliveries": ("lot", "supplier", "village", "variety"),
    "grape_prices": ("vintage", "supplier", "village", "variety"),
    "terms": ("terms",),
    "pressings": ("load", "from_lot", "fraction", "to_lot"),
    "movements": ("operation", "from_lot", "to_lot"),
    "stocktakes": ("lot",),
    "tirage": ("to_lot", "wine_lot", "cuvee"),
    "disgorgements": ("release_lot", "from_lot"),
    "dispatches": ("release_lot", "channel"),
    "costs": ("lot", "stage", "element", "reference"),
    "operation_rates": ("operation", "stage", "format", "driver", "element"),
    "dry_goods": ("stage", "item", "format", "presentation"),
    "pools": ("pool", "stage", "location", "element"),
    "loss_norms": ("applies_to", "time_base"),
    "market_values": ("lot", "what", "fraction", "cuvee", "format"),
}
"""Columns that say that two rows are the same one."""

COLUMNS_OF_FAMILY: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "price": {
        "opening_costs": ("amount",),
        "deliveries": ("price_per_unit", "growing_cost_per_unit", "premium_per_unit", "expected_premium_per_unit"),
        "grape_prices": ("price_per_kg", "premium_per_kg"),
        "pressings": ("credit", "value_per_l", "cost_to_complete_per_l"),
        "costs": ("amount",),
        "dry_goods": ("unit_price", "quantity_per_bottle", "escalation"),
        "market_values": ("value_per_unit",),
    },
    "yield": {
        "opening_stock": ("quantity", "loss_allowance"),
        "deliveries": ("quantity",),
        "pressings": ("weight_kg", "volume_l", "fraction_weight_kg", "fixed_share"),
    },
    "loss": {
        "movements": ("out_l", "out_bottles", "in_l", "in_bottles", "added_l"),
        "stocktakes": ("quantity",),
        "tirage": ("wine_l", "liqueur_l", "bottles"),
        "disgorgements": ("bottles_in", "bottles_out", "liqueur_l"),
        "dispatches": ("bottles",),
        "loss_norms": ("percent",),
    },
    "rates": {
        "operation_rates": ("amount", "escalation", "from_date"),
        "pools": ("amount", "normal_capacity", "from_date", "to_date"),
        "interest_rates": ("borrowing_rate", "hurdle_rate", "from_date"),
        "price_indices": ("index", "escalation", "on_date"),
    },
    "timing": {
        "opening_stock": ("on_date",),
        "opening_costs": ("mean_payment_date", "incurred_date"),
        "deliveries": ("on_date", "sequence", "premium_date", "terms"),
        "terms": ("share", "days_after", "fixed_date"),
        "pressings": ("on_date", "sequence"),
        "movements": ("on_date", "sequence"),
        "stocktakes": ("on_date", "sequence"),
        "tirage": ("on_date", "sequence"),
        "disgorgements": ("on_date", "sequence"),
        "dispatches": ("on_date", "sequence"),
        "costs": ("on_date", "paid_date"),
        "dry_goods": ("from_date",),
        "market_values": ("from_date",),
    },
}
Pairs = dict[str, tuple[Ints, Ints]]


def matched_rows(first: pd.DataFrame, second: pd.DataFrame, keys: Sequence[str]) -> tuple[Ints, Ints]:
    """Positions of the rows that both tables have."""

    def labels(frame: pd.DataFrame) -> pd.Index:
        words = [frame[key].astype(object).where(frame[key].notna(), "").astype(str).tolist() for key in keys]
        label = ["|".join(parts) for parts in zip(*words, strict=True)] if words else [""] * len(frame)
        seen: Counter[str] = Counter()
        names = []
        for one in label:
            names.append((one, seen[one]))
            seen[one] += 1
        return pd.MultiIndex.from_tuples(names)

    if not len(first) or not len(second):
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    at = labels(second).get_indexer(labels(first)).astype(np.int64)
    here = np.flatnonzero(at >= 0)
    return here, at[here]


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
