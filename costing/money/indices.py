"""What a cost element would cost at the valuation date: index then over index at the time, and its yearly
change after the last index.

Where an element has no index, its rates and prices are those of the newest row in force at the valuation date
(`costing.money.rates`, `costing.money.time_charges`, `costing.money.postings.delivery_prices`); with neither it keeps
what was paid. Between two dated indexes the level moves evenly; before the first it is the first.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from costing.array_types import Flags, Floats, Ints
from costing.calendar import DAYS_A_YEAR
from costing.graph.arrays import codes, days
from costing.inputs.estate import Estate
from costing.inputs.in_force import by_date
from costing.once import asked_once


class _Level(NamedTuple):
    """Price level of an element: days and their indexes, in time order, and its yearly change after the last."""

    day: Ints
    indexes: Floats
    yearly: float

    def on(self, day: Ints) -> Floats:
        steady = np.interp(day, self.day, self.indexes)
        return np.asarray(steady * (1.0 + self.yearly) ** (np.maximum(day - self.day[-1], 0) / DAYS_A_YEAR))


@asked_once
def _levels(estate: Estate, elements: pd.Index) -> dict[int, _Level]:
    """Level of each element that the Price indices sheet speaks of."""
    frame = estate["price_indices"]
    index, when = frame["index"].to_numpy(), days(frame["on_date"])
    yearly = np.nan_to_num(frame["escalation"].to_numpy())
    known = np.where(np.isnan(index), -1, codes(frame["element"], elements))
    levels = {}
    for number in np.unique(known[known >= 0]).tolist():
        rows = by_date(np.flatnonzero(known == number), when)
        levels[number] = _Level(when[rows], index[rows], float(yearly[rows[-1]]))
    return levels


def has_index(estate: Estate, elements: pd.Index) -> Flags:
    """Whether the Price indices sheet speaks of each element."""
    spoken_of = np.zeros(len(elements), dtype=bool)
    spoken_of[list(_levels(estate, elements))] = True
    return spoken_of


def price_factors(estate: Estate, elements: pd.Index, element: Ints, day: Ints, at_day: int) -> Floats:
    """Price level of each element on `at_day` over its level on each `day`."""
    factor = np.ones(len(day))
    for number, level in _levels(estate, elements).items():
        here = np.flatnonzero(element == number)
        if len(here):
            factor[here] = level.on(np.array([at_day]))[0] / level.on(day[here])
    return factor
