"""When to stop ageing, and the cost of carry, against classic exercises.

The exercises compound continuously: their rate r is the effective yearly rate e^r − 1. Candidate dates are
whole days, so a date found is exact to half a day (0.0014 years) at best.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from costing.decisions.plan.ageing import break_even_price, hold_or_release
from costing.decisions.prices.release_dates import StacksOnLees
from costing.engine.carrying import RateCurve

DAY = 1 / 365


def daily(middle_years: float) -> np.ndarray:
    """The day of the decision, then every day within three years of the middle."""
    centre = round(middle_years * 365)
    return np.concatenate([[0], np.arange(max(centre - 1_000, 1), centre + 1_000)])


def best_years(value: Callable[[np.ndarray], np.ndarray], rate: float, middle: float, **terms: np.ndarray) -> float:
    days = daily(middle)
    price = value(days / 365)
    stack = StacksOnLees(np.ones(1), price, np.zeros(price.shape), np.zeros(price.shape), **terms)
    found = hold_or_release(stack, days, RateCurve.flat(np.expm1(rate)))
    return float(days[found.best[0]] / 365)


@pytest.mark.parametrize(("rate", "years"), [(0.10, 25.0), (0.05, 100.0)])
def test_wine_worth_k_e_to_the_root_of_t_stops_at_1_over_4_r_squared(rate, years):
    """V = K·e^√t: t* = 1/(4r²) (Colorado School of Mines, calculus notes, dahl.mines.edu, item 41)."""
    assert best_years(lambda t: 10 * np.exp(np.sqrt(t)), rate, years) == pytest.approx(years, abs=DAY)


def test_proportional_storage_acts_as_a_higher_rate():
    """Storage in proportion u of the value: t* = 1/(4(r + u)²). In kind: survival e^(−u) a year."""
    found = best_years(lambda t: 10 * np.exp(np.sqrt(t)), 0.05, 25.0, survival_per_year=np.array([np.exp(-0.05)]))
    assert found == pytest.approx(25.0, abs=DAY)


def test_flat_storage_stops_a_little_earlier():
    """K = 10, r = .10, storage .5 a year: most of K·e^(√t − rt) − s(1 − e^(−rt))/r, 24.830 (worked out)."""
    found = best_years(lambda t: 10 * np.exp(np.sqrt(t)), 0.10, 24.8, storage_per_bottle_year=np.array([0.5]))
    assert found == pytest.approx(24.830, abs=DAY)


def test_value_rising_with_the_root_of_time():
    """P(1 + 20√t) at 5 %: 9.843 years (textbook exercise; an answer of 90.72 in circulation is wrong)."""
    assert best_years(lambda t: 1 + 20 * np.sqrt(t), 0.05, 9.8) == pytest.approx(9.843, abs=DAY)


def test_value_e_to_085_root_t():
    """e^(.85√t) at 5 %: (.85 / .10)² = 72.25 years (teaching notes)."""
    assert best_years(lambda t: np.exp(0.85 * np.sqrt(t)), 0.05, 72.0) == pytest.approx(72.25, abs=DAY)


def tree(years: np.ndarray) -> np.ndarray:
    return 50 / (1 + np.exp(10 - 0.1 * years))


@pytest.mark.parametrize(("rate", "single"), [(0.05, 100.00), (0.04, 104.05)])
def test_a_single_rotation(rate, single):
    """f(t) = 50/(1 + e^(10 − .1t)): Nicholson and Snyder, Microeconomic Theory, 11th edition, problem 17.11; the dates
    worked out from it.
    """
    assert best_years(tree, rate, single) == pytest.approx(single, abs=5e-3)


def test_cost_of_carry():
    """1,000, storage 2 a month in advance, 5 % continuous, three months: 5.9751 and 1,018.63.

    Practice question on the forward price of gold (analystnotes.com). Months of a twelfth are 30E/360.
    """
    days = [int(np.datetime64(text, "D").astype(int)) for text in ("2025-01-01", "2025-02-01", "2025-03-01")]
    delivery = int(np.datetime64("2025-04-01", "D").astype(int))
    curve = RateCurve.flat(np.expm1(0.05), "30E/360")
    storage = float((2.0 * curve.growth(days, days[0])).sum())
    assert storage == pytest.approx(5.9751, abs=5e-5)
    growth = curve.growth(days[0], delivery)
    forward = break_even_price(1_000.0, growth, storage * growth, 1.0)
    assert forward == pytest.approx(1_018.63, abs=5e-3)
