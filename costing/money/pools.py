"""Cost pools: what each charges by what happens (kg, loads, bottles through a line) or by what is held (litre-years,
bottle-years), and what nothing absorbs.

Rule: the rates of a period are those of `costing.engine.pools`. A pool that serves other pools hands its amount to
them by the method of the Settings; what arrives is charged by their drivers and traced to the cell it came from. A
plan dated after the last period of a pool bears that period's rate on normal capacity (without one: on what was
used), and one caution names the pools. A period that was over when the records begin has no other use. What is
idle, or not yet used, is expensed on the last day of the period.

Conventions: the last period of a pool is the latest among all rows of its name; a period of amount 0 ends it.
"""

from __future__ import annotations

from collections import Counter
from copy import copy
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd

from costing.array_types import Flags, Floats, Ints
from costing.calendar import DAYS_A_YEAR
from costing.engine.carrying import AccrualCurve
from costing.engine.pools import SERVICE_METHODS, OpenPeriod, Period, open_period
from costing.errors import Finding, caution
from costing.graph.arrays import BLANK_DAY, STAGES, codes, days
from costing.graph.states import Chain
from costing.inputs.estate import Estate
from costing.inputs.in_force import series_of
from costing.money.events import Events
from costing.money.indices import price_factors
from costing.money.postings import FLOW_DRIVERS, MONEY_COLUMNS, Bearers, Postings, posted
from costing.money.rates import locations
from costing.money.time_charges import STEP_DAYS, TIME_DRIVERS, TimeCharge, bearers
from costing.once import Once, asked_once

COLUMN = ("pools", "amount")
_Charged = tuple[Ints, Floats, Flags, Flags]


class PoolRows(NamedTuple):
    """Amounts to be charged: source, the row of Pools where each was entered; target, the row whose driver shares it
    out (the same but for what a service pool hands on).
    """

    source: Ints
    target: Ints
    amount: Floats


def pool_rows(estate: Estate) -> PoolRows:
    """Rows of Pools with what service pools hand to them."""
    frame = estate["pools"]
    serves, cost = frame["serves"].notna().to_numpy(), frame["amount"].to_numpy()
    own = np.flatnonzero(~serves)
    parts = [(own, own, cost[own])]
    if serves.any():
        begin, last = days(frame["from_date"]), days(frame["to_date"])
        periods = np.unique(np.stack([begin, last])[:, serves], axis=1).T
        parts += [_handed_on(estate, np.flatnonzero((begin == first) & (last == end))) for first, end in periods]
    source, target, amount = (np.concatenate(column) for column in zip(*parts, strict=True))
    return PoolRows(source, target, amount)


def _handed_on(estate: Estate, rows: Ints) -> tuple[Ints, Ints, Floats]:
    """What the service pools among `rows` (one period) hand to the pools with a driver: source, target, amount."""
    frame = estate["pools"].iloc[rows]
    name, to = frame["pool"].astype(object).to_numpy(), frame["serves"].astype(object).to_numpy()
    served = ~pd.isna(to)
    part, cost = frame["share"].fillna(1.0).to_numpy(), frame["amount"].to_numpy()
    services, bearing = pd.Index(pd.unique(name[served])), np.flatnonzero(~served)
    among = np.zeros((len(services), len(services)))
    outward = np.zeros((len(services), len(bearing)))
    for row in np.flatnonzero(served):
        giver = services.get_loc(name[row])
        if to[row] in services:
            among[giver, services.get_loc(to[row])] += part[row]
        receives = name[bearing] == to[row]
        if receives.any():
            weight = np.abs(cost[bearing]) * receives
            weight = weight if weight.any() else receives.astype(float)
            outward[giver] += part[row] * weight / weight.sum()
    method = SERVICE_METHODS[estate.settings.service_method]
    spent = np.flatnonzero(served & (cost != 0))
    reached = [cost[row] * method(services == name[row], among, outward) for row in spent]
    amount = np.array(reached).reshape(len(spent), len(bearing))
    giver, taker = np.nonzero(amount)
    return rows[spent[giver]], rows[bearing[taker]], amount[giver, taker]


def _times_before(keys: Ints) -> Ints:
    """How often the keys of each row [keys, rows] stand in the rows before it."""
    seen: Counter[tuple[int, ...]] = Counter()
    times = []
    for key in zip(*keys.tolist(), strict=True):
        times.append(seen[key])
        seen[key] += 1
    return np.array(times, dtype=np.int64)


@dataclass(frozen=True)
class PoolCharges:
    """What pools charge: postings by what happens, with all that stays idle (state −1), charges for time, and the
    rows of Pools whose last period is carried on or that are split by days for want of a normal capacity.
    """

    postings: Postings
    timed: tuple[TimeCharge, ...]
    carried_on: Ints
    by_days: Ints


class Pools(Once):
    """The Pools sheet of an estate on its chain, with the columns as arrays, one value per `pool_rows` row."""

    def __init__(self, estate: Estate, chain: Chain, elements: pd.Index, location: Ints) -> None:
        frame = estate["pools"]
        self.estate, self.chain, self.elements, self.location = estate, chain, elements, location
        self.rows = pool_rows(estate)
        target = self.rows.target
        self.flow_driver = codes(frame["driver"], FLOW_DRIVERS)[target]
        self.time_driver = codes(frame["driver"], TIME_DRIVERS)[target]
        self.stage = codes(frame["stage"], STAGES)[target]
        self.place = codes(frame["location"], locations(estate))[target]
        self.begin, self.last = days(frame["from_date"])[target], days(frame["to_date"])[target]
        self.normal = np.nan_to_num(frame["normal_capacity"].to_numpy())[target]
        self.element = codes(frame["element"], elements)[self.rows.source]
        self.pool = frame["pool"].astype(object).to_numpy()
        name = pd.factorize(self.pool)[0][target]
        ends = np.full(len(self.pool), BLANK_DAY)
        np.maximum.at(ends, name, self.last)
        self.is_last = self.last == ends[name]
        self._rate_after = np.zeros(len(target))  # of plans after each period, once it is charged
        self._beside = np.zeros((len(target), 2))
        self._charged: dict[int, _Charged] = {}

    def beside(self, taken: Floats) -> Pools:
        """The same before anything is charged, where goods of others take so much of each row's driver [rows, 2]: done
        and planned.
        """
        pools = copy(self)
        pools._beside, pools._rate_after = taken, np.zeros(len(taken))
        return pools

    def taken(self, events: Events) -> Floats:
        """What these goods take of each row's driver in its period: done and planned [rows, 2]."""
        quantity, today = np.zeros((len(self.begin), 2)), self.chain.valuation_day
        for row in np.flatnonzero(self.flow_driver >= 0):
            _, used, done, after = self._bearing(int(row), events)
            quantity[row] = used[done].sum(), used[~done & ~after].sum()
        timed = np.flatnonzero(self.time_driver >= 0)
        for series in series_of([key[timed] for key in (self.time_driver, self.stage, self.place)], self.begin[timed]):
            rows = timed[series]
            since, stop = self.begin[rows] - 1, self.last[rows]
            cut = np.clip(today, since, stop)
            borne, _ = self._holding(int(rows[0]))
            quantity[rows] = np.stack([unit_years(self.chain, borne, *part) for part in ((since, cut), (cut, stop))]).T
        return quantity

    def of_events(self, events: Events) -> PoolCharges:
        """Pools whose driver is something that happens."""
        rows, today = np.flatnonzero(self.flow_driver >= 0), self.chain.valuation_day
        none = np.zeros(0, dtype=np.int64)
        parts: list[_Charged] = [(none, np.zeros(0), np.zeros(0, bool), np.zeros(0, bool))]
        parts += [self._bearing(row, events) for row in rows.tolist()]
        self._charged.clear()
        of = np.repeat(np.arange(len(rows)), [len(event) for event, *_ in parts[1:]])
        event, used, done, after = (np.concatenate(column) for column in zip(*parts, strict=True))
        taken = [np.bincount(of[when], used[when], len(rows)).astype(np.float64) for when in (done, ~done & ~after)]
        period = self.period(rows, taken[0], taken[1])
        self._rate_after[rows] = period.carried_on
        rate = np.where(done, period.actual.rate[of], np.where(after, period.carried_on[of], period.planned.rate[of]))
        row, amount = rows[of], used * rate
        bearers = events.bearers(event, self.flow_driver[row])
        charged = posted(
            COLUMN, self.rows.source[row], bearers, self.element[row], amount, shared_by=self.rows.target[row]
        )
        idle = self._idle(rows, period.actual.unabsorbed + period.planned.unabsorbed)
        carried = rows[np.bincount(of[after], amount[after] != 0, len(rows)) > 0]
        by_days = (self.flow_driver >= 0) & (self.normal <= 0) & (self.begin <= today) & (self.last > today)
        return PoolCharges(Postings.joined([charged, idle]), (), self.rows.target[carried], self.rows.target[by_days])

    def _bearing(self, row: int, events: Events) -> _Charged:
        """Events that a row is charged to, what each takes of its driver, whether it is done, and after the period."""
        if row not in self._charged:
            quantity, today = events.driver[self.flow_driver[row]], self.chain.valuation_day
            bearing = np.flatnonzero(events.primary & (quantity > 0))
            bearing = bearing[self._borne_on(row, events, bearing)]
            day = events.day[bearing]
            self._charged[row] = bearing, quantity[bearing], day <= today, day > max(self.last[row], today)
        return self._charged[row]

    def _holding(self, row: int) -> tuple[Ints, Flags]:
        """States that a row is charged to by what they hold, and whether each state would bear it."""
        bottles = TIME_DRIVERS[self.time_driver[row]] == "bottle-year"
        return bearers(self.chain, bottles, int(self.stage[row]), -1, int(self.place[row]), self.location)

    def _borne_on(self, row: int, events: Events, which: Ints) -> Flags:
        """Whether a row is charged to some of the events (the driver apart)."""
        day = events.day[which]
        bears = day >= self.begin[row]
        bears &= (day <= self.last[row]) | ((day > self.chain.valuation_day) & self.is_last[row])
        if self.stage[row] >= 0:
            bears &= events.stage[which] == self.stage[row]
        if self.place[row] >= 0:
            bears &= self.location[events.state[which]] == self.place[row]
        return np.asarray(bears)

    def period(
        self, row: int | Ints, done: Floats | float, planned: Floats | float, capacity: float | None = None
    ) -> OpenPeriod:
        """Rates of one or more rows by what was done and what is planned inside their period, beside what goods of
        others take; capacity: in place of the normal one.
        """
        normal = self.normal[row] if capacity is None else capacity
        seasonal = bool(np.all(self.flow_driver[row] >= 0))
        period = Period(self.rows.amount[row], self.begin[row], self.last[row], normal, seasonal)
        beside = self._beside[row].T
        return open_period(period, self.chain.valuation_day, done + beside[0], planned + beside[1])

    def capacity(self) -> Floats:
        """Driver quantity that each row of Pools is charged over, once it is: its normal capacity, else what was used
        in its period (0: nothing).
        """
        frame = self.estate["pools"]
        quantity = np.nan_to_num(frame["normal_capacity"].to_numpy())
        known = (self._rate_after != 0) & (self.normal <= 0)
        quantity[self.rows.target[known]] = self.rows.amount[known] / self._rate_after[known]
        return np.asarray(quantity)

    def _idle(self, rows: Ints, amount: Floats) -> Postings:
        """What nobody bears, on the last day of each period that was not over when the records begin."""
        records = int(self.chain.flows.day.min(initial=self.chain.valuation_day))
        kept = (np.abs(amount) > 1e-9 * np.abs(self.rows.amount[rows])) & (self.last[rows] > records)
        rows, amount = rows[kept], amount[kept]
        bearers = Bearers(np.full(len(rows), -1), np.maximum(self.stage[rows], 0), self.last[rows])
        return posted(COLUMN, self.rows.source[rows], bearers, self.element[rows], amount)

    @asked_once
    def of_time(self, at_prices_of: int | None) -> PoolCharges:
        """Pools shared out by what is held: one charge per series of periods. at_prices_of: day whose prices replace
        the dated ones (None: no).
        """
        timed = np.flatnonzero(self.time_driver >= 0)
        name = pd.factorize(self.pool)[0].astype(np.int64)
        giver, taker = name[self.rows.source], name[self.rows.target]
        keys = [self.time_driver, self.stage, self.place, taker, giver, self.element]
        beside = _times_before(np.stack([*keys, self.begin]))
        charges, idle, carried = [], [np.zeros(0)], []
        series = [timed[rows] for rows in series_of([key[timed] for key in [*keys, beside]], self.begin[timed])]
        for rows in series:
            charge, left, goes_on = self._of_time(rows, at_prices_of)
            charges.append(charge)
            idle.append(left)
            carried += [rows[-1]] if goes_on else []
        all_rows = np.concatenate([np.zeros(0, dtype=np.int64), *series])
        target = self.rows.target[np.array(carried, dtype=np.int64)]
        return PoolCharges(self._idle(all_rows, np.concatenate(idle)), tuple(charges), target, target[:0])

    def _of_time(self, rows: Ints, at_prices_of: int | None) -> tuple[TimeCharge, Floats, bool]:
        """Charge of one series of periods, what stays idle of each, and whether plans bear it after the last one."""
        first, final, today = rows[0], rows[-1], self.chain.valuation_day
        borne, bears = self._holding(int(first))
        # stock is dated at the end of its day: a year runs from one 31 December to the next
        since, stop = self.begin[rows] - 1, self.last[rows]
        cut = np.clip(today, since, stop)
        done, planned = unit_years(self.chain, borne, since, cut), unit_years(self.chain, borne, cut, stop)
        period = self.period(rows, done, planned)
        self._rate_after[rows] = period.carried_on
        after = max(int(stop[-1]), today)
        endless = period.carried_on[-1:] if self.is_last[final] else np.zeros(1)
        steps = np.concatenate([since, cut, stop, [after]])
        rates = np.concatenate([period.actual.rate, period.planned.rate, np.zeros(len(rows)), endless])
        order = np.lexsort((np.append(np.repeat([1, 2, 0], len(rows)), 3), steps))
        plans = np.concatenate([np.ones(len(rows), bool), cut < stop, np.ones(len(rows) + 1, bool)])
        order = order[plans[order]]  # a closed period has no planned part
        steps, rates = steps[order], rates[order]
        holds = np.r_[steps[1:] != steps[:-1], True]  # of the steps on one day the last one holds
        steps, rates = steps[holds], rates[holds]
        if at_prices_of is not None:
            days_of_steps = np.union1d(steps, np.arange(int(steps[0]), self.chain.horizon_day, STEP_DAYS))
            rates, steps = rates[np.searchsorted(steps, days_of_steps, side="right") - 1], days_of_steps
            element = np.full(len(steps), self.element[first])
            rates = rates * price_factors(self.estate, self.elements, element, steps, at_prices_of)
        source = self.rows.source[rows]
        curve = AccrualCurve(steps, rates)
        column = MONEY_COLUMNS.index(COLUMN)
        charge = TimeCharge(borne, bears, curve, int(self.element[first]), column, source, since, rows)
        goes_on = bool(endless[0] != 0 and (self.chain.states.end[borne] > after).any())
        return charge, period.actual.unabsorbed + period.planned.unabsorbed, goes_on


def unit_years(chain: Chain, borne: Ints, begin: Ints, stop: Ints, per_unit: Floats | float = 1.0) -> Floats:
    """Quantity × years held by the states `borne` in each period [begin, stop). per_unit: what one of each counts."""
    states = chain.states
    start, end, quantity = states.start[borne], states.end[borne], states.quantity[borne] * per_unit
    if not len(borne):
        return np.zeros(len(begin))
    low = min(int(start.min()), int(begin.min()))
    span = max(int(end.max()), int(stop.max())) - low + 2
    change = np.bincount(start - low, quantity, span) - np.bincount(end - low, quantity, span)
    unit_days = np.concatenate([[0.0], np.cumsum(np.cumsum(change))])
    return np.asarray((unit_days[stop - low] - unit_days[begin - low]) / DAYS_A_YEAR)


def pool_cautions(estate: Estate, carried_on: Ints, by_days: Ints) -> list[Finding]:
    """One caution that names the pools carried on past their last period, and one for those split by days."""
    cautions = []
    for rows, column, rule, remedy in (
        (
            carried_on,
            "to_date",
            "is the last day of {names}, but plans go beyond it: they are charged at its last rate.",
            "Enter the next period; a period with an amount of 0 ends the pool.",
        ),
        (
            by_days,
            "normal_capacity",
            "no normal capacity is given for {names}: until its period ends, its amount goes by days, not by work.",
            "Enter the kilograms, loads, litres or bottles of a normal period.",
        ),
    ):
        if not len(rows):
            continue
        first = int(rows.min())
        names = " and ".join(dict.fromkeys(f"'{name}'" for name in estate["pools"]["pool"].iloc[np.unique(rows)]))
        value = str(estate["pools"]["to_date"].iloc[first].date()) if column == "to_date" else ""
        cautions.append(caution(estate.place("pools", first, column), value, rule.format(names=names), remedy))
    return cautions
