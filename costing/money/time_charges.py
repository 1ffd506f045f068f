"""What is charged for time: storage per litre-year and bottle-year.

Each charge is a dated curve of money per unit-year over a set of states; it accrues evenly while they hold
something, so cutting a lot or changing a rate inside an interval changes nothing. Pools shared out by what is
held: `costing.money.pools`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from costing.array_types import Flags, Floats, Ints
from costing.calendar import month_ends
from costing.engine.carrying import AccrualCurve
from costing.graph.arrays import BOTTLE, LITRE, STAGES, codes
from costing.graph.states import Chain
from costing.inputs.estate import Estate
from costing.inputs.in_force import row_in_force
from costing.money.indices import price_factors
from costing.money.postings import MONEY_COLUMNS, TABLE_OF_COLUMN
from costing.money.rates import RatesInForce
from costing.once import asked_once

TIME_DRIVERS = ("litre-year", "bottle-year")
STEP_DAYS = 30
"""Escalating plans and replacement prices change their rate in steps of this many days."""
RATES = MONEY_COLUMNS.index(("operation_rates", "amount"))


@dataclass(frozen=True)
class TimeCharge:
    """One charge per unit-year on the states that bear it; column (of `MONEY_COLUMNS`) and rows name its source cells,
    since when each row holds. bears: of every state, whether a stay in it would bear the charge, whatever it holds.
    periods: of a pool, the positions among `costing.money.pools.Pools`.
    """

    states: Ints
    bears: Flags
    curve: AccrualCurve
    element: int
    column: int
    rows: Ints
    since: Ints
    periods: Ints

    @property
    def table(self) -> int:
        """Table of its cells, as a position in `TABLE_NAMES`."""
        return int(TABLE_OF_COLUMN[self.column])


def storage_charges(estate: Estate, chain: Chain, elements: pd.Index, at_prices_of: int | None) -> list[TimeCharge]:
    """Operation rates per litre-year and bottle-year. at_prices_of: day whose prices replace the dated ones
    (None: no): by the index of the element or, without one, by the row in force on that day.
    """
    rates = RatesInForce(estate, chain, "operation_rates", elements, at_prices_of)
    frame = estate["operation_rates"]
    driver = codes(frame["driver"], TIME_DRIVERS)
    charges = []
    for series in rates.dated.series:
        first, begins = series[0], rates.since[series]
        if driver[first] < 0:
            continue
        borne, bears = bearers(chain, driver[first] == 1, int(rates.stage[first]), int(rates.format[first]))
        newest = rates.newest(series)
        if newest >= 0:
            rows, begins = np.array([newest]), begins[:1]
            steps, row, priced = begins, rows, np.array([at_prices_of])
        else:
            rows, steps = series, begins
            if at_prices_of is not None:
                steps = np.union1d(steps, np.arange(int(begins[0]), chain.horizon_day, STEP_DAYS))
            if rates.yearly[series].any():
                planned = np.arange(max(chain.valuation_day, int(begins[0])), chain.horizon_day, STEP_DAYS)
                steps = np.union1d(steps, planned)
            row, priced = row_in_force(series, rates.since, steps), steps
        rate = rates.on(row, priced)
        if at_prices_of is not None:
            element = np.full(len(steps), rates.element[first])
            rate = rate * price_factors(estate, elements, element, steps, at_prices_of)
        curve = AccrualCurve(steps, rate)
        charges.append(TimeCharge(borne, bears, curve, int(rates.element[first]), RATES, rows, begins, series[:0]))
    return charges


def by_month(charge: TimeCharge, borne: Ints, chain: Chain, until: int) -> tuple[Ints, Ints, Floats]:
    """What a charge comes to month by month on some of its states, up to the end of a day: last day of each month, the
    row in force on it, amount.
    """
    states = chain.states
    first = int(states.start.min(initial=until))
    day = np.arange(first, max(min(until, chain.horizon_day) + 1, first + 1), dtype=np.int64)
    n = len(day) + 1
    start, end = (np.clip(edge[borne] - first, 0, n - 1) for edge in (states.start, states.end))
    quantity = np.cumsum(np.bincount(start, states.quantity[borne], n) - np.bincount(end, states.quantity[borne], n))
    ends = month_ends(first, day[-1]).clip(max=day[-1])
    amount = np.bincount(np.searchsorted(ends, day), charge.curve.amount(day, day + 1) * quantity[:-1], len(ends))
    row = charge.rows[np.maximum(np.searchsorted(charge.since, ends, side="right") - 1, 0)]
    amount = np.where(np.abs(amount) > 1e-9, amount, 0.0)  # what rounding leaves when lots have gone
    some = amount != 0
    return ends[some], row[some], np.asarray(amount[some], dtype=np.float64)


@asked_once
def bearers(
    chain: Chain, bottles: bool, stage: int, form: int, place: int = -1, location: Ints | None = None
) -> tuple[Ints, Flags]:
    """States that hold something for a time and fit what a charge names (−1: all), and whether each state fits."""
    kind, unit, form_of, stage_of, keeps = _kinds_of_state(chain)
    wanted = unit == (BOTTLE if bottles else LITRE)
    if stage >= 0:
        wanted &= stage_of == stage
    if form >= 0:
        wanted &= form_of == form
    fits = np.append(wanted, False)[kind]
    if place >= 0 and location is not None:
        fits &= location == place
    return np.flatnonzero(fits & keeps), fits


@asked_once
def _kinds_of_state(chain: Chain) -> tuple[Ints, Ints, Ints, Ints, Flags]:
    """Kind of each state (−1: in no lot): unit, format and stage of each kind; whether each state holds something for a
    time.
    """
    states, lots = chain.states, chain.lots
    formats, stages = lots.format.max(initial=0) + 2, len(STAGES)
    every = np.arange((BOTTLE + 1) * formats * stages)
    lot = np.maximum(states.lot, 0)
    kind = ((lots.unit * formats + lots.format + 1) * stages)[lot] + states.stage
    keeps = (states.quantity > 0) & (states.end > states.start)
    kinds = every // stages // formats, every // stages % formats - 1, every % stages
    return np.where(states.lot >= 0, kind, -1).astype(np.int16), *kinds, keeps
