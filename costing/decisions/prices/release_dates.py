"""What stacks on lees are worth at candidate release dates: survivors, prices, sale over time, present value.

Rule:   N_t   = q_t · (p_t · a_t − f_t − s' · b_t)             worth at t of releasing then
        NPV_t = N_t / B(t) − Σ PV(storage until t)
        a = e^(−δW) · (1 − e^(−δT))/(δT)                       worth of one unit of price, sold over T
        b = ∫ (share of bottles unsold at u) · e^(−δu) du      discounted years of finished storage
        with δ = ln(1 + r), T = q_t / (12 · bottles that the market takes a month), W the wait until the
        market is free; a = 1 and b = 0 where the market takes all at once.

Conventions Stacks are rows, candidate dates columns; the first date is the day of the decision. Prices and
    finishing cost come in the money of each date. Losses fall at the end of each step at a constant yearly
    survival, so that a step cut in two keeps its survivors; storage accrues evenly on the bottles at the
    start of a step. All bottles are finished on the release date; unsold ones pay finished storage (s').
    Prices are net of commission and of the wait for the customer's money. Years are Act/365, months
    calendar months.

What it does not do: choose (`ageing`), share a market or a cellar between stacks (`scarcity`), extrapolate
a price beyond the ages given.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields

import numpy as np
import numpy.typing as npt

from costing.array_types import Floats, Ints
from costing.calendar import DAYS_A_YEAR, add_months, months_between
from costing.engine.carrying import DAY_COUNTS, AccrualCurve, RateCurve, day_numbers, mean_growth

REASONS = (
    "",
    "before the minimum months on lees",
    "no price for this age",
    "the market takes nothing",
)
"""Why a date is not a candidate; reasons are held as positions in this tuple."""


def candidate_days(decision_day: int, step_months: int, horizon_months: int) -> Ints:
    """Day of the decision and every `step_months` calendar months until the horizon [t]."""
    return day_numbers(add_months(decision_day, np.arange(0, horizon_months + 1, step_months)))


def age_in_months(tirage_day: npt.ArrayLike, day: npt.ArrayLike) -> Floats:
    """Whole calendar months from tirage to `day`, and of the running month the share of its days gone."""
    first, last = np.broadcast_arrays(day_numbers(tirage_day), day_numbers(day))
    whole = months_between(first, last)
    before, after = day_numbers(add_months(first, whole)), day_numbers(add_months(first, whole + 1))
    return np.asarray(whole + (last - before) / (after - before))


def in_money_of_day(
    amount: npt.ArrayLike, money_day: npt.ArrayLike, day: npt.ArrayLike, yearly: npt.ArrayLike
) -> Floats:
    """Bring an amount in money of `money_day` to the money of `day`: amount · (1 + yearly)^years."""
    years = (day_numbers(day) - day_numbers(money_day)) / DAYS_A_YEAR
    rise = 1.0 + np.asarray(yearly, dtype=np.float64)
    return np.asarray(np.asarray(amount, dtype=np.float64) * rise**years)


def _one(value: float) -> Floats:
    return np.array([value], dtype=np.float64)


@dataclass(frozen=True, eq=False)
class StacksOnLees:
    """Stacks on lees, one a row, each of one cuvée and format.

    bottles: on the day of the decision [s]; price, finishing, age_months: ex-cellar price, cost of finishing
    a bottle, and age at each date [s, t]; storage_per_bottle_year: from each date on, [s] or [s, t];
    survival_per_year: share [s]; minimum_months [s]; market_per_month: bottles that the market takes, inf
    for no limit [s]; finished_storage_per_bottle_year [s]. A value given once holds for all.
    """

    bottles: Floats
    price: Floats
    finishing: Floats
    age_months: Floats
    storage_per_bottle_year: Floats = field(default_factory=lambda: _one(0.0))
    survival_per_year: Floats = field(default_factory=lambda: _one(1.0))
    minimum_months: Floats = field(default_factory=lambda: _one(0.0))
    market_per_month: Floats = field(default_factory=lambda: _one(np.inf))
    finished_storage_per_bottle_year: Floats = field(default_factory=lambda: _one(0.0))

    def __post_init__(self) -> None:
        shape = np.atleast_2d(np.asarray(self.price, dtype=np.float64)).shape
        by_date = ("price", "finishing", "age_months", "storage_per_bottle_year")
        for each in fields(self):
            values = np.asarray(getattr(self, each.name), dtype=np.float64)
            if values.ndim < 2:
                column = each.name not in by_date[:3] or values.shape != (shape[1],)
                values = values.reshape(-1, 1) if column else values.reshape(1, -1)
            values = np.broadcast_to(values, shape if each.name in by_date else (shape[0], 1))
            object.__setattr__(self, each.name, values)
        if not ((self.survival_per_year > 0) & (self.survival_per_year <= 1)).all():
            msg = "survival is a share of bottles a year: above 0, at most 1"
            raise ValueError(msg)

    def rows(self, which: Ints | list[int]) -> StacksOnLees:
        """Return the stacks at these rows."""
        return StacksOnLees(**{each.name: getattr(self, each.name)[which] for each in fields(self)})

    def reasons(self) -> Ints:
        """Why each date is barred, as a position in `REASONS`, 0 where it is not [s, t]."""
        young = self.age_months < self.minimum_months
        unpriced = np.isnan(self.price)
        unsold = np.broadcast_to(self.market_per_month <= 0, young.shape)
        return np.where(unsold, 3, np.where(unpriced, 2, np.where(young, 1, 0))).astype(np.int64)


@dataclass(frozen=True, eq=False)
class DateGrid:
    """Candidate dates and the value of time between them.

    years: since the decision, Act/365 [t]; log_index: ln B since the decision [r, t]; accrued: worth at the
    end of each step of 1 a year that accrues evenly over it [r, t − 1]; force: ln(1 + r) a year at each date
    [r, t]. r is 1, or the number of stacks where each has a rate of its own.
    """

    years: Floats
    log_index: Floats
    accrued: Floats
    force: Floats


def grid_on_curve(days: npt.ArrayLike, curve: RateCurve) -> DateGrid:
    """Dates under one curve for all stacks; ValueError where they do not ascend."""
    day = day_numbers(days)
    if (np.diff(day) <= 0).any():
        msg = "candidate dates must ascend, each once"
        raise ValueError(msg)
    log_index = curve.log_index(day)
    accrued = AccrualCurve.flat(1.0).value_at_end(day[:-1], day[1:], curve)
    force = curve.log_index(day + int(DAYS_A_YEAR)) - log_index
    years = (day - day[0]) / DAYS_A_YEAR
    return DateGrid(years, (log_index - log_index[0])[None, :], accrued[None, :], force[None, :])


def grid_at_force(days: npt.ArrayLike, log_rate: Floats, day_count: str) -> DateGrid:
    """Dates under one constant rate a stack: log_rate is its ln(1 + r) [s]."""
    day, count = day_numbers(days), DAY_COUNTS[day_count]
    years = (day - day[0]) / DAYS_A_YEAR
    log_index = log_rate[:, None] * count(day[0], day)
    accrued = np.diff(years) * mean_growth(np.diff(log_index, axis=1))
    return DateGrid(years, log_index, accrued, log_rate[:, None] * count(day, day + int(DAYS_A_YEAR)))


@dataclass(frozen=True, eq=False)
class Worth:
    """What stacks are worth at each date, before any is chosen [s, t].

    bottles: survivors; sale_years: how long the release sells (T); kept and unsold_years: a and b of the
    rule; net: worth at the date of releasing then (N); storage_a_year: money a year on lees from the date
    on; storage_value: present value of storage until the date; npv: at the day of the decision.
    """

    bottles: Floats
    sale_years: Floats
    kept: Floats
    unsold_years: Floats
    net: Floats
    storage_a_year: Floats
    storage_value: Floats
    npv: Floats


def worth_by_date(
    stacks: StacksOnLees,
    grid: DateGrid,
    wait_years: npt.ArrayLike = 0.0,
    sale_years: Floats | None = None,
) -> Worth:
    """Net proceeds and net present value of releasing each stack at each date.

    wait_years: from each date until the market is free [s, t]; sale_years: how long each release sells
    [s, t], by the stack's own market if not given.
    """
    bottles = stacks.bottles * stacks.survival_per_year**grid.years
    if sale_years is None:
        takes = np.where(stacks.market_per_month > 0, 12.0 * stacks.market_per_month, np.nan)
        sale_years = bottles / takes
    wait = np.asarray(wait_years, dtype=np.float64)
    delay = np.exp(-grid.force * wait)
    kept = delay * mean_growth(-grid.force * sale_years)
    unsold_years = wait * mean_growth(-grid.force * wait) + delay * sale_years * _mean_unsold(grid.force * sale_years)
    carried = stacks.finished_storage_per_bottle_year * unsold_years
    net = bottles * (stacks.price * kept - stacks.finishing - carried)
    storage_a_year = stacks.storage_per_bottle_year * bottles
    discount = np.exp(-grid.log_index)
    storage_value = running(storage_a_year[:, :-1] * grid.accrued * discount[:, 1:])
    npv = net * discount - storage_value
    return Worth(bottles, sale_years, kept, unsold_years, net, storage_a_year, storage_value, npv)


def running(per_step: Floats) -> Floats:
    """Total of the steps before each date, 0 at the first: [s, t − 1] -> [s, t]."""
    return np.concatenate([np.zeros((per_step.shape[0], 1)), np.cumsum(per_step, axis=1)], axis=1)


def _mean_unsold(exponent: Floats) -> Floats:
    """∫₀¹ (1 − u)·e^(−yu) du = (y − 1 + e^(−y))/y², by its series near 0 (digits)."""
    series = 0.5 - exponent / 6.0 + exponent**2 / 24.0 - exponent**3 / 120.0
    large = np.abs(exponent) > 1e-2
    safe = np.where(large, exponent, 1.0)
    return np.where(large, (safe + np.expm1(-safe)) / safe**2, series)
