"""One sparse equation prices everything, and its transpose says where a cost came from.

    C = D + S·C                      cost of every state at the end of its interval, by column
    V = diag(g)·S·V + D̃              the same with capital; g = B(end)/B(start), D̃ = Σ a·B(end)/B(paid)
    capital = (g − 1)·S·V + D̃ − Σ a  = V − S·V − Σ a: a posting like any other, in its own column

S is strictly lower triangular in time order, so one sweep over its rows solves any of these
(`costing.engine.sweep`), and one over its transpose, backwards, says what weighs in a state. Where capital accrues in
every state, V/B(end) obeys the plain equation with each posting at its present value. Day counts and growth:
`costing.engine.carrying`; how costs are kept: `costing.engine.cost_columns`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.sparse import csr_matrix

from costing.array_types import Floats, Ints
from costing.engine.cost_columns import CostColumns, cost_columns
from costing.engine.sweep import swept


class Triangular:
    """`I − S`, to solve forward (what everything cost) and backward (what weighs in one state).

    matrix: S [states, states]; growth: of each state, to solve with diag(growth)·S instead (None: 1).
    """

    def __init__(self, matrix: csr_matrix, growth: Floats | None = None) -> None:
        if growth is not None:
            data = matrix.data * np.repeat(growth, np.diff(matrix.indptr))
            matrix = csr_matrix((data, matrix.indices, matrix.indptr), shape=matrix.shape)
        self._matrix = matrix

    def forward(self, posted: Floats) -> Floats:
        """C of `C = posted + S·C`; posted [states] or [states, columns]."""
        return _solved(self._matrix, posted)

    def backward(self, weight: Floats) -> Floats:
        """W of `w = weight + Sᵀ·w`: part of each state's posting in the weighted states, [states] or [states, sets]."""
        return _solved(self._backwards, weight[::-1])[::-1]

    @cached_property
    def _backwards(self) -> csr_matrix:
        """Sᵀ with the last state first: strictly lower triangular again."""
        by_source = self._matrix.tocsc()
        n, entries = self._matrix.shape[0], self._matrix.nnz
        return csr_matrix(
            (by_source.data[::-1], n - 1 - by_source.indices[::-1], entries - by_source.indptr[::-1]), shape=(n, n)
        )


def _solved(matrix: csr_matrix, given: Floats) -> Floats:
    table = np.array(given, dtype=np.float64, order="C")
    table = table.reshape(len(given), int(np.prod(np.shape(given)[1:])))  # an empty estate has no -1 to find
    return swept(matrix, table).reshape(np.shape(given))


@dataclass(frozen=True)
class Posted:
    """Postings as the equation takes them: state, column, amount, and worth at the end of the state's interval."""

    state: Ints
    column: Ints
    amount: Floats
    worth: Floats


@dataclass(frozen=True)
class Solution:
    """Costs of every state.

    cost [states, columns]: at the end of the interval, the columns of D and then one of capital for each of
    capital_stages; capital [states]: charged in the interval; worth [states]: V, the total with capital;
    arrived [states]: S·V, the worth with which the interval began; growth [states]; plain, grown: the two
    equations.
    """

    cost: CostColumns
    capital_stages: Ints
    capital: Floats
    worth: Floats
    arrived: Floats
    growth: Floats
    plain: Triangular
    grown: Triangular


def solve(
    matrix: csr_matrix,
    posted: Posted,
    n_columns: int,
    growth: Floats,
    index_at_end: Floats | None,
    capital_stage: Ints,
    *,
    accrues_everywhere: bool,
) -> Solution:
    """Solve forward.

    matrix: S [states, states]; posted: D and D̃, in n_columns; growth: g [states]; index_at_end: B(end) [states], None
    where no capital is charged; capital_stage: stage in which capital charged in a state is booked [states];
    accrues_everywhere: capital accrues in every state at one index.
    """
    plain = Triangular(matrix)
    n = matrix.shape[0]
    if index_at_end is None:
        cost = cost_columns(matrix, posted.state, posted.column, posted.amount, n_columns)
        worth, none = cost.total, np.zeros(0, dtype=np.int64)
        return Solution(cost, none, np.zeros(n), worth, matrix @ worth, growth, plain, plain)
    present = _by_state(posted.state, posted.worth, n)
    if accrues_everywhere:
        grown = plain
        worth = plain.forward(present / index_at_end) * index_at_end
    else:
        grown = Triangular(matrix, growth)
        worth = grown.forward(present)
    arrived = matrix @ worth
    # not V − S·V − Σ a, which leaves its rounding where nothing was charged
    capital = (growth - 1.0) * arrived + _by_state(posted.state, posted.worth - posted.amount, n)
    charged = np.flatnonzero(capital)
    used, column = np.unique(capital_stage[charged], return_inverse=True)
    cost = cost_columns(
        matrix,
        np.concatenate([posted.state, charged]),
        np.concatenate([posted.column, n_columns + column]),
        np.concatenate([posted.amount, capital[charged]]),
        n_columns + len(used),
    )
    return Solution(cost, used, capital, worth, arrived, growth, plain, grown)


def _by_state(state: Ints, amount: Floats, n: int) -> Floats:
    return np.asarray(np.bincount(state, amount, n), dtype=np.float64)
