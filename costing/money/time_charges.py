"""What is charged for time: storage per litre-year and bottle-year, and pools shared out by what is held.

Each charge is a dated curve of money per unit-year over a set of states; it accrues evenly while they hold
something, so cutting a lot or changing a rate inside an interval changes nothing. A pool's rate is its amount
over the larger of its normal capacity and the unit-years held in its period (`costing.engine.pools`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from costing.engine.carrying import DAYS_A_YEAR, AccrualCurve
from costing.engine.pools import open_period
from costing.graph.arrays import BOTTLE, LITRE, OPERATIONS, STAGES, Floats, Ints, codes, days
from costing.graph.states import Chain
from costing.inputs.estate import Estate
from costing.inputs.in_force import row_in_force, series_of
from costing.money.indices import price_factors
from costing.money.postings import TABLE_NAMES
from costing.money.rates import FORMATS, escalated, locations

TIME_DRIVERS = ("litre-year", "bottle-year")
STEP_DAYS = 30
"""Escalating plans and replacement prices change their rate in steps of this many days."""


@dataclass(frozen=True)
class TimeCharge:
    """One charge per unit-year on the states that bear it; table and rows name its source cells, since when
    each row holds.
    """

    states: Ints
    curve: AccrualCurve
    element: int
    table: int
    rows: Ints
    since: Ints


@dataclass(frozen=True)
class Idle:
    """Part of a time pool that nothing absorbed: amount, element, stage, day, row of Pools."""

    amount: Floats
    element: Ints
    stage: Ints
    day: Ints
    row: Ints


def storage_charges(estate: Estate, chain: Chain, elements: pd.Index, at_prices_of: int | None) -> list[TimeCharge]:
    """Operation rates per litre-year and bottle-year. at_prices_of: day whose prices replace the dated ones
    (None: no).
    """
    frame = estate["operation_rates"]
    driver, stage = codes(frame["driver"], pd.Index(TIME_DRIVERS)), codes(frame["stage"], pd.Index(STAGES))
    operation = codes(frame["operation"], pd.Index(OPERATIONS))
    form, element = codes(frame["format"], FORMATS), codes(frame["element"], elements)
    since, amount = days(frame["from_date"]), frame["amount"].to_numpy()
    yearly = np.nan_to_num(frame["escalation"].to_numpy())
    charges = []
    for rows in series_of([driver, operation, stage, form, element], since):
        first = rows[0]
        if driver[first] < 0:
            continue
        borne = _bearers(chain, driver[first] == 1, int(stage[first]), int(form[first]))
        steps = since[rows]
        more = np.arange(max(chain.valuation_day, int(steps[0])), chain.horizon_day, STEP_DAYS)
        if at_prices_of is not None:
            steps = np.union1d(steps, np.arange(int(steps[0]), chain.horizon_day + 1, STEP_DAYS))
        if yearly[rows].any():
            steps = np.union1d(steps, more)
        row = row_in_force(rows, since, steps)
        rate = escalated(amount[row], yearly[row], since[row], steps, chain.valuation_day)
        if at_prices_of is not None:
            one = np.full(len(steps), element[first])
            rate = rate * price_factors(estate, elements, one, steps, at_prices_of)
        curve = AccrualCurve(steps, rate)
        table = TABLE_NAMES.index("operation_rates")
        charges.append(TimeCharge(borne, curve, int(element[first]), table, rows, since[rows]))
    return charges


def _bearers(chain: Chain, bottles: bool, stage: int, form: int, place: int = -1, location: Ints | None = None) -> Ints:
    states, lots = chain.states, chain.lots
    at = np.flatnonzero((states.lot >= 0) & (states.quantity > 0) & (states.end > states.start))
    lot = states.lot[at]
    borne = lots.unit[lot] == (BOTTLE if bottles else LITRE)
    if stage >= 0:
        borne &= states.stage[at] == stage
    if form >= 0:
        borne &= lots.format[lot] == form
    if place >= 0 and location is not None:
        borne &= location[at] == place
    return np.asarray(at[borne])


def time_pools(
    estate: Estate, chain: Chain, elements: pd.Index, location: Ints, at_prices_of: int | None
) -> tuple[list[TimeCharge], Idle]:
    """Pools shared out by litre-years and bottle-years, one charge per series of periods, and what stays
    idle.
    """
    frame = estate["pools"]
    driver = codes(frame["driver"], pd.Index(TIME_DRIVERS))
    stage, place = codes(frame["stage"], pd.Index(STAGES)), codes(frame["location"], locations(estate))
    name = codes(frame["pool"], pd.Index(frame["pool"].cat.categories))
    element = codes(frame["element"], elements)
    begin, last = days(frame["from_date"]), days(frame["to_date"])
    amount, normal = frame["amount"].to_numpy(), np.nan_to_num(frame["normal_capacity"].to_numpy())
    charges: list[TimeCharge] = []
    idle = np.zeros(len(frame))
    for rows in series_of([driver, stage, place, name, element], begin):
        first = rows[0]
        if driver[first] < 0:
            continue
        borne = _bearers(chain, driver[first] == 1, int(stage[first]), -1, int(place[first]), location)
        # stock is dated at the end of its day: a year runs from one 31 December to the next
        since, stop = begin[rows] - 1, last[rows]
        cut = np.clip(chain.valuation_day, since, stop)
        done = _unit_years(chain, borne, since, cut)
        planned = _unit_years(chain, borne, cut, stop)
        period = open_period(amount[rows], begin[rows], last[rows], chain.valuation_day, done, planned, normal[rows])
        idle[rows] = period.actual.unabsorbed + period.planned.unabsorbed
        steps = np.concatenate([since, cut, stop])
        rates = np.concatenate([period.actual.rate, period.planned.rate, np.zeros(len(rows))])
        order = np.lexsort((np.repeat([1, 2, 0], len(rows)), steps))
        plans = np.concatenate([np.ones(len(rows), bool), cut < stop, np.ones(len(rows), bool)])
        order = order[plans[order]]  # a closed period has no planned part
        steps, rates = steps[order], rates[order]
        final = np.r_[steps[1:] != steps[:-1], True]  # of the steps on one day the last one holds
        steps, rates = steps[final], rates[final]
        if at_prices_of is not None:
            one = np.full(len(steps), element[first])
            rates = rates * price_factors(estate, elements, one, steps, at_prices_of)
        table = TABLE_NAMES.index("pools")
        charges.append(TimeCharge(borne, AccrualCurve(steps, rates), int(element[first]), table, rows, since))
    left = np.flatnonzero((driver >= 0) & (np.abs(idle) > 1e-9 * np.abs(amount)))
    return charges, Idle(idle[left], element[left], np.maximum(stage[left], 0), last[left], left)


def _unit_years(chain: Chain, borne: Ints, begin: Ints, stop: Ints) -> Floats:
    """Quantity × years held by the states `borne` in each period [begin, stop)."""
    states = chain.states
    start, end, quantity = states.start[borne], states.end[borne], states.quantity[borne]
    if not len(borne):
        return np.zeros(len(begin))
    low = min(int(start.min()), int(begin.min()))
    span = max(int(end.max()), int(stop.max())) - low + 2
    change = np.bincount(start - low, quantity, span) - np.bincount(end - low, quantity, span)
    held = np.concatenate([[0.0], np.cumsum(np.cumsum(change))])
    return np.asarray((held[stop - low] - held[begin - low]) / DAYS_A_YEAR)
