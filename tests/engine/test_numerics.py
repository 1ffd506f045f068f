"""Roots and the normal distribution, against scipy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq, elementwise
from scipy.special import ndtr

from costing.engine.numerics import normal_share, roots_between


def test_shares_of_the_normal_distribution_are_those_of_scipy() -> None:
    score = np.linspace(-30.0, 9.0, 400)
    assert normal_share(score) == pytest.approx(ndtr(score), rel=1e-14)
    assert normal_share(0.0) == 0.5


@given(st.lists(st.tuples(st.floats(-3, 3), st.floats(0.1, 4), st.floats(1, 9)), min_size=1, max_size=12))
def test_roots_of_many_functions_are_those_of_scipy(functions) -> None:
    centre, steep, power = given_ones = tuple(np.array(functions).T)

    def values(x, centre=centre, steep=steep, power=power):
        return np.expm1(steep * (x - centre)) + np.sign(x - centre) * np.abs(x - centre) ** power

    low, high = centre - 1.7, centre + 2.9
    found = roots_between(values, low, high)
    assert found == pytest.approx(centre, abs=1e-14)
    theirs = elementwise.find_root(values, (low, high), args=given_ones, tolerances={"xatol": 1e-15})
    assert found == pytest.approx(theirs.x, abs=1e-14)


@pytest.mark.parametrize("function", [np.cos, lambda x: x**3 - 2.0, lambda x: np.where(x < 1.3, -1.0, 1.0)])
def test_a_root_alone_is_that_of_brentq(function) -> None:
    expected = brentq(lambda x: float(function(np.array(x))), 0.1, 3.0, xtol=1e-14)
    assert float(roots_between(function, 0.1, 3.0)) == pytest.approx(expected, abs=1e-13)


def test_a_root_on_a_bound_is_found_and_none_is_invented() -> None:
    found = roots_between(lambda x: x**2 - np.array([[1.0, 4.0], [9.0, 100.0]]), np.ones((2, 2)), 3.0 * np.ones((2, 2)))
    assert found == pytest.approx(np.array([[1.0, 2.0], [3.0, np.nan]]), nan_ok=True)


def test_few_values_are_asked_for() -> None:
    asked = []

    def values(x):
        asked.append(x)
        return np.exp(x) - np.array([2.0, 1e-3, 1e3, -1.0])  # the last has no root, and holds nobody up

    found = roots_between(values, -10.0 * np.ones(4), 10.0 * np.ones(4))
    assert found == pytest.approx(np.array([*np.log([2.0, 1e-3, 1e3]), np.nan]), nan_ok=True)
    assert len(asked) < 16  # bisection alone takes more than fifty
