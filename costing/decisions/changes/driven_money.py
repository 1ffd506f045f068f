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

from costing.array_types import Floats, Ints
from costing.calendar import DAYS_A_YEAR
from costing.decisions.changes.gradients import charged_between
from costing.graph.arrays import Flow
from costing.money.charges import Accrued
from costing.money.pools import Pools
from costing.money.postings import BOTTLE_IN, BOTTLE_OUT, KG, LITRE, TABLE_NAMES, Postings
from costing.results.results import Results

_STEP = 1e-5


@dataclass(frozen=True, eq=False)
class Driven:
    """Derivatives of a figure by quantities, each by itself: drawn and received by each flow [flows], held in each
    state [states] (of a press load: by its scale, per kilogram), and by the normal capacity of each pool [pools].
    """

    out: Floats
    into: Floats
    on_hand: Floats
    capacity: Floats


def driven_money(results: Results, grown: Floats) -> Driven:
    """Derivatives of the worth of a set of states by what its postings are charged by.

    grown: weight of each state's posting in the set, capital included [states].
    """
    flows, states = results.chain.flows, results.chain.states
    pools = len(results.estate["pools"])
    driven = Driven(np.zeros(len(flows)), np.zeros(len(flows)), np.zeros(len(states)), np.zeros(pools))
    all_postings = results.charges.postings
    brought = grown[all_postings.state] * results.charges.worth
    _by_driver(results, driven, all_postings, np.where(all_postings.shared_by < 0, brought, 0.0))
    state = np.flatnonzero(all_postings.of("pressings", "cost_to_complete_per_l"))
    load = states.batch_state[flows.batch[all_postings.flow[state]]]
    np.add.at(driven.on_hand, load, ratio(brought[state], states.quantity[load]))
    _pools(results, driven, brought)
    _shared_costs(results, driven, brought)
    for part in results.charges.accrued:
        if part.expensed:
            continue
        state = part.states
        driven.on_hand[state] += grown[state] * ratio(part.worth, states.quantity[state])
        if TABLE_NAMES[part.charge.table] == "pools":
            _time_pool(results, driven, part, grown)
    return driven


def _shared_costs(results: Results, driven: Driven, brought: Floats) -> None:
    """Costs on lots that were empty, each part amount · q/Σq of what had arrived; one that is whole never moves."""
    flows, postings = results.chain.flows, results.charges.postings
    direct = np.flatnonzero(postings.of("costs", "amount"))
    flow, row, size = postings.flow[direct], postings.row[direct], len(results.estate["costs"])
    of_row = ratio(_sums(row, brought[direct], size), _sums(row, flows.into[flow], size))
    shared = np.bincount(row, minlength=size)[row] > 1
    np.add.at(driven.into, flow[shared], (ratio(brought[direct], flows.into[flow]) - of_row[row])[shared])


def ratio(amount: Floats, quantity: Floats) -> Floats:
    """Amount per quantity; 0 where there is none."""
    return np.divide(amount, quantity, out=np.zeros(len(amount)), where=quantity != 0)


def _sums(place: Ints, amount: Floats, places: int) -> Floats:
    return np.asarray(np.bincount(place, amount, places), dtype=np.float64)


def _by_driver(results: Results, money: Driven, postings: Postings, brought: Floats) -> None:
    """Add what postings brought by the driver of the operation that the flow of each was; amounts have none."""
    flows, driver, flow = results.chain.flows, postings.driver, postings.flow
    pressed, delivered = flows.kind[flow] == Flow.PRESS_IN, flows.kind[flow] == Flow.DELIVERY
    into = (driver == BOTTLE_OUT) | (delivered & ((driver == KG) | (driver == LITRE)))
    out = ~into & ((driver == LITRE) | (driver == BOTTLE_IN))
    for chosen, slope, quantity in (
        (into & ~pressed, money.into, flows.into),
        (out & ~pressed, money.out, flows.out),
    ):
        np.add.at(slope, flow[chosen], ratio(brought[chosen], quantity[flow[chosen]]))
    for wanted, part, slope in ((KG, Flow.PRESS_IN, money.out), (LITRE, Flow.PRESS_OUT, money.into)):
        chosen = pressed & (driver == wanted)
        by_unit = ratio(brought[chosen], postings.quantity[chosen])
        rows = np.flatnonzero(flows.kind == part)
        slope[rows] += _sums(flows.batch[flow[chosen]], by_unit, flows.n_batches)[flows.batch[rows]]


@dataclass(frozen=True)
class _RateSlopes:
    """Relative change of the actual rate of a pool, the planned one and the one carried on, [3] each: per unit of what
    was done, of what is planned, and of its normal capacity.
    """

    by_done: Floats
    by_plan: Floats
    by_capacity: Floats


def _rate_slopes(pools: Pools, row: int, done: float, planned: float) -> _RateSlopes:
    """Slopes of the rates of one row of `pools`, by a central difference of its period."""
    here = np.array([done, planned, float(pools.normal[row])])

    def rates(quantity_at: Floats) -> Floats:
        period = pools.period(row, quantity_at[0], quantity_at[1], quantity_at[2])
        return np.array([float(period.actual.rate), float(period.planned.rate), float(period.carried_on)])

    base, slopes = rates(here), []
    for position in range(3):
        step = np.zeros(3)
        step[position] = _STEP * here[position]
        moved = ratio(rates(here + step) - rates(here - step), 2.0 * base) if here[position] > 0 else np.zeros(3)
        slopes.append(moved / step[position] if here[position] > 0 else moved)
    return _RateSlopes(*slopes)


def _pools(results: Results, driven: Driven, brought: Floats) -> None:
    """Pools by a quantity that moves: each user's part, and what its use takes from the rate of all."""
    pools, charges, today = results.charges.pools, results.charges, results.chain.valuation_day
    users = Postings.joined([charges.postings, charges.aside])
    worth = np.concatenate([brought, np.zeros(len(charges.aside))])
    for row in np.flatnonzero(pools.flow_driver >= 0).tolist():
        use = np.flatnonzero((users.shared_by == pools.rows.target[row]) & (users.row == pools.rows.source[row]))
        if not worth[use].any():
            continue
        used, day = users.quantity[use], users.incurred[use]
        time = np.select([day <= today, day <= pools.last[row]], [0, 1], 2)  # done, planned in the period, after it
        done, planned = (float(used[time == number].sum()) for number in (0, 1))
        slopes = _rate_slopes(pools, row, done, planned)
        sums = _sums(time, worth[use], 3)
        by_use = np.select([time == 0, time == 1], [slopes.by_done @ sums, slopes.by_plan @ sums], 0.0)
        driven.capacity[pools.rows.target[row]] += slopes.by_capacity @ sums
        _by_driver(results, driven, users.take(use), worth[use] + by_use * used)


def _time_pool(results: Results, driven: Driven, part: Accrued, grown: Floats) -> None:
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
            state, worth = charged_between(results, part, low, high)
            sums.append(float(grown[state] @ worth))
        if not any(sums):
            continue
        done, planned = (float(in_years @ quantity) for in_years in years[:2])
        slopes = _rate_slopes(pools, row, done, planned)
        for in_years, slope in zip(years, (slopes.by_done, slopes.by_plan), strict=False):
            np.add.at(driven.on_hand, charge.states, float(slope @ np.array(sums)) * in_years)
        driven.capacity[pools.rows.target[row]] += slopes.by_capacity @ np.array(sums)
