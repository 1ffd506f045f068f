"""The sweep against a factor and against a dense solver; capital that is exact; wide tables by what is filled.

Forward substitution row by row: Golub and Van Loan, Matrix Computations, 4th edition, algorithm 3.1.1 (from memory);
the reference here is LAPACK's dense triangular solver (trtrs), through scipy.linalg.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import solve_triangular
from scipy.sparse import csr_matrix, random_array

from costing.engine import sweep
from costing.engine.cost_columns import NARROW, WIDTH, cost_columns
from costing.engine.solve import Posted, Triangular, solve
from costing.engine.sweep import factored, swept


def _shares(n: int, seed: int, density: float = 0.05) -> csr_matrix:
    """Strictly lower triangular, columns that add up to 1 or less: what one state passes on."""
    rng = np.random.default_rng(seed)
    lower = np.tril(random_array((n, n), density=density, rng=rng).toarray(), -1)
    return csr_matrix(lower / np.maximum(lower.sum(axis=0), 1.0))


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("columns", [1, 7])
def test_sweep_factor_and_dense_solver_agree(seed: int, columns: int) -> None:
    matrix = _shares(200, seed)
    posted = np.random.default_rng(seed).standard_normal((200, columns))
    exact = solve_triangular(np.eye(200) - matrix.toarray(), posted, lower=True, unit_diagonal=True)
    for found in (swept(matrix, posted.copy()), factored(matrix, posted.copy())):
        np.testing.assert_allclose(found, exact, rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize("seed", range(5))
def test_backward_is_the_transposed_system(seed: int) -> None:
    matrix, growth = _shares(150, seed), np.random.default_rng(seed).uniform(1.0, 1.1, 150)
    weight = np.random.default_rng(seed).standard_normal((150, 3))
    for one, dense in (
        (Triangular(matrix), matrix.toarray()),
        (Triangular(matrix, growth), growth[:, np.newaxis] * matrix.toarray()),
    ):
        exact = solve_triangular(np.eye(150) - dense, weight, lower=True, trans="T", unit_diagonal=True)
        np.testing.assert_allclose(one.backward(weight), exact, rtol=1e-12, atol=1e-12)
        np.testing.assert_allclose(one.backward(weight[:, 0]), exact[:, 0], rtol=1e-12, atol=1e-12)


def test_the_compiled_sweep_is_in_use_and_the_plain_path_stands_in_for_it(monkeypatch: pytest.MonkeyPatch) -> None:
    assert sweep._product_in_place() is not None
    matrix, posted = _shares(60, 1), np.ones((60, 2))
    with_it = swept(matrix, posted.copy())
    monkeypatch.setattr(sweep, "_product_in_place", lambda: None)
    np.testing.assert_allclose(swept(matrix, posted.copy()), with_it, rtol=1e-12)


def test_a_given_array_is_not_used_up() -> None:
    posted = np.ones(30)
    Triangular(_shares(30, 2)).forward(posted)
    assert (posted == 1.0).all()


def test_capital_is_nothing_where_nothing_was_charged() -> None:
    """Three states of stage 0 without growth, one year at 5 % in the fourth, of stage 1: 0.05 × 100 000.1."""
    matrix = csr_matrix(np.diag([0.3, 1.0, 1.0], -1))
    none = np.zeros(2, dtype=np.int64)
    amount = np.array([333_333.666_666_7, 0.1])
    posted = Posted(np.array([0, 2]), none, amount, amount)
    growth = np.array([1.0, 1.0, 1.0, 1.05])
    found = solve(matrix, posted, 1, growth, np.ones(4), np.array([0, 0, 0, 1]), accrues_everywhere=False)
    assert found.capital_stages.tolist() == [1]
    assert found.capital[:3].tolist() == [0.0, 0.0, 0.0]
    assert found.capital[3] == pytest.approx(0.05 * (0.3 * amount[0] + 0.1), rel=1e-14)
    np.testing.assert_allclose(found.cost.total, found.worth, rtol=1e-14)


def test_many_columns_cost_what_few_do_and_keep_what_is_filled() -> None:
    n, width, entries = 300, 5 * WIDTH + 3, 2_000
    assert width > NARROW
    rng = np.random.default_rng(3)
    matrix = _shares(n, 3, density=0.01)
    state, column = rng.integers(0, n, entries), np.sort(rng.integers(0, width, entries))
    column[column < 2 * WIDTH] = 0  # columns of the first two blocks stay empty but for one
    amount = rng.uniform(0.0, 100.0, entries)
    found = cost_columns(matrix, state, column, amount, width)
    dense = np.zeros((n, width))
    np.add.at(dense, (state, column), amount)
    exact = solve_triangular(np.eye(n) - matrix.toarray(), dense, lower=True, unit_diagonal=True)
    assert found.shape == exact.shape
    np.testing.assert_allclose(found[np.arange(n)], exact, rtol=1e-12)
    np.testing.assert_allclose(found[np.array([7, 7, 0])], exact[[7, 7, 0]], rtol=1e-12)
    np.testing.assert_allclose(found[np.int64(5)], exact[5], rtol=1e-12)
    np.testing.assert_allclose(found.total, exact.sum(axis=1), rtol=1e-12)
    group = rng.integers(0, 4, width)
    np.testing.assert_allclose(
        found.grouped(group, 4), np.stack([exact[:, group == one].sum(axis=1) for one in range(4)], axis=1), rtol=1e-12
    )
    assert any(isinstance(block, csr_matrix) for block in found.blocks)


def test_up_to_the_width_called_narrow_costs_stand_in_one_block() -> None:
    """An estate of a dozen elements is one table; one column more, and costs are kept block by block."""
    matrix, state = _shares(20, 0), np.arange(20)
    for n_columns, blocks in ((NARROW, 1), (NARROW + 1, -(-(NARROW + 1) // WIDTH))):
        found = cost_columns(matrix, state, state, np.ones(20), n_columns)
        assert (len(found.blocks), found.shape) == (blocks, (20, n_columns))
