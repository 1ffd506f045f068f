"""Costs and purchases in another currency, in the estate's own.

    amount in the estate's currency = amount · rate of its row, or of Channels on its day

A row that could be turned no longer names a currency; one without a rate keeps it, and is an error. Sales and lists
keep theirs: prices need them (`decisions.prices`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pandas as pd

from costing.array_types import Floats
from costing.inputs.estate import Estate
from costing.inputs.in_force import named_row_in_force
from costing.inputs.rows import Breach, Rows, rule_of

_MONEY = {
    "costs": ("amount",),
    "deliveries": ("price_per_unit", "premium_per_unit", "expected_premium_per_unit"),
}


def in_estate_currency(estate: Estate) -> Estate:
    """The estate with these amounts in its own currency."""
    tables = dict(estate.tables)
    for table, columns in _MONEY.items():
        frame = estate[table]
        named = frame["currency"].notna().to_numpy()
        if not named.any():
            continue
        rate = np.where(named, _rates(estate, frame), 1.0)
        known = np.isfinite(rate)
        money = {name: np.where(known, frame[name] * rate, frame[name]) for name in columns}
        kept = {name: frame[name].where(~(named & known)) for name in ("currency", "currency_rate")}
        kept["currency"] = kept["currency"].cat.remove_unused_categories()
        tables[table] = frame.assign(**kept, **money)
    return replace(estate, tables=tables)


def _rates(estate: Estate, frame: pd.DataFrame) -> Floats:
    """Estate currency per unit of the currency of each row; NaN where nothing says."""
    listed = estate["channels"][estate["channels"]["currency_rate"].notna()]
    wanted = frame["currency"].astype(object).to_numpy()
    begun, on = (
        dates.to_numpy().astype("datetime64[D]").astype(np.int64) for dates in (listed["from_date"], frame["on_date"])
    )
    row = named_row_in_force(listed["currency"].astype(object).to_numpy(), begun, wanted, on)
    on_channels = np.append(listed["currency_rate"].to_numpy(dtype=np.float64), np.nan)[row]
    own = frame["currency_rate"].to_numpy(dtype=np.float64)
    rate = np.where(np.isnan(own), on_channels, own)
    return np.where(wanted == estate.settings.currency, 1.0, rate)


@rule_of(*_MONEY)
def rates_missing(rows: Rows) -> Iterator[Breach]:
    """Yield costs and purchases in a currency without a rate, and rates beside no currency."""
    named = rows.given("currency")
    remedy = "Enter the rate beside it, or on Channels for that currency; or correct the currency."
    yield named, "currency", "has no currency rate on that day.", remedy
    alone = rows.given("currency_rate") & ~named
    yield alone, "currency_rate", "stands beside no currency.", "Enter the currency."
