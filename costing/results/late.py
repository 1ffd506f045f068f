"""Costs that became known only after their wine had moved on: a grower's final premium in March, a late invoice.

    late on day t: incurred after t, on a state that had ended by t

Such a cost enters where its wine arrived (`costing.money.entries`) and follows that wine. Values and costs dated
before it was incurred leave it out. What it put into every state is one solve of the same equation over the
states between the first one touched and the day asked for: a small part of the records, not another run.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix

from costing.array_types import Floats, Ints
from costing.engine.solve import Triangular
from costing.money.postings import Postings
from costing.results.results import Results


@dataclass(frozen=True)
class Late:
    """What the late costs of one day have put into states first, first + 1, … up to those begun by that day.

    postings: the late ones; matrix: S among these states; worth: at the end of each interval, with capital;
    arrived: what of it each state began with; amount: posted; capital: charged on it in the interval [states].
    """

    first: int
    postings: Postings
    matrix: csr_matrix
    worth: Floats
    arrived: Floats
    amount: Floats
    capital: Floats

    def onto(self, values: Floats, n_states: int) -> Floats:
        """`values` of these states in an array over all states, 0 elsewhere [states]."""
        whole = np.zeros(n_states)
        whole[self.first : self.first + len(values)] = values
        return whole

    def arrived_by(self, group: Ints, capital_group: Ints, n_groups: int) -> Floats:
        """`arrived` by groups of columns [states, groups]; group: of each late posting; capital_group: of
        the capital charged in each state.
        """
        posted = np.zeros((len(self.worth), n_groups))
        np.add.at(posted, (self.postings.state - self.first, group), self.postings.amount)
        np.add.at(posted, (np.arange(len(self.worth)), capital_group), self.capital)
        used = np.flatnonzero(np.abs(posted).sum(axis=0) > 0)
        posted[:, used] = Triangular(self.matrix).forward(posted[:, used])
        return np.asarray(self.matrix @ posted)


def late_postings(results: Results, day: int) -> Ints:
    """Postings on states that had ended by the end of `day`, and which were incurred only after it."""
    postings, states = results.charges.postings, results.chain.states
    return np.flatnonzero((postings.incurred > day) & (states.end[postings.state] <= day))


def late_costs(results: Results, day: int) -> Late | None:
    """Costs to leave out of everything dated `day` or before; None if there are none."""
    late = late_postings(results, day)
    if not len(late):
        return None
    first, postings, matrix = _since(results, late, day)
    window = slice(first, first + matrix.shape[0])
    position = postings.state - first
    amount = np.bincount(position, postings.amount, matrix.shape[0]).astype(np.float64)
    posted = np.bincount(position, results.charges.worth[late], matrix.shape[0]).astype(np.float64)
    worth = Triangular(matrix, results.solution.growth[window]).forward(posted)
    arrived = np.asarray(matrix @ worth)
    inside = results.charges.capital.accrues[results.chain.states.stage[window]]
    capital = np.where(inside, worth - arrived - amount, 0.0)
    return Late(first, postings, matrix, worth, arrived, amount, capital)


def spread(results: Results, which: Ints, day: int) -> tuple[int, Floats, Floats]:
    """First state, and what each of these postings has put into it and those after it begun by `day`: as posted, and
    with capital [states, postings].
    """
    first, postings, matrix = _since(results, which, day)
    posted = np.zeros((matrix.shape[0], len(which)))
    position = (postings.state - first, np.arange(len(which)))
    posted[position] = postings.amount
    nominal = Triangular(matrix).forward(posted)
    posted[position] = results.charges.worth[which]
    growth = results.solution.growth[first : first + matrix.shape[0]]
    return first, nominal, Triangular(matrix, growth).forward(posted)


def _since(results: Results, which: Ints, day: int) -> tuple[int, Postings, csr_matrix]:
    """First state of some postings, the postings, and S among the states from it on that began by a day."""
    postings = results.charges.postings.take(which)
    first = int(postings.state.min())
    # states are numbered in the order of their start
    window = slice(first, int(np.searchsorted(results.chain.states.start, day, side="right")))
    return first, postings, csr_matrix(results.shares.matrix[window, window])
