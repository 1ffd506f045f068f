"""Calendar months: the one home of counting them.

`end` is n months after `start` from the day of the same number n months later on, or from the last day of
that month where it is shorter (31 January to 28 February: one month).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from costing.array_types import Days, Floats, Ints

DAYS_A_YEAR = 365.0
"""Act/365 (Fixed): the clock of charges per year."""
MONTHS_A_YEAR = 12
DAYS_A_MONTH = 365.25 / MONTHS_A_YEAR
"""Of a calendar month on average."""
_NAT = np.datetime64("NaT", "D")


def months_between(start: ArrayLike, end: ArrayLike) -> Floats:
    """Whole calendar months from `start` to `end` (dates or day numbers): below 0 if `end` is earlier, nan for NaT."""
    first, last = np.broadcast_arrays(as_days(start), as_days(end))
    same_number = np.minimum(_day_of_month(first), _month_length(_month(last)))
    months = (_month(last) - _month(first)).astype(np.float64) - (_day_of_month(last) < same_number)
    return np.where(np.isnat(first) | np.isnat(last), np.nan, months)


def add_months(start: ArrayLike, months: ArrayLike) -> Days:
    """First day on which `months` whole calendar months have passed since `start`; NaT where either is missing."""
    first, count = np.broadcast_arrays(as_days(start), np.asarray(months, dtype=np.float64))
    target = _month(first) + np.nan_to_num(count).astype(np.int64)
    day = target.astype("datetime64[D]") + (np.minimum(_day_of_month(first), _month_length(target)) - 1)
    return np.where(np.isnan(count), _NAT, day)


def year_of(day: ArrayLike) -> Ints:
    """Calendar year of each date or day number."""
    return as_days(day).astype("datetime64[Y]").astype(np.int64) + 1970


def as_days(values: ArrayLike) -> Days:
    """Dates as datetime64[D]; whole numbers are days since 1970-01-01."""
    return np.asarray(values).astype("datetime64[D]")


def _month(day: Days) -> Days:
    return day.astype("datetime64[M]")


def _month_length(months: Days) -> Ints:
    return _day_of_month((months + 1).astype("datetime64[D]") - 1)


def _day_of_month(day: Days) -> Ints:
    number: Ints = (day - _month(day).astype("datetime64[D]")).astype(np.int64) + 1
    return number


def month_ends(first: ArrayLike, last: ArrayLike) -> Ints:
    """Day number of the last day of every calendar month from that of `first` to that of `last`."""
    begin, end = (int(_month(as_days(day)).astype(np.int64)) for day in (first, last))
    following = np.arange(begin + 1, end + 2).astype("datetime64[M]").astype("datetime64[D]")
    ends: Ints = following.astype(np.int64) - 1
    return ends


def financial_year(day: ArrayLike, first_month: int) -> tuple[Ints, Ints]:
    """Financial year of each day, named for the calendar year in which it ends, and the number of its first day."""
    count = (_month(as_days(day)).astype(np.int64) - (first_month - 1)) // 12
    begins = (count * 12 + first_month - 1).astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    return count + 1970 + (first_month > 1), begins
