"""Roots of many functions at once, and shares of the normal distribution.

Written here because every command would load scipy.optimize and scipy.special for them, a quarter of a second.

Sources Chandrupatla, "A new hybrid quadratic/bisection algorithm for finding the zero of a nonlinear function without
    using derivatives", Advances in Engineering Software 28 (1997), 145-149 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from math import erfc, sqrt

import numpy as np
import numpy.typing as npt

from costing.array_types import Floats

_MOST_STEPS = 200
"""Bisection alone needs 62 of them to halve any interval to its last digit."""
_ROUNDING = 1e-15
_erfc = np.frompyfunc(erfc, 1, 1)


def normal_share(score: npt.ArrayLike) -> Floats:
    """Share of a normal distribution below each score, a score being deviations above the mean."""
    return 0.5 * np.asarray(_erfc(-np.asarray(score, dtype=np.float64) / sqrt(2.0)), dtype=np.float64)


def roots_between(values: Callable[[Floats], Floats], low: npt.ArrayLike, high: npt.ArrayLike) -> Floats:
    """Root of each function between its two bounds, to the last digits; NaN where the signs there do not differ.

    low, high: a pair for each function, of any shape; values: of all functions, each at its own point, of that shape.
    """
    newest, before = np.asarray(high, dtype=np.float64), np.asarray(low, dtype=np.float64)
    at_newest, at_before = values(newest), values(before)
    bracketed = np.sign(at_newest) * np.sign(at_before) <= 0
    part = np.full(newest.shape, 0.5)
    with np.errstate(divide="ignore", invalid="ignore"):
        for _ in range(_MOST_STEPS):
            point = newest + part * (before - newest)
            at_point = values(point)
            same = np.sign(at_point) == np.sign(at_newest)
            dropped, at_dropped = np.where(same, newest, before), np.where(same, at_newest, at_before)
            before, at_before = np.where(same, before, newest), np.where(same, at_before, at_newest)
            newest, at_newest = point, at_point
            best = np.where(np.abs(at_newest) < np.abs(at_before), newest, before)
            smallest = _ROUNDING * (1.0 + 2.0 * np.abs(best)) / np.abs(before - newest)
            if not (bracketed & (at_newest != 0) & (at_before != 0) & (smallest <= 0.5)).any():
                break
            part = np.clip(
                _next_part(newest, before, dropped, at_newest, at_before, at_dropped), smallest, 1 - smallest
            )
    return np.where(bracketed, best, np.nan)


def _next_part(a: Floats, b: Floats, c: Floats, at_a: Floats, at_b: Floats, at_c: Floats) -> Floats:
    """Where to look next between a and b, as a part of the way: inverse quadratic through a, b and the point dropped
    last where that is safe, otherwise the middle.
    """
    xi, phi = (a - b) / (c - b), (at_a - at_b) / (at_c - at_b)
    safe = (phi**2 < xi) & ((1 - phi) ** 2 < 1 - xi)
    quadratic = at_a / (at_b - at_a) * at_c / (at_b - at_c) + (c - a) / (b - a) * at_a / (at_c - at_a) * at_b / (
        at_c - at_b
    )
    return np.where(safe, quadratic, 0.5)
