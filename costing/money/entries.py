"""Where a direct cost enters its lot.

A cost of a day enters before anything is drawn, worked, lost or gauged that day, and falls on what is there. On a
lot that is already empty it is shared over all that left it since it was last empty, by quantity: it enters with what
arrived in that time, each litre or bottle alike, and the shares of the wine take it on to wherever that went.

The date decides only from when values show a cost: `costing.results.late`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from costing.array_types import Flags, Floats, Ints
from costing.graph.arrays import Flow
from costing.graph.states import Chain


@dataclass(frozen=True)
class CostEntries:
    """Parts of costs; parallel arrays: cost, state that the part enters, share of the cost, flow that opened the state,
    and the last state in which the lot of the cost held something.
    """

    cost: Ints
    state: Ints
    share: Floats
    flow: Ints
    last_held: Ints


def entries_of(chain: Chain, lot: Ints, day: Ints) -> CostEntries:
    """Entries of costs on lots [costs]; every lot has held something by its day."""
    state_then, empty = _last_held(chain, lot, day)
    cost, touch, arrived = _arrivals(chain, state_then, np.flatnonzero(empty))
    whole = np.bincount(cost, arrived, len(lot))
    spread = whole > 0
    alone = np.flatnonzero(~spread)
    share = np.concatenate([np.ones(len(alone)), arrived / whole[cost]])
    state = chain.by_lot[np.concatenate([state_then[alone], touch])]
    cost = np.concatenate([alone, cost])
    order = np.argsort(cost, kind="stable")
    last_held = chain.by_lot[state_then][cost[order]]
    return CostEntries(cost[order], state[order], share[order], chain.states.flow[state[order]], last_held)


def shared_after(chain: Chain, lot: Ints, day: Ints, closing: int) -> tuple[Floats, Floats]:
    """Costs that all that left a lot shares, as records see them that begin at the end of a day with what it held.

    Returns the part of each that those records still share (1: it is not cut by that day), and what the lot held then
    as a part of what had arrived until then (0: not cut) [costs].
    """
    last_held, empty = _last_held(chain, lot, day)
    cost, touch, arrived = _arrivals(chain, last_held, np.flatnonzero(empty))
    before = chain.states.start[chain.by_lot[touch]] <= closing
    until = np.bincount(cost[before], arrived[before], len(lot))
    whole = np.bincount(cost, arrived, len(lot))
    opened = chain.state_on(lot, np.full(len(lot), closing))
    still_held = np.where(until > 0, np.append(chain.states.quantity, 0.0)[opened], 0.0)
    cut = still_held > 0
    part = np.where(cut, np.divide(still_held + whole - until, whole, out=np.ones(len(lot)), where=cut), 1.0)
    return part, np.divide(still_held, until, out=np.zeros(len(lot)), where=cut)


def _last_held(chain: Chain, lot: Ints, day: Ints) -> tuple[Ints, Flags]:
    """Touch (place in `Chain.by_lot`) behind which each lot last held something before the day's draws, and whether it
    was empty since [costs].
    """
    states, flows, by_lot = chain.states, chain.flows, chain.by_lot
    n = len(by_lot)
    takes = ~_arrives(chain) & ~np.isin(flows.kind[states.flow[by_lot]], (Flow.COST, Flow.CUT))
    takes &= states.before[by_lot] > 0
    next_take = np.append(np.minimum.accumulate(np.where(takes, np.arange(n), n)[::-1])[::-1], n)
    place = np.full(len(states) + 1, -1, dtype=np.int64)
    place[by_lot] = np.arange(n)
    last, earlier = place[chain.state_on(lot, day)], place[chain.state_on(lot, day - 1)]
    take = next_take[np.where(earlier >= 0, earlier + 1, chain.lot_start[lot])]
    position = np.where(take <= last, take - 1, last)
    return place[chain.last_filled(by_lot[position])], states.quantity[by_lot[position]] <= 0


def _arrives(chain: Chain) -> Flags:
    """Whether each touch brought something into its lot from elsewhere [by_lot]."""
    states, flows, by_lot = chain.states, chain.flows, chain.by_lot
    flow = states.flow[by_lot]
    arrives = (chain.target_state[flow] == by_lot) & (flows.source[flow] != states.lot[by_lot])
    return np.asarray(arrives & (flows.kind[flow] != Flow.STOCKTAKE))


def _arrivals(chain: Chain, last_held: Ints, costs: Ints) -> tuple[Ints, Ints, Floats]:
    """What arrived in the lots of some costs while they held something without a break, up to touch `last_held`
    [costs]: cost, touch and quantity.
    """
    states, by_lot = chain.states, chain.by_lot
    begins = np.arange(len(by_lot)) == chain.lot_start[states.lot[by_lot]]
    begins[1:] |= states.quantity[by_lot[:-1]] <= 0
    begin = np.maximum.accumulate(np.where(begins, np.arange(len(by_lot)), 0))
    size = last_held[costs] - begin[last_held[costs]] + 1
    cost = np.repeat(costs, size)
    touch = np.repeat(last_held[costs] - np.cumsum(size) + 1, size) + np.arange(size.sum())
    brought = np.where(_arrives(chain), chain.flows.into[states.flow[by_lot]], 0.0)[touch]
    came = brought > 0
    return cost[came], touch[came], brought[came]
