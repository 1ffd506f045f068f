"""What a cost element would cost at the valuation date: index then over index at the time, and its yearly
change after the last index.

Where an element has no index, its rates and prices are those of the newest row in force at the valuation date
(`costing.money.rates`, `costing.money.time_charges`, `costing.money.postings.delivery_prices`); with neither it keeps
what was paid. Between two dated indexes the level moves evenly; before the first it is the first.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.array_types import Flags, Floats, Ints
from costing.calendar import DAYS_A_YEAR
from costing.graph.arrays import codes, days
from costing.inputs.estate import Estate


def has_index(estate: Estate, elements: pd.Index) -> Flags:
    """Whether the Price indices sheet speaks of each element."""
    frame = estate["price_indices"]
    return np.asarray(elements.isin(frame["element"][frame["index"].notna()]))


def price_factors(estate: Estate, elements: pd.Index, element: Ints, day: Ints, at_day: int) -> Floats:
    """Price level of each element on `at_day` over its level on each `day`."""
    frame = estate["price_indices"]
    index, when = frame["index"].to_numpy(), days(frame["on_date"])
    yearly = np.nan_to_num(frame["escalation"].to_numpy())
    known = codes(frame["element"], elements)
    factor = np.ones(len(day))
    for number in np.unique(known[(known >= 0) & ~np.isnan(index)]):
        rows = np.flatnonzero((known == number) & ~np.isnan(index))
        rows = rows[np.argsort(when[rows], kind="stable")]
        last, change = when[rows[-1]], yearly[rows[-1]]

        def level(day: Ints, rows: Ints = rows, last: int = int(last), change: float = float(change)) -> Floats:
            steady = np.interp(day, when[rows], index[rows])
            return np.asarray(steady * (1.0 + change) ** (np.maximum(day - last, 0) / DAYS_A_YEAR))

        here = element == number
        factor[here] = level(np.array([at_day]))[0] / level(day[here])
    return factor
