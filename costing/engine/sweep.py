"""Forward substitution as one sweep over the rows of S: a row is final once the rows before it are.

    x[j] = posted[j] + Σ_i S[j, i]·x[i],   i < j

The product Y += S·X reads the rows in their order, so with X and Y one array it is the substitution itself, and no
factor is needed. scipy has that product compiled, in a module of its own that it may change: where it is not there, or
no longer works in place (tried once, on a chain of two steps), a sparse factor does the same.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
from scipy.sparse import csc_matrix, csr_matrix, eye_array

from costing.array_types import Floats

Product = Callable[..., None]


def swept(matrix: csr_matrix, posted: Floats) -> Floats:
    """Solution of x = posted + S·x, with S strictly lower triangular; in place where it can be.

    matrix: S [states, states]; posted [states, columns], row by row in memory: it is used up.
    """
    product = _product_in_place()
    return factored(matrix, posted) if product is None else _sweep(product, matrix, posted)


def factored(matrix: csr_matrix, posted: Floats) -> Floats:
    """The same by a sparse factor of I − S: no pivoting, no fill."""
    from scipy.sparse.linalg import splu  # slow to load, and seldom needed

    factor = splu(
        csc_matrix(eye_array(matrix.shape[0]) - matrix),
        permc_spec="NATURAL",
        diag_pivot_thresh=0.0,
        relax=1,
        panel_size=1,  # columns of one or two entries: wider panels only cost time
        options={"SymmetricMode": True, "Equil": False},
    )
    return np.asarray(factor.solve(posted))


@cache
def _product_in_place() -> Product | None:
    try:
        from scipy.sparse._sparsetools import csr_matvecs
    except ImportError:
        return None
    product: Product = csr_matvecs
    chain = csr_matrix(np.diag([2.0, 3.0], -1))
    try:
        product_found = _sweep(product, chain, np.array([[1.0, 10.0], [0.0, 0.0], [0.0, 1.0]]))
    except (TypeError, ValueError):
        return None
    return product if product_found.tolist() == [[1.0, 10.0], [2.0, 20.0], [6.0, 61.0]] else None


def _sweep(product: Product, matrix: csr_matrix, posted: Floats) -> Floats:
    rows, columns = posted.shape
    flat = posted.reshape(-1)  # the array itself: it lies row by row
    product(rows, rows, columns, matrix.indptr, matrix.indices, matrix.data, flat, flat)
    return posted
