"""Rounding so that what is printed adds up: largest remainder."""

from __future__ import annotations

import numpy as np

from costing.array_types import Floats


def rounded_rows(lines: Floats, decimals: int, totals: Floats | None = None) -> tuple[Floats, Floats]:
    """Table [rows, lines] rounded so that each row's lines add up to its rounded total: lines and totals.

    totals: what they are to add up to [rows], less than a unit from their sums; None: their sums.
    """
    unit = 10.0**-decimals
    exact = lines / unit
    floor = np.floor(exact + 1e-9)
    total = np.round((lines.sum(axis=1) if totals is None else totals) / unit)
    missing = np.rint(total - floor.sum(axis=1)).astype(np.int64)
    rank = np.argsort(np.argsort(-(exact - floor), axis=1, kind="stable"), axis=1)
    rounded = floor + (rank < missing[:, np.newaxis])
    return np.round(rounded * unit, decimals), np.round(total * unit, decimals)


def largest_remainder(values: Floats, decimals: int, total: float | None = None) -> Floats:
    """Round a column so that it adds up to its rounded sum, or to `total`, which is round and less than a unit off."""
    lines = np.asarray(values, dtype=np.float64)[np.newaxis, :]
    totals = None if total is None else np.array([total])
    return np.asarray(rounded_rows(lines, decimals, totals)[0][0])
