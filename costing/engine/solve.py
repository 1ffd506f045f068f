"""One sparse equation prices everything, and its transpose says where a cost came from.

    C = D + S·C                      cost of every state at the end of its interval, by column
    V = diag(g)·S·V + D̃              the same with capital; g = B(end)/B(start), D̃ = Σ a·B(end)/B(paid)
    capital[j] = V[j] − (S·V)[j] − Σ a     a posting like any other, in its own column

S is strictly lower triangular in time order, so `I − S` needs no pivoting and no fill. Where capital accrues
in every state, V/B(end) obeys the plain equation with each posting at its present value, and one factor
serves both. Day counts and growth: `costing.engine.carrying`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_matrix, csr_matrix, diags_array, eye_array
from scipy.sparse.linalg import splu

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


class Triangular:
    """`I − S`, ready to solve forward (what everything cost) and backward (what weighs in one state)."""

    def __init__(self, matrix: csr_matrix) -> None:
        n = matrix.shape[0]
        self._factor = splu(
            csc_matrix(eye_array(n) - matrix),
            permc_spec="NATURAL",
            diag_pivot_thresh=0.0,
            relax=1,
            panel_size=1,  # columns of one or two entries: wider panels only cost time
            options={"SymmetricMode": True, "Equil": False},
        )

    def forward(self, posted: Floats) -> Floats:
        """C of `C = posted + S·C`; posted [states] or [states, columns]."""
        return np.asarray(self._factor.solve(posted))

    def backward(self, weight: Floats) -> Floats:
        """W of `w = weight + Sᵀ·w`: how much of each state's posting reaches the weighted states."""
        return np.asarray(self._factor.solve(weight, "T"))  # type: ignore[call-overload]  # stubs lack the mode


@dataclass(frozen=True)
class Solution:
    """Costs of every state.

    cost [states, columns]: at the end of the interval, the columns of D and then one of capital for each of
    capital_stages; capital [states]: charged in the interval; worth [states]: V, the total with capital;
    arrived [states]: S·V, the worth with which the interval began; growth [states]; plain, grown: the two
    factors.
    """

    cost: Floats
    capital_stages: Ints
    capital: Floats
    worth: Floats
    arrived: Floats
    growth: Floats
    plain: Triangular
    grown: Triangular


def solve(
    matrix: csr_matrix,
    posted: Floats,
    present: Floats,
    growth: Floats,
    index_at_end: Floats | None,
    accrues_everywhere: bool,
    capital_stage: Ints,
    n_stages: int,
) -> Solution:
    """Solve forward.

    matrix: S [states, states]; posted: D [states, columns], plain; present: D̃ [states], at the end of the
    interval; growth: g [states]; index_at_end: B(end) [states], None where no capital is charged;
    accrues_everywhere: capital accrues in every state at one index; capital_stage: stage in which capital
    charged in a state is booked.
    """
    plain = Triangular(matrix)
    total = posted.sum(axis=1)
    if index_at_end is None:
        cost = plain.forward(posted)
        worth = cost.sum(axis=1)
        none = np.zeros(0, dtype=np.int64)
        return Solution(cost, none, np.zeros(len(total)), worth, matrix @ worth, growth, plain, plain)
    if accrues_everywhere:
        grown = plain
        worth = plain.forward(present / index_at_end) * index_at_end
    else:
        grown = Triangular(csr_matrix(diags_array(growth) @ matrix))
        worth = grown.forward(present)
    arrived = matrix @ worth
    capital = worth - arrived - total
    used = np.flatnonzero(np.bincount(capital_stage[capital != 0.0], minlength=n_stages))
    both = np.zeros((len(total), posted.shape[1] + len(used)), order="F")
    both[:, : posted.shape[1]] = posted
    for column, stage in enumerate(used, posted.shape[1]):
        both[:, column] = np.where(capital_stage == stage, capital, 0.0)
    return Solution(plain.forward(both), used, capital, worth, arrived, growth, plain, grown)
