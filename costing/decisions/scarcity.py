"""When bottles, a market or the cellar are scarce: who gets them, who waits, and what a place is worth.

Rule:   channels   fill the floors, then the channel of highest net contribution up to its cap, and so on
        market     maximise Σ v[s,t] · x[s,t]  with  Σ_t x[s,t] ≤ bottles of s  and
                   Σ_s survivors[s,t] · x[s,t] ≤ what the market takes from date t to the next
        cellar     value of a place used again and again: NPV of one cycle / (1 − e^(−δ · its years))

Conventions Those of `release_dates`. Contributions are net of everything that a bottle more would cost.
    Stacks of one market are served in the order given (oldest first, as a house would); a later one waits
    until the market has room for its whole sale. The place of a stack is free again once it is released.

What it does not do: demand that answers to price, sales of one release in several tranches at several
prices, places of different sizes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.optimize import linprog

from costing.decisions.release_dates import Stacks, age_in_months, grid_on_curve, worth_by_date
from costing.engine.carrying import FloatArray, IntArray, RateCurve, day_numbers


@dataclass(frozen=True, eq=False)
class Allocation:
    """Bottles to channels: bottles [channel], bottles left over, net contribution of all, and of one more."""

    bottles: FloatArray
    left: float
    contribution: float
    worth_of_one_more: float


def allocate_bottles(
    available: float,
    contribution: npt.ArrayLike,
    at_least: npt.ArrayLike = 0.0,
    at_most: npt.ArrayLike = np.inf,
) -> Allocation:
    """Share scarce bottles between channels for the highest net contribution, within floors and caps.

    contribution: per bottle [channel]; at_least, at_most: bottles [channel]. Taking the best channel first
    is exact, not a rule of thumb: every channel draws on the one stock at one bottle a bottle, so in any
    other plan a bottle can be moved from a lower to a higher contribution (the continuous knapsack). A
    channel that contributes nothing or less gets its floor alone. ValueError where floors can't be met.
    """
    a_bottle = np.atleast_1d(np.asarray(contribution, dtype=np.float64))
    floor = np.broadcast_to(np.asarray(at_least, dtype=np.float64), a_bottle.shape)
    cap = np.broadcast_to(np.asarray(at_most, dtype=np.float64), a_bottle.shape)
    if (floor > cap).any():
        msg = f"channel {int(np.flatnonzero(floor > cap)[0])} must get more than it can take"
        raise ValueError(msg)
    if floor.sum() > available:
        msg = f"the channels must get {floor.sum():g} bottles and {available:g} are there"
        raise ValueError(msg)
    order = np.argsort(-a_bottle, kind="stable")
    order = order[a_bottle[order] > 0]
    room = (cap - floor)[order]
    spare = float(available - floor.sum())
    before = np.concatenate([[0.0], np.cumsum(room)])[:-1]
    given = np.clip(spare - before, 0.0, room)
    bottles = floor.copy()
    bottles[order] += given
    open_channels = order[given < room]
    more = float(a_bottle[open_channels[0]]) if len(open_channels) else 0.0
    return Allocation(bottles, float(available - bottles.sum()), float((bottles * a_bottle).sum()), more)


@dataclass(frozen=True, eq=False)
class MarketQueue:
    """Who waits how long for a shared market.

    wait_years: from each date until the market is free for the release [s, t]; date: position of the date
    chosen, −1 for none [s].
    """

    wait_years: FloatArray
    date: IntArray


def queue_for_market(stacks: Stacks, days: npt.ArrayLike, curve: RateCurve, market: npt.ArrayLike) -> MarketQueue:
    """Let stacks that share a market take their best dates in turn, each in the room that others leave.

    market: which market a stack sells to, by number [s]; rows of one market are served in their order. Pass
    `wait_years` on to `hold_or_release`.
    """
    grid = grid_on_curve(days, curve)
    markets = np.asarray(market, dtype=np.int64)
    waits = np.zeros(stacks.price.shape)
    date = np.full(len(markets), -1, dtype=np.int64)
    busy: dict[int, list[tuple[float, float]]] = {}
    usable = stacks.reasons() == 0
    for row, place in enumerate(markets):
        stack, taken = stacks.rows([row]), busy.setdefault(int(place), [])
        sale_years = worth_by_date(stack, grid).sale_years[0]
        start = grid.years.copy()
        for begins, ends in sorted(taken):
            clash = (start < ends) & (start + sale_years > begins)
            start = np.where(clash, ends, start)
        waits[row] = start - grid.years
        if not usable[row].any():
            continue
        npv = np.where(usable[row], worth_by_date(stack, grid, waits[[row]]).npv[0], -np.inf)
        best = int(npv.argmax())
        date[row] = best
        if sale_years[best] > 0:
            taken.append((float(start[best]), float(start[best] + sale_years[best])))
    return MarketQueue(waits, date)


@dataclass(frozen=True, eq=False)
class SplitRelease:
    """Best split of stacks over dates.

    drawn: in bottles of the day of the decision [s, t]; released: survivors of them, for sale [s, t]; left:
    never released [s]; npv: of all; worth_of_market: net present value of one bottle more that the market
    took between a date and the next [t]; worth_of_bottle: of one bottle more in a stack [s].
    """

    drawn: FloatArray
    released: FloatArray
    left: FloatArray
    npv: float
    worth_of_market: FloatArray
    worth_of_bottle: FloatArray


def split_release(
    stacks: Stacks, days: npt.ArrayLike, curve: RateCurve, market_per_month: npt.ArrayLike
) -> SplitRelease:
    """Split stacks that share one market over the dates for the highest net present value.

    market_per_month: bottles that the market takes a month from each date on, one for all or [t]; the last
    date gets as many months as the one before it. What is released at a date sells evenly until the next,
    or sooner where all that lies there would. Solved as a linear programme (HiGHS through scipy).
    """
    day = day_numbers(days)
    if len(day) < 2:
        msg = "a split needs two candidate dates or more"
        raise ValueError(msg)
    grid = grid_on_curve(day, curve)
    months = age_in_months(day[:-1], day[1:])
    monthly = np.broadcast_to(np.asarray(market_per_month, dtype=np.float64), day.shape)
    takes = monthly * np.append(months, months[-1])
    step = np.append(np.diff(grid.years), grid.years[-1] - grid.years[-2])
    survivors = stacks.survival_per_year**grid.years
    lying = (stacks.bottles * survivors).sum(axis=0)
    sale_years = np.minimum(step, lying / np.where(monthly > 0, 12.0 * monthly, np.inf))
    one = replace(stacks, bottles=np.ones(1))
    value = worth_by_date(one, grid, 0.0, np.broadcast_to(sale_years, survivors.shape)).npv
    stack, date = np.nonzero((stacks.reasons() == 0) & (value > 0))
    count = np.arange(len(stack))
    of_stack = sparse.coo_array((np.ones(len(stack)), (stack, count)), (len(survivors), len(stack)))
    of_market = sparse.coo_array((survivors[stack, date], (date, count)), (len(day), len(stack)))
    drawn, worth_of_bottle = np.zeros(survivors.shape), np.zeros(len(survivors))
    worth_of_market, npv = np.zeros(len(day)), 0.0
    if len(stack):
        limited = np.isfinite(takes)
        bounds = sparse.vstack([of_stack, of_market.tocsr()[limited]]).tocsr()
        limits = np.concatenate([stacks.bottles[:, 0], takes[limited]])
        plan = linprog(-value[stack, date], A_ub=bounds, b_ub=limits, method="highs")
        if plan.x is None:
            raise ArithmeticError(str(plan.message))
        drawn[stack, date] = plan.x
        npv = float((value[stack, date] * plan.x).sum())
        shadow = -plan.ineqlin.marginals
        worth_of_bottle, worth_of_market[limited] = shadow[: len(survivors)], shadow[len(survivors) :]
    left = stacks.bottles[:, 0] - drawn.sum(axis=1)
    return SplitRelease(drawn, drawn * survivors, left, npv, worth_of_market, worth_of_bottle)


def rotation_value(cycle_npv: npt.ArrayLike, cycle_years: npt.ArrayLike, yearly_rate: float) -> FloatArray:
    """Value of a place in a full cellar, filled again with the same cycle at each release: for each length.

    cycle_npv: net present value at tirage of one cycle, its own cost taken off [t]; cycle_years: its length
    [t]; yearly_rate: effective, above 0. NaN for a cycle of no length. Its best length is shorter than the
    single lot's, since waiting also delays every later cycle. Source: Faustmann's equation, as in Nicholson
    and Snyder, Microeconomic Theory, 11th edition, problem 17.11.
    """
    if not yearly_rate > 0:
        msg = "a place used for ever has a value only at a rate above 0"
        raise ValueError(msg)
    npv, years = np.asarray(cycle_npv, dtype=np.float64), np.asarray(cycle_years, dtype=np.float64)
    wait = -np.expm1(-np.log1p(yearly_rate) * years)
    return np.asarray(np.where(years > 0, npv / np.where(years > 0, wait, 1.0), np.nan))


def npv_in_full_cellar(
    npv: npt.ArrayLike, log_index: npt.ArrayLike, places: npt.ArrayLike, place_value: npt.ArrayLike
) -> FloatArray:
    """Net present value of each release date with the freed places put to their next use.

    npv, log_index: as in `Worth` and `DateGrid` [s, t]; places: bottles that the stack keeps room for [s];
    place_value: worth of one place when it is freed, the highest `rotation_value` of what would fill it.
    """
    freed = np.atleast_1d(np.asarray(places, dtype=np.float64) * np.asarray(place_value, dtype=np.float64))
    return np.asarray(npv) + freed[:, None] * np.exp(-np.asarray(log_index, dtype=np.float64))
