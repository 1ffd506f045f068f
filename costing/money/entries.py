"""Where a direct cost enters its lot.

A cost of a day enters before anything is drawn, worked, lost or gauged that day, and falls on what is there. On a
lot that is already empty it enters at the last state in which the lot held something, and follows that wine.

The date decides only from when values show a cost: `costing.results.late`.
"""

from __future__ import annotations

import numpy as np

from costing.graph.arrays import Flow, Ints
from costing.graph.states import Chain


def entered_states(chain: Chain, lot: Ints, day: Ints) -> Ints:
    """State that a cost on each lot enters [costs]; every lot has held something by its day."""
    states, flows, by_lot = chain.states, chain.flows, chain.by_lot
    if not len(lot):
        return np.zeros(0, dtype=np.int64)
    flow, n = states.flow[by_lot], len(by_lot)
    arrives = (chain.target_state[flow] == by_lot) & (flows.source[flow] != states.lot[by_lot])
    arrives &= flows.kind[flow] != Flow.STOCKTAKE
    takes = ~arrives & ~np.isin(flows.kind[flow], (Flow.COST, Flow.CUT)) & (states.before[by_lot] > 0)
    next_take = np.append(np.minimum.accumulate(np.where(takes, np.arange(n), n)[::-1])[::-1], n)
    position = np.full(len(states) + 1, -1, dtype=np.int64)
    position[by_lot] = np.arange(n)
    last, earlier = position[chain.state_on(lot, day)], position[chain.state_on(lot, day - 1)]
    take = next_take[np.where(earlier >= 0, earlier + 1, chain.lot_start[lot])]
    return chain.last_filled(by_lot[np.where(take <= last, take - 1, last)])
