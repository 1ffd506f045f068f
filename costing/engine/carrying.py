"""Time and money: day counts, the accumulation index, charges that accrue evenly.

Rule:   B(t) = Π (1 + r_k)^(year fraction spent at r_k), an amount paid on p is worth a·B(t)/B(p) on t; and
        a charge of s(t) a year that accrues evenly from `start` to `end` is worth B(end)·∫ s(t)/B(t) dt at
        the end. At one rate and one charge this is s·T·(g − 1)/ln g with g = B(end)/B(start), and s·T where
        g = 1. Both are multiplicative (or additive) in time, so cutting an interval anywhere changes
        nothing.

Conventions
    Days are whole day numbers since 1970-01-01 (`datetime64[D]` is taken too); an interval runs from the
    start of day `start` to the start of day `end`, so start == end is an interval of no length.
    Rates are effective annual, as fractions (0.05 is 5 %). A rate holds from its date until the next; the
    first one also holds before its date. A charge is nothing before its first date.
    A charge runs by Act/365 whatever the day count of the interest. Inside one day the log index is a
    straight line: for Act/365 and Act/360 that is exact; for 30E/360 it spreads each day's step (0 to 3
    thirtieths of a month) evenly.

What it does not do: simple interest (its result depends on where a lot is cut), Actual/Actual, business-day
calendars, windows outside which no capital is charged (the caller sets the growth to 1 there).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
import numpy.typing as npt

from costing.array_types import Floats, Ints, first_true
from costing.calendar import DAYS_A_YEAR
from costing.errors import nearest

_LONG_AGO = -719_162  # 0001-01-01: the start of a charge that has always run


def day_numbers(day: npt.ArrayLike) -> Ints:
    """Whole day numbers since 1970-01-01 from integers, whole floats or dates; ValueError for others."""
    days = np.asarray(day)
    if days.dtype == np.int64:
        return days
    if days.dtype.kind in "iu":
        return days.astype(np.int64)
    if days.dtype.kind == "M":
        if np.isnat(days).any():
            message = f"row {first_true(np.isnat(days))}: a date is missing"
            raise ValueError(message)
        return days.astype("datetime64[D]").astype(np.int64)
    if days.size == 0:
        return days.astype(np.int64)
    if days.dtype.kind == "f" and bool((days == np.round(days)).all()) and bool(np.isfinite(days).all()):
        return days.astype(np.int64)
    message = "days must be whole day numbers or dates"
    raise ValueError(message)


def _thirty_day_number(days: Ints) -> Ints:
    """Days in months of 30: 360·year + 30·month + min(day, 30), but for a constant."""
    date = days.astype("datetime64[D]")
    month = date.astype("datetime64[M]")
    day_of_month = (date - month.astype("datetime64[D]")).astype(np.int64) + 1
    return np.asarray(30 * month.astype(np.int64) + np.minimum(day_of_month, 30), dtype=np.int64)


# A day count is the difference of two readings of a clock that numbers the days, over its days a year; so it
# adds up over cut intervals. 2006 ISDA Definitions, section 4.16 (d), (e), (g), from memory; 30E/360 is the
# Eurobond basis: the 31st counts as the 30th and the end of February is not moved (4.16(h) moves it).
_CLOCKS: dict[str, tuple[Callable[[Ints], Ints], float]] = {
    "Act/365": (np.asarray, 365.0),
    "Act/360": (np.asarray, 360.0),
    "30E/360": (_thirty_day_number, 360.0),
}


def _year_fraction(day_count: str, start: npt.ArrayLike, end: npt.ArrayLike) -> Floats:
    clock, days_a_year = _CLOCKS[day_count]
    return np.asarray((clock(day_numbers(end)) - clock(day_numbers(start))) / days_a_year)


DAY_COUNTS: dict[str, Callable[[npt.ArrayLike, npt.ArrayLike], Floats]] = {
    name: partial(_year_fraction, name) for name in _CLOCKS
}
"""Day count -> function (start, end) -> years between two day numbers, negative where end is before start."""


@dataclass(frozen=True, eq=False)
class RateCurve:
    """Dated effective annual rates of interest and the index that they build.

    from_day: first day of each rate, ascending [n]; rate: effective annual, above −1 [n]; day_count: a key
    of `DAY_COUNTS`.
    """

    from_day: Ints
    rate: Floats
    day_count: str = "Act/365"

    def __post_init__(self) -> None:
        from_day, rate = _dated_steps(self.from_day, self.rate, "rate")
        if self.day_count not in DAY_COUNTS:
            message = f"unknown day count '{self.day_count}'. {nearest(self.day_count, DAY_COUNTS)}".strip()
            raise ValueError(message)
        if (rate <= -1).any():
            message = f"rate {first_true(rate <= -1)}: an annual rate of -100 % or less leaves nothing to grow"
            raise ValueError(message)
        object.__setattr__(self, "from_day", from_day)
        object.__setattr__(self, "rate", rate)

    @classmethod
    def flat(cls, rate: float, day_count: str = "Act/365") -> RateCurve:
        """One rate at all times."""
        return cls(np.zeros(1, dtype=np.int64), np.array([rate], dtype=np.float64), day_count)

    @cached_property
    def _log_rate(self) -> Floats:
        return np.log1p(self.rate)

    @cached_property
    def _log_at_step(self) -> Floats:
        years = DAY_COUNTS[self.day_count](self.from_day[:-1], self.from_day[1:])
        return np.concatenate([[0.0], np.cumsum(self._log_rate[:-1] * years)])

    def log_index(self, day: npt.ArrayLike) -> Floats:
        """Natural logarithm of B on each day; 0 on the date of the first rate."""
        days = day_numbers(day)
        first, last = int(days.min(initial=0)), int(days.max(initial=0))
        if days.size <= last - first + 1:
            return self._log_index(days)
        return self._log_index(np.arange(first, last + 1))[days - first]  # more days asked than there are

    def _log_index(self, days: Ints) -> Floats:
        clock, days_a_year = _CLOCKS[self.day_count]
        reading, at_step = clock(days), clock(self.from_day)
        if len(self.rate) == 1:
            return np.asarray(self._log_rate[0] * ((reading - at_step[0]) / days_a_year))
        step = np.maximum(np.searchsorted(self.from_day, days, side="right") - 1, 0)
        years = (reading - at_step[step]) / days_a_year
        return np.asarray(self._log_at_step[step] + self._log_rate[step] * years)

    def growth(self, start: npt.ArrayLike, end: npt.ArrayLike) -> Floats:
        """B(end)/B(start): worth on `end` of one unit paid on `start`; a discount where end is earlier."""
        return np.asarray(np.exp(self.log_index(end) - self.log_index(start)))


@dataclass(frozen=True, eq=False)
class AccrualCurve:
    """A charge per unit and year that accrues evenly, at a rate that changes by date.

    from_day: first day of each charge, ascending [n]; annual_rate: money per unit-year from that day [n]. Nothing is
    charged before the first date.
    """

    from_day: Ints
    annual_rate: Floats

    def __post_init__(self) -> None:
        from_day, annual_rate = _dated_steps(self.from_day, self.annual_rate, "charge")
        object.__setattr__(self, "from_day", from_day)
        object.__setattr__(self, "annual_rate", annual_rate)

    @classmethod
    def flat(cls, annual_rate: float) -> AccrualCurve:
        """One charge at all times (from 0001-01-01)."""
        return cls(np.array([_LONG_AGO], dtype=np.int64), np.array([annual_rate], dtype=np.float64))

    def amount(self, start: npt.ArrayLike, end: npt.ArrayLike) -> Floats:
        """Charge for one unit held from `start` to `end`, without interest: ∫ s dt, years by Act/365.

        Arrays broadcast; ValueError naming the row where end is before start.
        """
        return self.value_at_end(start, end, NO_INTEREST)

    def value_at_end(self, start: npt.ArrayLike, end: npt.ArrayLike, curve: RateCurve) -> Floats:
        """Worth at `end` of the charge for one unit held from `start` to `end`: B(end)·∫ s(t)/B(t) dt.

        Exact where the charge, the interest rate or both change inside the interval. Arrays broadcast;
        ValueError naming the row where end is before start.
        """
        starts, ends = np.broadcast_arrays(day_numbers(start), day_numbers(end))
        backwards = ends < starts
        if backwards.any():
            row = first_true(backwards)
            message = f"row {row}: it ends on day {ends.flat[row]}, before its start {starts.flat[row]}"
            raise ValueError(message)
        if starts.size == 0 or int(starts.min()) == int(ends.max()):
            return np.zeros(starts.shape)
        knots = self._knots(curve, int(starts.min()), int(ends.max()))
        a_day = self.rate_on(knots[:-1]) / DAYS_A_YEAR
        value = _accrue(starts.ravel(), ends.ravel(), knots, a_day, curve.log_index(knots))
        return value.reshape(starts.shape)

    def rate_on(self, day: Ints) -> Floats:
        """Charge per unit and year in force on each day."""
        step = np.searchsorted(self.from_day, day, side="right") - 1
        return np.where(step >= 0, self.annual_rate[step], 0.0)

    def _knots(self, curve: RateCurve, first: int, last: int) -> Ints:
        """Days from first to last, both included, on which the charge or the daily interest changes."""
        changes = [self.from_day, curve.from_day, np.array([first, last], dtype=np.int64)]
        if curve.day_count == "30E/360":
            days = np.arange(first, last + 1, dtype=np.int64)
            steps = np.diff(_thirty_day_number(days))
            changes.append(days[1:-1][steps[1:] != steps[:-1]])
        knots = np.unique(np.concatenate(changes))
        return knots[(knots >= first) & (knots <= last)]


def _dated_steps(from_day: npt.ArrayLike, level: npt.ArrayLike, what: str) -> tuple[Ints, Floats]:
    """Read-only copies of a dated step function, checked: as many days as levels, ascending, finite."""
    days = np.array(day_numbers(from_day), dtype=np.int64, ndmin=1)
    levels = np.array(level, dtype=np.float64, ndmin=1)
    if days.shape != levels.shape or days.ndim != 1 or len(days) == 0:
        message = f"each {what} needs one date and each date one {what}; at least one of them"
        raise ValueError(message)
    if (np.diff(days) <= 0).any():
        message = f"{what} {first_true(np.diff(days) <= 0) + 1}: dates must ascend, each once"
        raise ValueError(message)
    if not np.isfinite(levels).all():
        message = f"{what} {first_true(~np.isfinite(levels))}: not a number"
        raise ValueError(message)
    days.setflags(write=False)
    levels.setflags(write=False)
    return days, levels


def _accrue(start: Ints, end: Ints, knots: Ints, charge: Floats, log_index: Floats) -> Floats:
    """Worth at `end` of a charge between start and end, both within the knots.

    charge: money a day [pieces]; log_index: ln B [knots]. An interval is a head (up to the first knot
    inside it), whole pieces, and a tail: no difference of large totals is taken within a piece, so a single
    day late in a long history keeps its digits.
    """
    slope = np.diff(log_index) / np.diff(knots)
    first_piece = np.minimum(np.searchsorted(knots, start, side="right") - 1, len(charge) - 1)
    head_end = np.minimum(end, knots[first_piece + 1])
    head_days = (head_end - start).astype(np.float64)
    value = charge[first_piece] * head_days * mean_growth(slope[first_piece] * head_days)
    across = np.flatnonzero(end > head_end)
    if len(across) == 0:
        return np.asarray(value)
    whole = charge * np.diff(knots) * mean_growth(np.diff(log_index))
    base = log_index - log_index[0]
    discounted = np.concatenate([[0.0], np.cumsum(whole * np.exp(-base[1:]))])
    ends = end[across]
    after = first_piece[across] + 1  # the knot at which the head ends
    last_piece = np.searchsorted(knots, ends, side="left") - 1
    tail_days = (ends - knots[last_piece]).astype(np.float64)
    tail_growth = slope[last_piece] * tail_days
    at_end = base[last_piece] + tail_growth
    value[across] = (
        value[across] * np.exp(at_end - base[after])
        + (discounted[last_piece] - discounted[after]) * np.exp(at_end)
        + charge[last_piece] * tail_days * mean_growth(tail_growth)
    )
    return np.asarray(value)


def mean_growth(log_growth: npt.ArrayLike) -> Floats:
    """(g − 1)/ln g: worth of one unit at the end of an interval over which it was spread, given ln g; 1 at g = 1."""
    exponent = np.asarray(log_growth, dtype=np.float64)
    return np.divide(np.expm1(exponent), exponent, out=np.ones(exponent.shape), where=exponent != 0)


NO_INTEREST = RateCurve.flat(0.0)
