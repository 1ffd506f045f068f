"""Worth of one unit more and of one unit less of a row's bound: a pair, since the best value has kinks.

    one more = max c·z  with  A·z ≤ e on the rows that hold at the solution (= e where both bounds do),
               z ≥ 0 (≤ 0) where a variable stands at its least (most)
    one less = −(the same with −e)

The directional derivative of a linear programme: the dual of the least and the most of the bound's worth over all
worths that prove the solution best. J. F. Bonnans and A. Shapiro, Perturbation Analysis of Optimization Problems
(2000), section 5, from memory.

Most rows have no kink. All are moved together first, each by a weight of its own: where the value then changes by the
worths alone, none has one; otherwise the halves are tried.

Conventions: NaN where nothing answers: no unit can be taken away, or a bound is met at once.

What it does not do: say how far either worth holds.
"""

from __future__ import annotations

import numpy as np
from scipy.sparse import csr_array

from costing.array_types import Floats, Ints
from costing.decisions.plan.programme import Solved, System, solve

AT, SAME = 1e-7, 1e-8
"""Distance at which an amount stands at its bound, and difference of two worths, relative to their size."""


def one_more_one_less(system: System, solved: Solved, rows: Ints) -> Floats:
    """Worth of one unit more and of one unit less of the bounds of each row [rows, 2]."""
    scale = 1.0 + np.abs(solved.amounts)
    at_least = solved.amounts - system.least <= AT * scale
    at_most = system.most - solved.amounts <= AT * scale
    moves = np.flatnonzero(~(at_least & at_most))
    low = np.where(at_least[moves], 0.0, -np.inf)
    high = np.where(at_most[moves], 0.0, np.inf)
    amount = system.matrix @ solved.amounts
    size = 1.0 + np.abs(amount)
    on_least, on_most = amount - system.row_least <= AT * size, system.row_most - amount <= AT * size
    touched = np.flatnonzero(on_least | on_most)  # the rows asked for are among them: their two bounds are one
    least = np.where(on_least[touched], 0.0, -np.inf)
    most = np.where(on_most[touched], 0.0, np.inf)
    matrix = csr_array(system.matrix[touched][:, moves])
    row = np.searchsorted(touched, rows)
    blocks = {"moves": np.arange(len(moves))}, {"touched": np.arange(len(touched))}
    whole = np.zeros(len(moves), dtype=bool)
    weight = np.random.default_rng(0).uniform(1.0, 2.0, len(rows))  # of no pattern, so that no two changes cancel
    last: Solved | None = None

    def answers(places: Ints, step: float) -> float:
        """Change of the best value for a step of these bounds together, each by its weight."""
        nonlocal last
        right = np.zeros(len(touched))
        right[row[places]] = step * weight[places]
        try:
            last = solve(
                System(system.worth[moves], low, high, whole, matrix, least + right, most + right), *blocks, start=last
            )
        except ArithmeticError:
            return np.nan
        return last.value

    pairs = np.repeat(solved.worths[rows][:, np.newaxis], 2, axis=1)
    doubtful = [np.arange(len(rows))] if len(rows) else []
    while doubtful:
        places = doubtful.pop()
        straight = float(weight[places] @ solved.worths[rows[places]])
        moved = np.array([answers(places, 1.0), -answers(places, -1.0)])
        if np.abs(moved - straight).max() <= SAME * (1.0 + abs(straight)):
            continue  # no kink in any of them
        if len(places) == 1:
            pairs[places[0]] = moved / weight[places[0]]
        else:
            doubtful += np.array_split(places, 2)
    return pairs
