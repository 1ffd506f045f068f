"""Where a direct cost enters its lot.

A cost of a day enters before anything is drawn, worked, lost or gauged that day, and falls on what is there. On a
lot that is already empty it is shared over all that was drawn since the lot was last empty, by quantity, and enters
where each draw went. What was paid for
deliveries of grapes stands on their arrivals, by quantity, whatever its date.

The date decides only from when values show a cost: `costing.results.late`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from costing.graph.arrays import KG, Floats, Flow, Ints
from costing.graph.states import Chain


@dataclass(frozen=True)
class Entries:
    """Parts of costs; parallel arrays: row of the cost, state it enters, share of it, the draw that
    took it along (−1: none), and the state of its lot that it was spent on.
    """

    row: Ints
    state: Ints
    share: Floats
    draw: Ints
    held: Ints


def entries_of(chain: Chain, lot: Ints, day: Ints, of_delivery: NDArray[np.bool_]) -> Entries:
    """Entries of costs on lots [costs]; every lot has held something by its day.

    of_delivery: paid for what was delivered, where the lot holds grapes.
    """
    lots = _LotStates(chain)
    at, empty = lots.before_draws(lot, day)
    n = len(lot)
    row, state, share = np.arange(n), chain.by_lot[at] if n else np.zeros(0, dtype=np.int64), np.ones(n)
    draw, held = np.full(n, -1, dtype=np.int64), state
    spread = np.flatnonzero(empty | (of_delivery & (chain.lots.unit[lot] == KG)))
    parts: list[tuple[Ints, Ints, Floats, Ints, Ints]] = []
    whole = np.ones(n, dtype=bool)
    for one in spread.tolist():
        over = lots.arrivals(int(at[one])) if of_delivery[one] and chain.lots.unit[lot[one]] == KG else None
        if over is None and empty[one]:
            over = lots.draws(int(at[one]))
        if over is None:
            continue
        whole[one] = False
        to, quantity, by, on = over
        parts.append((np.full(len(to), one), to, quantity / quantity.sum(), by, on))
    columns = [
        np.concatenate([values[whole], *(part[k] for part in parts)])
        for k, values in enumerate((row, state, share, draw, held))
    ]
    order = np.argsort(columns[0], kind="stable")
    return Entries(*(column[order] for column in columns))


Over = tuple[Ints, Floats, Ints, Ints]


class _LotStates:
    """States of lots in the order of `Chain.by_lot`: one position per touch."""

    def __init__(self, chain: Chain) -> None:
        self._chain = chain
        states, flows, by_lot = chain.states, chain.flows, chain.by_lot
        self._quantity = states.quantity[by_lot]
        self._flow = states.flow[by_lot]
        kind = flows.kind[self._flow]
        arrives = (chain.target_state[self._flow] == by_lot) & (flows.source[self._flow] != states.lot[by_lot])
        arrives &= kind != Flow.STOCKTAKE
        idle = np.isin(kind, (Flow.COST, Flow.CUT))
        self._takes = ~arrives & ~idle & (states.before[by_lot] > 0)
        self._arrives = arrives & ~idle
        self._leaves = (chain.source_state[self._flow] == by_lot) & (states.before[by_lot] > self._quantity)

    @cached_property
    def _next_take(self) -> Ints:
        n = len(self._takes)
        place = np.where(self._takes, np.arange(n), n)
        return np.append(np.minimum.accumulate(place[::-1])[::-1], n)

    def _position(self, state: Ints) -> Ints:
        position = np.full(len(self._chain.states) + 1, -1, dtype=np.int64)
        position[self._chain.by_lot] = np.arange(len(self._chain.by_lot))
        return position[state]

    def before_draws(self, lot: Ints, day: Ints) -> tuple[Ints, NDArray[np.bool_]]:
        """Position of the state that holds what a cost of that day falls on, and whether the lot was empty."""
        chain = self._chain
        last = self._position(chain.state_on(lot, day))
        earlier = self._position(chain.state_on(lot, day - 1))
        first = np.where(earlier >= 0, earlier + 1, chain.lot_start[lot])
        take = self._next_take[np.minimum(first, len(self._takes))]
        today = take <= last
        at = np.where(today, take - 1, last)
        empty = self._quantity[at] <= 0 if len(at) else np.zeros(0, dtype=bool)
        filled = self._position(chain.last_filled(chain.by_lot[at])) if len(at) else at
        return np.where(empty, filled, at), empty

    def _since_empty(self, at: int) -> int:
        """First position of the time in which the lot has held something without a break."""
        begin = int(self._chain.lot_start[self._chain.states.lot[self._chain.by_lot[at]]])
        dry = np.flatnonzero(self._quantity[begin:at] <= 0)
        return begin + (int(dry[-1]) + 1 if len(dry) else 0)

    def arrivals(self, at: int) -> Over | None:
        """Deliveries that made up what the lot held, by quantity; None if it holds anything else."""
        chain = self._chain
        here = np.arange(self._since_empty(at), at + 1)
        here = here[self._arrives[here]]
        flow = self._flow[here]
        if not len(here) or (chain.flows.kind[flow] != Flow.DELIVERY).any():
            return None
        state = chain.by_lot[here]
        return state, chain.flows.into[flow], np.full(len(here), -1, dtype=np.int64), state

    def draws(self, at: int) -> Over | None:
        """What was drawn from the lot until it was empty, by quantity; None if all of it was lost there."""
        chain = self._chain
        here = np.arange(self._since_empty(at) + 1, at + 2)
        here = here[self._leaves[here]]
        if not len(here):
            return None
        flow, states = self._flow[here], chain.states
        drawn = states.before[chain.by_lot[here]] - self._quantity[here]
        batch = chain.flows.batch[flow]
        to = np.where(batch >= 0, np.append(states.batch_state, -1)[batch], chain.target_state[flow])
        return to, drawn, flow, chain.by_lot[here - 1]
