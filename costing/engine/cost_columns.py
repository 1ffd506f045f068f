"""Costs of all states by column: one table while it is narrow, and no more than what is filled where it is wide.

A house with a dozen cost elements has some 40 columns (a stage and an element each), about half of them filled. One
with hundreds of elements has hundreds, most of them empty in most states; these are solved a block of columns at a
time, and of each block only what is filled is kept where that takes less memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.sparse import csr_matrix

from costing.array_types import Floats, Ints
from costing.engine.sweep import swept

NARROW = 64
"""Up to so many columns there is one block."""
WIDTH = 32
"""Columns of a block where there are more."""
_SPARE = 0.6
"""A block less filled than this is kept without its zeros: 12 bytes an amount for 8."""


@dataclass(frozen=True, eq=False)
class CostColumns:
    """Costs [states, columns] in blocks of columns, first to last."""

    blocks: tuple[Floats | csr_matrix, ...]

    @property
    def shape(self) -> tuple[int, int]:
        """Number of states and of columns."""
        return self.blocks[0].shape[0], sum(block.shape[1] for block in self.blocks)

    def __getitem__(self, states: Ints) -> Floats:
        """Costs of some states [states, columns], or of one [columns]."""
        if len(self.blocks) == 1:
            return np.asarray(self.blocks[0][states])
        parts = [_dense(block[np.atleast_1d(states)]) for block in self.blocks]
        return np.concatenate(parts, axis=1).reshape((*np.shape(states), self.shape[1]))

    @cached_property
    def total(self) -> Floats:
        """Cost of every state over all columns [states]."""
        return np.asarray(sum(np.asarray(block.sum(axis=1)).ravel() for block in self.blocks))

    def grouped(self, group_of: Ints, n_groups: int) -> Floats:
        """Costs with columns added up [states, groups]; group_of: of each column."""
        sums, first = np.zeros((self.shape[0], n_groups)), 0
        for block in self.blocks:
            group = group_of[first : first + block.shape[1]]
            first += block.shape[1]
            for number in np.unique(group).tolist():
                sums[:, number] += np.asarray(block[:, np.flatnonzero(group == number)].sum(axis=1)).ravel()
        return sums


def _dense(block: Floats | csr_matrix) -> Floats:
    return block if isinstance(block, np.ndarray) else np.asarray(block.toarray())


def cost_columns(matrix: csr_matrix, state: Ints, column: Ints, amount: Floats, n_columns: int) -> CostColumns:
    """C of `C = D + S·C`. matrix: S [states, states]; state, column, amount: entries of D, which add up."""
    n_columns = max(n_columns, 1)
    if n_columns <= NARROW:
        return CostColumns((_block(matrix, state, column, amount, n_columns),))
    order = np.argsort(column // WIDTH, kind="stable")
    state, column, amount = state[order], column[order], amount[order]
    begins = np.arange(0, n_columns, WIDTH)
    bounds = np.searchsorted(column // WIDTH, np.arange(len(begins) + 1))
    blocks: list[Floats | csr_matrix] = []
    for place, first in enumerate(begins.tolist()):
        entries = slice(bounds[place], bounds[place + 1])
        width = min(WIDTH, n_columns - first)
        block = _block(matrix, state[entries], column[entries] - first, amount[entries], width)
        filled = np.count_nonzero(block) / block.size if block.size else 1.0
        blocks.append(csr_matrix(block) if filled < _SPARE else block)
    return CostColumns(tuple(blocks))


def _block(matrix: csr_matrix, state: Ints, column: Ints, amount: Floats, width: int) -> Floats:
    n = matrix.shape[0]
    posted = np.bincount(state * width + column, amount, n * width).astype(np.float64, copy=False)
    return swept(matrix, posted.reshape(n, width))
