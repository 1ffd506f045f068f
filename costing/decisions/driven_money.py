"""How the money in a set of states answers to quantities: what was paid per kilogram, litre or bottle, and for time.

    posting = rate × driver, so d posting = posting · d driver/driver

A delivery follows its quantity, an operation rate its driver, dry goods the bottles, storage the quantity held. A
pool's rate is its amount over its driver or its normal capacity, so what one user adds the others lose
(`costing.engine.pools`). Direct costs, opening costs and credits are amounts: no quantity moves them.

What it does not do: say how one quantity follows another (`costing.decisions.quantity_gradients`). Nothing is claimed
where a pool's driver just equals its normal capacity.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from costing.decisions.gradients import charged_between, worth_of_postings
from costing.engine.carrying import DAYS_A_YEAR
from costing.engine.pools import open_period
from costing.graph.arrays import Floats, Flow, Ints, codes, days
from costing.money.charges import Accrued
from costing.money.events import FLOW_DRIVERS
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
    for part in results.charges.accrued:
        if part.expensed:
            continue
        at = part.states
        found.held[at] += grown[at] * ratio(part.worth, states.quantity[at])
        if TABLE_NAMES[part.charge.table] == "pools":
            _time_pool(results, found, part, grown)
    return found


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
    """Relative change of the actual and the planned rate of a pool per unit of what was done, of what is planned, and
    of its normal capacity.
    """

    by_done: tuple[float, float]
    by_plan: tuple[float, float]
    by_capacity: tuple[float, float]


def _rate_slopes(results: Results, row: int, since: int, stop: int, done: float, planned: float) -> _RateSlopes:
    """Slopes of the rates of one pool, by a central difference of `open_period`."""
    frame = results.estate["pools"]
    capacity = float(np.nan_to_num(frame["normal_capacity"].iloc[row]))
    amount, today = float(frame["amount"].iloc[row]), results.chain.valuation_day
    here = np.array([done, planned, capacity])

    def rates(at: Floats) -> Floats:
        period = open_period(amount, since, stop, today, at[0], at[1], at[2])
        return np.array([float(period.actual.rate), float(period.planned.rate)])

    base, slopes = rates(here), []
    for one in range(3):
        step = np.zeros(3)
        step[one] = _STEP * here[one]
        moved = ratio(rates(here + step) - rates(here - step), 2.0 * base) if here[one] > 0 else np.zeros(2)
        slopes.append(moved / step[one] if here[one] > 0 else moved)
    return _RateSlopes(*((float(one[0]), float(one[1])) for one in slopes))


def _pools(results: Results, found: Driven, every: Postings, brought: Floats) -> None:
    """Pools by a quantity that moves: each user's part, and what its use takes from the rate of all."""
    frame, charges = results.estate["pools"], results.charges
    elsewhere = charges.expensed.take(charges.expensed.through < 0)  # not the part lost of what is in `every`
    all_users = joined([every, elsewhere])
    all_brought = np.concatenate([brought, np.zeros(len(elsewhere))])
    mine = (all_users.table == TABLE_NAMES.index("pools")) & (all_users.flow >= 0)
    drivers = codes(frame["driver"], pd.Index(FLOW_DRIVERS))
    begin, last = days(frame["from_date"]), days(frame["to_date"])
    for row in np.flatnonzero(drivers >= 0).tolist():
        at = np.flatnonzero(mine & (all_users.row == row))
        flow, worth = all_users.flow[at], all_brought[at]
        if not worth.any():
            continue
        driver = int(drivers[row])
        used = _driver_quantity(results, driver, flow)
        done = all_users.incurred[at] <= results.chain.valuation_day
        slopes = _rate_slopes(results, row, begin[row], last[row], used[done].sum(), used[~done].sum())
        sums = (worth[done].sum(), worth[~done].sum())
        by_use = np.where(done, _both(slopes.by_done, sums), _both(slopes.by_plan, sums))
        found.capacity[row] += _both(slopes.by_capacity, sums)
        _by_driver(results, found, np.full(len(at), driver), flow, worth + by_use * used)


def _both(slopes: tuple[float, float], sums: tuple[float, float]) -> float:
    return slopes[0] * sums[0] + slopes[1] * sums[1]


def _time_pool(results: Results, found: Driven, part: Accrued, grown: Floats) -> None:
    """Pools by what is held: what one lot's stay takes from the rate of all."""
    states, charge = results.chain.states, part.charge
    last = days(results.estate["pools"]["to_date"])
    start, end, quantity = (values[charge.states] for values in (states.start, states.end, states.quantity))
    for row, since in zip(charge.rows.tolist(), charge.since.tolist(), strict=True):
        stop = int(last[row])
        cut = int(np.clip(results.chain.valuation_day, since, stop))
        years, sums = [], []
        for low, high in ((since, cut), (cut, stop)):
            years.append(np.maximum(np.minimum(end, high) - np.maximum(start, low), 0) / DAYS_A_YEAR)
            at, worth = charged_between(results, part, low, high)
            sums.append(float(grown[at] @ worth))
        if not any(sums):
            continue
        done, planned = (float(one @ quantity) for one in years)
        slopes = _rate_slopes(results, row, since + 1, stop, done, planned)
        total = (sums[0], sums[1])
        for one, slope in zip(years, (slopes.by_done, slopes.by_plan), strict=True):
            np.add.at(found.held, charge.states, _both(slope, total) * one)
        found.capacity[row] += _both(slopes.by_capacity, total)
