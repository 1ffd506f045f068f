"""How the money in a set of states answers to quantities: what was paid per kilogram, litre or bottle, and for time.

    posting = rate × driver, so d posting = posting · d driver/driver

A delivery follows its quantity, an operation rate its driver, dry goods the bottles, storage the quantity held. A
pool's rate is its amount over its driver or its normal capacity, so what one user adds the others lose
(`costing.engine.pools`). A direct cost on a lot that was empty is shared by what had arrived in it. Other direct costs,
opening costs and credits are amounts: no quantity moves them.

What it does not do: say how one quantity follows another (`decisions.changes.quantity_gradients`). Nothing is claimed
where a pool's driver just equals its normal capacity.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from costing.decisions.changes.gradients import charged_between, worth_of_postings
from costing.engine.carrying import DAYS_A_YEAR
from costing.graph.arrays import Floats, Flow, Ints, codes
from costing.money.charges import Accrued
from costing.money.events import FLOW_DRIVERS
from costing.money.pools import Pools
from costing.money.postings import TABLE_NAMES, Postings, joined
from costing.results.results import Results

KG, LITRE, BOTTLE_IN, BOTTLE_OUT, LOAD = range(len(FLOW_DRIVERS))
_STEP = 1e-5


@dataclass(frozen=True, eq=False)
class Driven:
    """Derivatives of a figure by quantities, each by itself: drawn and received by each flow [flows], held in each
    state [states] (of a press load: by its scale, per kilogram), and by the normal capacity of each pool [pools].
    """

    out: Floats
    into: Floats
    held: Floats
    capacity: Floats


def driven_money(results: Results, grown: Floats) -> Driven:
    """Derivatives of the worth of a set of states by what its postings are charged by.

    grown: weight of each state's posting in the set, capital included [states].
    """
    flows, states = results.chain.flows, results.chain.states
    pools = len(results.estate["pools"])
    found = Driven(np.zeros(len(flows)), np.zeros(len(flows)), np.zeros(len(states)), np.zeros(pools))
    every = results.charges.postings
    brought = grown[every.state] * worth_of_postings(results)
    for name in ("deliveries", "grape_prices"):
        at = np.flatnonzero(every.table == TABLE_NAMES.index(name))
        np.add.at(found.into, every.flow[at], ratio(brought[at], flows.into[every.flow[at]]))
    at = np.flatnonzero(every.table == TABLE_NAMES.index("pressings"))
    at = at[every.element[at] != results.charges.elements.get_loc("by-product credit")]
    load = states.batch_state[flows.batch[every.flow[at]]]
    np.add.at(found.held, load, ratio(brought[at], states.quantity[load]))
    for name, driver in (("operation_rates", _rate_drivers(results)), ("dry_goods", _dry_goods_drivers(results))):
        at = np.flatnonzero(every.table == TABLE_NAMES.index(name))
        _by_driver(results, found, driver[every.row[at]], every.flow[at], brought[at])
    _pools(results, found, every, brought)
    _shared_costs(results, found, brought)
    for part in results.charges.accrued:
        if part.expensed:
            continue
        at = part.states
        found.held[at] += grown[at] * ratio(part.worth, states.quantity[at])
        if TABLE_NAMES[part.charge.table] == "pools":
            _time_pool(results, found, part, grown)
    return found


def _shared_costs(results: Results, found: Driven, brought: Floats) -> None:
    """Costs on lots that were empty, each part amount · q/Σq of what had arrived; one that is whole never moves."""
    flows, every = results.chain.flows, results.charges.postings
    at = np.flatnonzero(every.table == TABLE_NAMES.index("costs"))
    flow, row, size = every.flow[at], every.row[at], len(results.estate["costs"])
    of_row = ratio(_sums(row, brought[at], size), _sums(row, flows.into[flow], size))
    shared = np.bincount(row, minlength=size)[row] > 1
    np.add.at(found.into, flow[shared], (ratio(brought[at], flows.into[flow]) - of_row[row])[shared])


def ratio(amount: Floats, quantity: Floats) -> Floats:
    """Amount per quantity; 0 where there is none."""
    return np.divide(amount, quantity, out=np.zeros(len(amount)), where=quantity != 0)


def _sums(place: Ints, amount: Floats, places: int) -> Floats:
    return np.asarray(np.bincount(place, amount, places), dtype=np.float64)


def _rate_drivers(results: Results) -> Ints:
    return codes(results.estate["operation_rates"]["driver"], pd.Index(FLOW_DRIVERS))


def _dry_goods_drivers(results: Results) -> Ints:
    return np.where(results.estate["dry_goods"]["presentation"].notna(), BOTTLE_IN, BOTTLE_OUT)


def _by_driver(results: Results, found: Driven, driver: Ints, flow: Ints, brought: Floats) -> None:
    """Add what postings brought, each by the driver of the operation that its flow was."""
    flows = results.chain.flows
    kind, n_loads = flows.kind, max(len(flows.load_names), 1)
    pressed, delivered = kind[flow] == Flow.PRESS_IN, kind[flow] == Flow.DELIVERY
    into = (driver == BOTTLE_OUT) | (delivered & ((driver == KG) | (driver == LITRE)))
    out = ~into & ~pressed & ((driver == LITRE) | (driver == BOTTLE_IN))
    for chosen, slope, quantity in ((into & ~pressed, found.into, flows.into), (out, found.out, flows.out)):
        np.add.at(slope, flow[chosen], ratio(brought[chosen], quantity[flow[chosen]]))
    for wanted, part, slope, quantity in (
        (KG, Flow.PRESS_IN, found.out, flows.out),
        (LITRE, Flow.PRESS_OUT, found.into, flows.into),
    ):
        chosen = pressed & (driver == wanted)
        of_load = _sums(flows.batch[flow[chosen]], brought[chosen], n_loads)
        rows = np.flatnonzero(kind == part)
        whole = _sums(flows.batch[rows], quantity[rows], n_loads)
        slope[rows] += ratio(of_load, whole)[flows.batch[rows]]


def _driver_quantity(results: Results, driver: int, flow: Ints) -> Floats:
    """How much of a driver the operations of flows took."""
    flows, lots = results.chain.flows, results.chain.lots
    kind, n_loads = flows.kind, max(len(flows.load_names), 1)
    per_unit = np.append(np.nan_to_num(lots.litres_per_unit), 0.0)
    pressed, delivered = kind[flow] == Flow.PRESS_IN, kind[flow] == Flow.DELIVERY
    if driver == LOAD:
        return np.ones(len(flow))
    if driver in (BOTTLE_IN, BOTTLE_OUT):
        return (flows.out if driver == BOTTLE_IN else flows.into)[flow]
    given = flows.into[flow] * (1.0 if driver == KG else per_unit[flows.target[flow]])
    drawn = flows.out[flow] * per_unit[flows.source[flow]]
    rows = np.flatnonzero(kind == (Flow.PRESS_IN if driver == KG else Flow.PRESS_OUT))
    of_load = _sums(flows.batch[rows], (flows.out if driver == KG else flows.into)[rows], n_loads)
    loads = of_load[np.where(pressed, flows.batch[flow], 0)]
    return np.where(pressed, loads, np.where(delivered, given, drawn))


@dataclass(frozen=True)
class _RateSlopes:
    """Relative change of the actual rate of a pool, the planned one and the one carried on, [3] each: per unit of what
    was done, of what is planned, and of its normal capacity.
    """

    by_done: Floats
    by_plan: Floats
    by_capacity: Floats


def _rate_slopes(pools: Pools, row: int, done: float, planned: float, *, seasonal: bool) -> _RateSlopes:
    """Slopes of the rates of one row of `pools`, by a central difference of its period."""
    here = np.array([done, planned, float(pools.normal[row])])

    def rates(at: Floats) -> Floats:
        period = pools.period(row, at[0], at[1], seasonal=seasonal, capacity=at[2])
        return np.array([float(period.actual.rate), float(period.planned.rate), float(period.carried_on)])

    base, slopes = rates(here), []
    for one in range(3):
        step = np.zeros(3)
        step[one] = _STEP * here[one]
        moved = ratio(rates(here + step) - rates(here - step), 2.0 * base) if here[one] > 0 else np.zeros(3)
        slopes.append(moved / step[one] if here[one] > 0 else moved)
    return _RateSlopes(*slopes)


def _pools(results: Results, found: Driven, every: Postings, brought: Floats) -> None:
    """Pools by a quantity that moves: each user's part, and what its use takes from the rate of all."""
    pools, charges = results.charges.pools, results.charges
    elsewhere = charges.expensed.take(charges.expensed.through < 0)  # not the part lost of what is in `every`
    users = joined([every, elsewhere])
    all_brought = np.concatenate([brought, np.zeros(len(elsewhere))])
    parts = [_users(results, pools, users, row) for row in np.flatnonzero(pools.flow_driver >= 0).tolist()]
    charged = _sums(
        np.concatenate([np.zeros(0, dtype=np.int64), *(part.posting for part in parts)]),
        np.concatenate([np.zeros(0), *(part.amount for part in parts)]),
        len(users),
    )
    for part in parts:
        worth = all_brought[part.posting] * ratio(part.amount, charged[part.posting])
        if not worth.any():
            continue
        slopes = _rate_slopes(pools, part.row, part.done, part.planned, seasonal=True)
        sums = _sums(part.time, worth, 3)
        by_use = np.select([part.time == 0, part.time == 1], [slopes.by_done @ sums, slopes.by_plan @ sums], 0.0)
        found.capacity[pools.rows.target[part.row]] += slopes.by_capacity @ sums
        driver = np.full(len(worth), int(pools.flow_driver[part.row]))
        _by_driver(results, found, driver, users.flow[part.posting], worth + by_use * part.used)


@dataclass(frozen=True)
class _Users:
    """Postings of one row of `pools`: quantity of the driver, amount charged, time (0 done, 1 planned in the period, 2
    after it), and the quantities done and planned.
    """

    row: int
    posting: Ints
    used: Floats
    amount: Floats
    time: Ints
    done: float
    planned: float


def _users(results: Results, pools: Pools, users: Postings, row: int) -> _Users:
    at = np.flatnonzero(
        (users.table == TABLE_NAMES.index("pools"))
        & (users.flow >= 0)
        & (users.row == pools.rows.source[row])
        & (users.element == pools.element[row])
        & pools.borne_on(row, users.incurred, users.stage, users.state)
    )
    used = _driver_quantity(results, int(pools.flow_driver[row]), users.flow[at])
    day, today = users.incurred[at], results.chain.valuation_day
    time = np.select([day <= today, day <= pools.last[row]], [0, 1], 2)
    done, planned = float(used[time == 0].sum()), float(used[time == 1].sum())
    period = pools.period(row, done, planned, seasonal=True)
    rate = np.array([float(period.actual.rate), float(period.planned.rate), float(period.carried_on)])
    return _Users(row, at, used, used * rate[time], time, done, planned)


def _time_pool(results: Results, found: Driven, part: Accrued, grown: Floats) -> None:
    """Pools by what is held: what one lot's stay takes from the rate of all."""
    states, charge, pools = results.chain.states, part.charge, results.charges.pools
    start, end, quantity = (values[charge.states] for values in (states.start, states.end, states.quantity))
    today, horizon = results.chain.valuation_day, int(end.max())
    for row, since in zip(charge.periods.tolist(), charge.since.tolist(), strict=True):
        stop = int(pools.last[row])
        cut = int(np.clip(today, since, stop))
        after = max(stop, today) if row == charge.periods[-1] else horizon
        years, sums = [], []
        for low, high in ((since, cut), (cut, stop), (after, max(after, horizon))):
            years.append(np.maximum(np.minimum(end, high) - np.maximum(start, low), 0) / DAYS_A_YEAR)
            at, worth = charged_between(results, part, low, high)
            sums.append(float(grown[at] @ worth))
        if not any(sums):
            continue
        done, planned = (float(one @ quantity) for one in years[:2])
        slopes = _rate_slopes(pools, row, done, planned, seasonal=False)
        for one, slope in zip(years, (slopes.by_done, slopes.by_plan), strict=False):
            np.add.at(found.held, charge.states, float(slope @ np.array(sums)) * one)
        found.capacity[pools.rows.target[row]] += slopes.by_capacity @ np.array(sums)
