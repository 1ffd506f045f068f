"""When to stop ageing, and the cost of carry, against classic exercises.

The exercises compound continuously: their rate r is the effective yearly rate e^r − 1. Candidate dates are
whole days, so a date found is exact to half a day (0.0014 years) at best.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
import pytest

from costing.decisions.plan.ageing import break_even_price, hold_or_release
from costing.decisions.prices.release_dates import StacksOnLees
from costing.engine.carrying import RateCurve
from tests.published.figures import Figure

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


def root_of_time(years: np.ndarray) -> np.ndarray:
    return 10 * np.exp(np.sqrt(years))


def tree(years: np.ndarray) -> np.ndarray:
    return 50 / (1 + np.exp(10 - 0.1 * years))


def in_kind() -> float:
    """Storage in proportion u of the value: survival e^(−u) a year."""
    return best_years(root_of_time, 0.05, 25.0, survival_per_year=np.array([np.exp(-0.05)]))


def flat_storage() -> float:
    """K = 10, r = .10, storage .5 a year: most of K·e^(√t − rt) − s(1 − e^(−rt))/r."""
    return best_years(root_of_time, 0.10, 24.8, storage_per_bottle_year=np.array([0.5]))


def carried() -> tuple[float, float]:
    """Storage and forward price. Months of a twelfth are 30E/360."""
    days = [int(np.datetime64(text, "D").astype(int)) for text in ("2025-01-01", "2025-02-01", "2025-03-01")]
    delivery = int(np.datetime64("2025-04-01", "D").astype(int))
    curve = RateCurve.flat(np.expm1(0.05), "30E/360")
    storage = float((2.0 * curve.growth(days, days[0])).sum())
    growth = curve.growth(days[0], delivery)
    return storage, float(break_even_price(1_000.0, growth, storage * growth, 1.0, 0.0, 1.0))


MINES = "Colorado School of Mines, calculus notes, dahl.mines.edu, item 41"
ROOT = "P(1 + 20√t) at 5 %, textbook exercise (second check; 90.72 in circulation is wrong)"
POWER = "e^(.85√t) at 5 %, teaching notes (second check)"
ROTATION = "Nicholson and Snyder, Microeconomic Theory, 11th edition, problem 17.11 (from its inputs)"
CARRY = "Practice question on the forward price of gold, analystnotes.com: 1,000, storage 2 a month in advance, 5 %"
TO_A_DAY = {"by_run": False, "rounded_before": DAY}


def rises(years: np.ndarray) -> np.ndarray:
    return 1 + 20 * np.sqrt(years)


def steeper(years: np.ndarray) -> np.ndarray:
    return np.exp(0.85 * np.sqrt(years))


FIGURES = [
    Figure(MINES, "K·e^√t at 10 %: 1/(4r²)", 25.0, 3, partial(best_years, root_of_time, 0.10, 25.0), **TO_A_DAY),
    Figure(MINES, "K·e^√t at 5 %: 1/(4r²)", 100.0, 3, partial(best_years, root_of_time, 0.05, 100.0), **TO_A_DAY),
    Figure(MINES, "flat storage .5 a year", 24.830, 3, flat_storage, is_worked_out=True, **TO_A_DAY),
    Figure(ROOT, "years", 9.843, 3, partial(best_years, rises, 0.05, 9.8), **TO_A_DAY),
    Figure(POWER, "years: (.85 / .10)²", 72.25, 2, partial(best_years, steeper, 0.05, 72.0), **TO_A_DAY),
    Figure(ROTATION, "once, at 5 %", 100.00, 2, partial(best_years, tree, 0.05, 100.0), False, is_worked_out=True),
    Figure(ROTATION, "once, at 4 %", 104.05, 2, partial(best_years, tree, 0.04, 104.05), False, is_worked_out=True),
    Figure(CARRY, "storage", 5.9751, 4, lambda: carried()[0], False),
    Figure(CARRY, "forward", 1_018.63, 2, lambda: carried()[1], False),
]


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.name)
def test_a_published_figure(figure: Figure) -> None:
    figure.check()


def test_proportional_storage_acts_as_a_higher_rate() -> None:
    """t* = 1/(4(r + u)²), by the same notes: 5 % and 5 % are 10 %."""
    assert in_kind() == pytest.approx(25.0, abs=DAY)
