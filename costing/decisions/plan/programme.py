"""A linear programme written down block by block, solved by HiGHS through scipy, with the worth of every bound.

    maximise  Σ worth·x   with  least ≤ A·x ≤ most  for every row,  least ≤ x ≤ most,  some x whole

Conventions: variables and rows come in named blocks of any shape; what is returned has the shape of its block. The
worth of a row is the change of the best value for one unit more of its bound, 0 where no bound holds it. With whole
variables there is no such worth, and the gap says how far the best bound is from what was found.

What it does not do: it knows no wine, and no units.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.optimize import Bounds, LinearConstraint, linprog, milp
from scipy.sparse import coo_array, csr_array, vstack

from costing.array_types import Flags, Floats, Ints

_MANY = 50_000
"""Variables above which the interior point method, with crossover to a vertex, takes a quarter of the time."""


@dataclass(frozen=True, eq=False)
class System:
    """A programme as arrays: worth, least and most of its variables, which are whole; its rows alike."""

    worth: Floats
    least: Floats
    most: Floats
    whole: Flags
    matrix: csr_array
    row_least: Floats
    row_most: Floats


@dataclass(frozen=True, eq=False)
class Solved:
    """Best value, amount of every variable, worth of every row and of the most of every variable, and the bound that no
    amounts are worth more than (the value itself without whole variables).
    """

    value: float
    amounts: Floats
    worths: Floats
    worths_of_most: Floats
    bound: float
    variables: Mapping[str, Ints]
    rows: Mapping[str, Ints]

    def amount(self, name: str) -> Floats:
        """Amounts of a block of variables, in its shape."""
        return np.asarray(self.amounts[self.variables[name]])

    def worth(self, name: str) -> Floats:
        """Worth of one unit more of each row of a block, in its shape; NaN with whole variables."""
        return np.asarray(self.worths[self.rows[name]])

    def worth_of_most(self, name: str) -> Floats:
        """Worth of one unit more of the most of each variable of a block, in its shape; NaN with whole variables."""
        return np.asarray(self.worths_of_most[self.variables[name]])


@dataclass
class Programme:
    """The programme as it grows; `best` solves it."""

    _worth: list[Floats] = field(default_factory=list)
    _least: list[Floats] = field(default_factory=list)
    _most: list[Floats] = field(default_factory=list)
    _whole: list[Floats] = field(default_factory=list)
    _row_least: list[Floats] = field(default_factory=list)
    _row_most: list[Floats] = field(default_factory=list)
    _entries: list[tuple[Ints, Ints, Floats]] = field(default_factory=list)
    _blocks: dict[str, Ints] = field(default_factory=dict)
    _row_blocks: dict[str, Ints] = field(default_factory=dict)
    _n_variables: int = 0
    _n_rows: int = 0

    def variables(
        self,
        name: str,
        shape: tuple[int, ...] | int,
        worth: npt.ArrayLike = 0.0,
        *,
        least: npt.ArrayLike = 0.0,
        most: npt.ArrayLike = np.inf,
        whole: bool = False,
    ) -> Ints:
        """A block of variables; worth, least and most broadcast to its shape. Returns their numbers, in that shape.

        ValueError for a name that is taken.
        """
        count = int(np.prod(shape, dtype=np.int64))
        numbers = self._new(self._blocks, name, shape, self._n_variables, count)
        for values, given in ((self._worth, worth), (self._least, least), (self._most, most), (self._whole, whole)):
            values.append(np.broadcast_to(np.asarray(given, dtype=np.float64), shape).ravel())
        self._n_variables += count
        return numbers

    def rows(
        self,
        name: str,
        shape: tuple[int, ...] | int,
        *,
        least: npt.ArrayLike = -np.inf,
        most: npt.ArrayLike = np.inf,
    ) -> Ints:
        """A block of rows between two bounds, which broadcast to its shape. Returns their numbers, in that shape.

        ValueError for a name that is taken.
        """
        count = int(np.prod(shape, dtype=np.int64))
        numbers = self._new(self._row_blocks, name, shape, self._n_rows, count)
        for values, given in ((self._row_least, least), (self._row_most, most)):
            values.append(np.broadcast_to(np.asarray(given, dtype=np.float64), shape).ravel())
        self._n_rows += count
        return numbers

    def put(self, rows: npt.ArrayLike, variables: npt.ArrayLike, coefficient: npt.ArrayLike = 1.0) -> None:
        """Add coefficient · variable to rows; the three broadcast, and what meets twice adds up."""
        row, variable, value = np.broadcast_arrays(
            np.asarray(rows), np.asarray(variables), np.asarray(coefficient, dtype=np.float64)
        )
        self._entries.append((row.ravel(), variable.ravel(), value.ravel()))

    def system(self) -> System:
        """All of it as arrays."""
        rows, columns, values = (
            np.concatenate([entry[part] for entry in self._entries]) if self._entries else np.zeros(0, dtype=np.int64)
            for part in range(3)
        )
        shape = (self._n_rows, self._n_variables)
        matrix = csr_array(coo_array((values.astype(np.float64), (rows, columns)), shape=shape))
        worth, least, most = (_joined(part) for part in (self._worth, self._least, self._most))
        whole = _joined(self._whole) > 0
        return System(worth, least, most, whole, matrix, _joined(self._row_least), _joined(self._row_most))

    def best(self, system: System | None = None, *, seconds: float = np.inf, gap: float = 0.0) -> Solved:
        """Solve it. system: the same variables with other bounds or worths; seconds, gap: with whole variables, when to
        stop. ArithmeticError where no amounts keep all bounds or none are found in time, or the value has no end.
        """
        system = system or self.system()
        if system.whole.any():
            return self._whole_numbers(system, {"time_limit": seconds, "mip_rel_gap": gap})
        worth, least, most, matrix = system.worth, system.least, system.most, system.matrix
        row_least, row_most = system.row_least, system.row_most
        equal = row_least == row_most
        upper, lower = ~equal & np.isfinite(row_most), ~equal & np.isfinite(row_least)
        limits: dict[str, Any] = {}
        if upper.any() or lower.any():
            limits |= {"A_ub": vstack([matrix[upper], -matrix[lower]])}
            limits |= {"b_ub": np.concatenate([row_most[upper], -row_least[lower]])}
        if equal.any():
            limits |= {"A_eq": matrix[equal], "b_eq": row_most[equal]}
        method = "highs-ipm" if self._n_variables > _MANY else "highs"
        solve: Any = linprog  # it takes sparse matrices, which its types do not say
        solution = solve(-worth, bounds=np.column_stack([least, most]), method=method, **limits)
        if solution.x is None or not solution.success:
            raise ArithmeticError(str(solution.message))
        worths = np.zeros(self._n_rows)
        if upper.any() or lower.any():
            marginal = np.asarray(solution.ineqlin.marginals)
            worths[upper] -= marginal[: int(upper.sum())]
            worths[lower] += marginal[int(upper.sum()) :]
        if equal.any():
            worths[equal] = -np.asarray(solution.eqlin.marginals)
        of_most = -np.asarray(solution.upper.marginals)
        value = -float(solution.fun)
        return Solved(value, np.asarray(solution.x), worths, of_most, value, self._blocks, self._row_blocks)

    def _whole_numbers(self, system: System, options: dict[str, float]) -> Solved:
        solve: Any = milp  # it takes a gap, which its types do not say
        solution = solve(
            -system.worth,
            constraints=LinearConstraint(system.matrix, system.row_least, system.row_most),
            bounds=Bounds(system.least, system.most),
            integrality=system.whole.astype(np.int64),
            options=options,
        )
        if solution.x is None:
            raise ArithmeticError(str(solution.message))
        bound = -float(solution.mip_dual_bound)
        rows, most = np.full(self._n_rows, np.nan), np.full(self._n_variables, np.nan)
        return Solved(-float(solution.fun), np.asarray(solution.x), rows, most, bound, self._blocks, self._row_blocks)

    @staticmethod
    def _new(blocks: dict[str, Ints], name: str, shape: tuple[int, ...] | int, first: int, count: int) -> Ints:
        if name in blocks:
            msg = f"there is a block '{name}' already"
            raise ValueError(msg)
        blocks[name] = (first + np.arange(count)).reshape(shape)
        return blocks[name]


def _joined(parts: list[Floats]) -> Floats:
    return np.concatenate(parts) if parts else np.zeros(0)
