"""A linear programme written down block by block, solved by HiGHS, with the worth of every bound.

    maximise  Σ worth·x   with  least ≤ A·x ≤ most  for every row,  least ≤ x ≤ most,  some x whole

Conventions: variables and rows come in named blocks of any shape; what is returned has the shape of its block. The
worth of a row is the change of the best value for one unit more of its bound, 0 where no bound holds it. With whole
variables there is no such worth, and the gap says how far the best bound is from what was found. A programme like one
that is solved starts from that one's basis, which takes a tenth of the time; it may then stop at another of several
best solutions. Variables that can be nothing but 0 are left out of what HiGHS is given.

What it does not do: it knows no wine, and no units.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import highspy
import numpy as np
import numpy.typing as npt
from highspy import HighsBasisStatus, HighsModelStatus, HighsVarType
from scipy.sparse import coo_array, csr_array

from costing.array_types import Flags, Floats, Ints

_MANY = 20_000
"""Variables above which the interior point method, with crossover to a vertex, is the faster."""
_NEARLY = 1e-6
"""Bounds missed by so much count as kept, where they can't be kept better."""


_PLACES = np.array([HighsBasisStatus(place) for place in range(5)], dtype=object)
_LEAST, _BASIC, _MOST = (
    int(place) for place in (HighsBasisStatus.kLower, HighsBasisStatus.kBasic, HighsBasisStatus.kUpper)
)


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
    """Best value, amount of every variable, worth of every row, and the bound that no amounts are worth more than (the
    value itself without whole variables). variables, rows: their numbers by block; system, kept, places: what was
    solved, the variables that HiGHS was given, and where it left them.
    """

    value: float
    amounts: Floats
    worths: Floats
    bound: float
    variables: Mapping[str, Ints]
    rows: Mapping[str, Ints]
    system: System
    kept: Ints
    places: highspy.HighsBasis

    @cached_property
    def basis(self) -> tuple[Ints, Ints]:
        """Where each variable and each row stands, for a like programme to start from."""
        stands = np.full(len(self.amounts), _LEAST)
        stands[self.kept] = _codes(self.places.col_status)
        return stands, _codes(self.places.row_status)

    @cached_property
    def worths_of_most(self) -> Floats:
        """Worth of one unit more of the most of every variable; none of them whole."""
        system = self.system
        full = (self.basis[0] == _MOST) | (system.least == system.most)
        return np.where(full, np.maximum(system.worth - system.matrix.T @ self.worths, 0.0), 0.0)

    def amount(self, name: str) -> Floats:
        """Amounts of a block of variables, in its shape."""
        return np.asarray(self.amounts[self.variables[name]])

    def worth(self, name: str) -> Floats:
        """Worth of one unit more of each row of a block, in its shape; NaN with whole variables."""
        return np.asarray(self.worths[self.rows[name]])

    def worth_of_most(self, name: str) -> Floats:
        """Worth of one unit more of the most of each variable of a block, in its shape; none of them whole."""
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

    def best(
        self, system: System | None = None, *, start: Solved | None = None, seconds: float = np.inf, gap: float = 0.0
    ) -> Solved:
        """Solve it. system: the same variables with other bounds or worths; start: of a like programme; seconds, gap:
        with whole variables, when to stop. ArithmeticError where no amounts keep all bounds or none are found in time,
        or the value has no end.
        """
        system = system or self.system()
        return solve(system, self._blocks, self._row_blocks, start=start, seconds=seconds, gap=gap)

    @staticmethod
    def _new(blocks: dict[str, Ints], name: str, shape: tuple[int, ...] | int, first: int, count: int) -> Ints:
        blocks[name] = (first + np.arange(count)).reshape(shape)
        return blocks[name]


def _joined(parts: list[Floats]) -> Floats:
    return np.concatenate(parts) if parts else np.zeros(0)


def solve(
    system: System,
    variables: Mapping[str, Ints],
    rows: Mapping[str, Ints],
    *,
    start: Solved | None = None,
    seconds: float = np.inf,
    gap: float = 0.0,
) -> Solved:
    """Solve a system whose variables and rows stand in blocks; see `Programme.best`."""
    whole = bool(system.whole.any())
    begin = None if start is None or whole else _begin(system, variables, rows, start)
    may = (system.least != 0.0) | (system.most != 0.0)
    if begin is not None:
        may |= begin[0] == _BASIC
    kept = np.flatnonzero(may)
    # `Highs` says its name on the screen before it can be told to be quiet; the class under it does not
    solver: Any = highspy._Highs()  # type: ignore[attr-defined]
    for option, value in (("output_flag", False), ("time_limit", seconds), ("mip_rel_gap", gap)):
        solver.setOptionValue(option, value)
    _hand_over(solver, system, kept)
    if begin is not None:
        basis = highspy.HighsBasis()
        basis.col_status, basis.row_status = _PLACES[begin[0][kept]].tolist(), _PLACES[begin[1]].tolist()
        basis.valid = True
        solver.setBasis(basis)
    elif len(kept) > _MANY and not whole:
        solver.setOptionValue("solver", "ipm")
    solver.run()
    if solver.getModelStatus() == HighsModelStatus.kUnknown:  # best, but for bounds missed by a little more than 1e-7
        solver.setOptionValue("primal_feasibility_tolerance", _NEARLY)
        solver.run()
    status, info, answer = solver.getModelStatus(), solver.getInfo(), solver.getSolution()
    in_time = status == HighsModelStatus.kTimeLimit and np.isfinite(info.mip_gap)
    if status != HighsModelStatus.kOptimal and not in_time:
        if begin is not None and status != HighsModelStatus.kInfeasible:  # that is proved wherever it starts
            return solve(system, variables, rows)
        raise ArithmeticError(solver.modelStatusToString(status))
    n_rows, count = system.matrix.shape
    amounts, value = np.zeros(count), -float(info.objective_function_value)
    amounts[kept] = np.asarray(answer.col_value)
    bound = -float(info.mip_dual_bound) if whole else value
    worths = np.full(n_rows, np.nan) if whole else -np.asarray(answer.row_dual)
    return Solved(value, amounts, worths, bound, variables, rows, system, kept, solver.getBasis())


def _codes(places: list[HighsBasisStatus]) -> Ints:
    return np.fromiter(map(int, places), dtype=np.int64, count=len(places))


def _hand_over(solver: Any, system: System, kept: Ints) -> None:
    """Give HiGHS the variables kept, and all rows, as arrays: an `HighsLp` takes each number by itself."""
    columns = system.matrix[:, kept].tocsc()
    bounds = -system.worth[kept], system.least[kept], system.most[kept], system.row_least, system.row_most
    cells = columns.indptr.astype(np.int32), columns.indices.astype(np.int32), columns.data
    kinds = np.where(system.whole[kept], int(HighsVarType.kInteger), int(HighsVarType.kContinuous)).astype(np.int32)
    by_column, least = int(highspy.MatrixFormat.kColwise), int(highspy.ObjSense.kMinimize)
    n_rows, count = columns.shape
    solver.passModel(count, n_rows, columns.nnz, by_column, least, 0.0, *bounds, *cells, kinds)


def _begin(
    system: System, variables: Mapping[str, Ints], rows: Mapping[str, Ints], start: Solved
) -> tuple[Ints, Ints] | None:
    """Where variables and rows of the same blocks stood; what a block has more of stands at its least, or at no bound.
    None where that is no basis.
    """
    n_rows, count = system.matrix.shape
    stands = np.full(count, _LEAST), np.full(n_rows, _BASIC)
    for now, before, numbers, earlier in zip(
        stands, start.basis, (variables, rows), (start.variables, start.rows), strict=True
    ):
        for name in numbers.keys() & earlier.keys():
            both = tuple(slice(min(sizes)) for sizes in zip(numbers[name].shape, earlier[name].shape, strict=True))
            now[numbers[name][both]] = before[earlier[name][both]]
    basic = sum(int((each == _BASIC).sum()) for each in stands)
    return stands if basic == n_rows else None
