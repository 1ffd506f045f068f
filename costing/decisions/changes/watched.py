"""What a forecast watches of a run: the cost of a good bottle of some releases, and the value of stock.

    stock of a kind of goods = sum over its lots of what they are worth at the end of the valuation date

Each figure comes with its slope by money that moves together. On the valuation date every lot is cut, so that stock
is what arrived in the state opened then, less what was incurred only later (`results.late`).

What it does not do: draw, or price a draw (`decisions.changes.uncertainty`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from costing.array_types import Floats, Ints
from costing.decisions.changes.gradients import Moved, worth_by_moves
from costing.graph.arrays import KINDS, Flow
from costing.results.late import late_postings
from costing.results.results import Results
from costing.results.stock import open_states, pairs_of, values_of


@dataclass(frozen=True, eq=False)
class Watched:
    """Figures of one run. names: release lots."""

    results: Results
    names: Sequence[str]

    def per_bottle(self) -> Floats:
        """Cost per good bottle of each release [releases]."""
        return self._of_releases(self.results.total)

    def stock(self) -> Floats:
        """Value of stock at the end of the valuation date by kind of goods [kinds]."""
        day = np.full(len(self._open), self.results.chain.valuation_day)
        pairs = pairs_of(day, self._open, len(self.results.chain.states))
        return self._by_kind(values_of(self.results, pairs)[:, 0])

    def slopes(self, moves: Sequence[Moved]) -> tuple[Floats, Floats]:
        """Derivatives of both by money that moves together [moves, releases], [moves, kinds]."""
        releases, kinds = np.zeros((len(moves), len(self.names))), np.zeros((len(moves), len(KINDS)))
        if not moves:
            return releases, kinds
        worth = worth_by_moves(self.results, moves)
        late = late_postings(self.results, self.results.chain.valuation_day)
        known = worth_by_moves(self.results, moves, without=late) if len(late) else worth
        arrived = np.asarray(self.results.shares.matrix[self._open] @ known)
        for move in range(len(moves)):
            releases[move] = self._of_releases(worth[:, move])
            kinds[move] = self._by_kind(arrived[:, move])
        return releases, kinds

    @cached_property
    def _open(self) -> Ints:
        return open_states(self.results, self.results.chain.valuation_day)

    def _by_kind(self, values: Floats) -> Floats:
        return np.asarray(np.bincount(self.results.chain.states.kind[self._open], values, len(KINDS)), dtype=np.float64)

    @cached_property
    def _disgorged(self) -> tuple[Ints, Ints, Ints, Floats]:
        """Lot and state of every disgorgement; number and good bottles of each release that is watched."""
        chain = self.results.chain
        flows, names = chain.flows, chain.lots.names
        released = np.flatnonzero(flows.kind == Flow.DISGORGEMENT)
        lot, state = flows.target[released], chain.states.batch_state[flows.batch[released]]
        watched = names.get_indexer(pd.Index(self.names, dtype=object))
        bottles = np.bincount(lot, flows.into[released], len(names))[watched]
        return lot, state, np.asarray(watched, dtype=np.int64), np.asarray(bottles, dtype=np.float64)

    def _of_releases(self, values: Floats) -> Floats:
        lot, state, watched, bottles = self._disgorged
        return np.asarray(np.bincount(lot, values[state], len(self.results.chain.lots.names))[watched] / bottles)
