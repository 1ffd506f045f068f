"""Hold or release: which date is best for a stack on lees, and what would turn the decision.

Rule:   best date = highest NPV_t among those allowed and priced; gain = NPV_t − NPV of the first of them
        the year's return is the r with G = (1 + r)^(length of the step) and
            N_t · G + h · (G − 1)/ln G = N_{t+1}
        break-even price p* = {f' + s' · b' + [N_t · g + h · (g − 1)/ln g] / q'} / a'
        with N, a, b, s' of `release_dates`, h the storage paid in the step, g the growth at the hurdle.

Conventions Those of `release_dates`. A step runs from one candidate date to the next. Hurdles at which the
    decision flips are one constant yearly rate, whatever the shape of the curve. Uncertain prices are
    lognormal about their expected value.

Decide year by year on net present value: the average return over two years can clear the hurdle while the
second year alone does not. What it does not do: taste, bottle pressure, the right to decide again later
once the price is known (so waiting is worth no less than shown). Decision support, not advice; minimum
months follow dated rule sets and are to be confirmed with the appellation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from costing.answers.kinds import about
from costing.array_types import Flags, Floats, Ints
from costing.decisions.prices.release_dates import (
    REASONS,
    StacksOnLees,
    Worth,
    age_in_months,
    grid_at_force,
    grid_on_curve,
    running,
    worth_by_date,
)
from costing.engine.carrying import DAY_COUNTS, RateCurve, day_numbers, mean_growth
from costing.engine.numerics import normal_share, roots_between

# Flip hurdles are searched between -90 % and 1,000 % a year, as ln(1 + r).
_LOWEST, _HIGHEST = float(np.log(0.1)), float(np.log(11.0))
_ROUNDING = 1e-9
"""Of a bound that may be the root itself."""


@dataclass(frozen=True, eq=False)
class HoldOrRelease:
    """The answer, stacks by dates [s, t] unless said; NaN where there is none.

    reason: position in `REASONS`, 0 for a possible date; gain: over the first possible date; year_return,
    break_even_price, price_growth_needed (a year) and hurdle [t]: of the step that ends at the date;
    flip_price: price at which the date equals the first possible one; bottle_years: held since that one;
    peak_capital, average_capital: proceeds foregone on it plus money paid since, without interest.
    Per stack [s]: first and best possible date, and the best after the first (−1: none); flip_hurdle and
    flip_storage: hurdle, and storage per bottle-year, at which the best later date equals the first.
    """

    days: Ints
    worth: Worth
    price: Floats
    reason: Ints
    gain: Floats
    year_return: Floats
    hurdle: Floats
    break_even_price: Floats
    price_growth_needed: Floats
    flip_price: Floats
    bottle_years: Floats
    gain_per_bottle_year: Floats
    peak_capital: Floats
    average_capital: Floats
    first: Ints
    best: Ints
    best_later: Ints
    flip_hurdle: Floats
    flip_storage: Floats


def hold_or_release(
    stacks: StacksOnLees, days: npt.ArrayLike, curve: RateCurve, wait_years: npt.ArrayLike = 0.0
) -> HoldOrRelease:
    """Compare releasing each stack at each candidate date.

    days: candidate dates, the first being the day of the decision [t]; curve: the hurdle rate; wait_years:
    from each date until the market is free [s, t].
    """
    day = day_numbers(days)
    grid = grid_on_curve(day, curve)
    worth, step = worth_by_date(stacks, grid, wait_years), np.diff(grid.years)
    usable = stacks.reasons() == 0
    first = np.where(usable.any(axis=1), usable.argmax(axis=1), -1)
    since = np.arange(len(day)) - first[:, None]
    is_first, later = since == 0, usable & (since > 0) & (first[:, None] >= 0)
    gain = np.where(later | is_first, _since(worth.npv, first), np.nan)

    both = usable[:, 1:] & usable[:, :-1]
    net_before, net_after = (np.where(both, net, np.nan) for net in (worth.net[:, :-1], worth.net[:, 1:]))
    log_growth, interest_years = np.diff(grid.log_index, axis=1), DAY_COUNTS[curve.day_count](day[:-1], day[1:])
    paid = worth.storage_a_year[:, :-1] * step
    finished = stacks.finishing + stacks.finished_storage_per_bottle_year * worth.unsold_years
    even = break_even_price(
        net_before,
        np.exp(log_growth),
        worth.storage_a_year[:, :-1] * grid.accrued,
        worth.bottles[:, 1:],
        finished[:, 1:],
        worth.kept[:, 1:],
    )
    flip_price = break_even_price(
        _at(worth.npv, first) + worth.storage_value, np.exp(grid.log_index), 0.0, worth.bottles, finished, worth.kept
    )

    peak_capital, average_capital = _capital(worth, running(paid), grid.years, first, later, stacks.finishing)
    bottle_years = _since(running(worth.bottles[:, :-1] * step), first)
    years_at_worth = _since(running(worth.bottles[:, :-1] * grid.accrued * np.exp(-grid.log_index[:, 1:])), first)
    bearable = _highest(np.where(later, _ratio(gain, years_at_worth), np.nan))
    flip_storage = _at(stacks.storage_per_bottle_year, first)[:, 0] + bearable
    return HoldOrRelease(
        days=day,
        worth=worth,
        price=stacks.price,
        reason=stacks.reasons(),
        gain=gain,
        year_return=_by_end(np.expm1(_step_log_return(net_before, net_after, paid) / interest_years)),
        hurdle=_by_end(np.expm1(log_growth / interest_years))[0],
        break_even_price=_by_end(even),
        price_growth_needed=_by_end((np.where(even > 0.0, even, np.nan) / stacks.price[:, :-1]) ** (1.0 / step) - 1.0),
        flip_price=np.where(later, flip_price, np.nan),
        bottle_years=np.where(later | is_first, bottle_years, np.nan),
        gain_per_bottle_year=np.where(later, _ratio(gain, bottle_years), np.nan),
        peak_capital=np.where(later | is_first, peak_capital, np.nan),
        average_capital=np.where(later, average_capital, np.nan),
        first=first,
        best=_best(worth.npv, usable),
        best_later=_best(worth.npv, later),
        flip_hurdle=_flip_hurdle(stacks, day, curve, np.asarray(wait_years, dtype=np.float64), first, later),
        flip_storage=np.where(flip_storage >= 0, flip_storage, np.nan),
    )


def _capital(
    worth: Worth, paid: Floats, years: Floats, first: Ints, later: Flags, finishing: Floats
) -> tuple[Floats, Floats]:
    """Peak and average capital [s, t]: proceeds foregone on the first date, and storage paid since (`paid`, running);
    the peak with the finishing of a later date.
    """
    foregone, spent = _at(worth.net, first), _since(paid, first)
    money_years = _since(running((spent[:, 1:] + spent[:, :-1]) / 2.0 * np.diff(years)), first)
    waited = years - years[np.maximum(first, 0)][:, None]
    finishing_paid = np.where(later, worth.bottles * finishing, 0.0)
    return foregone + spent + finishing_paid, foregone + _ratio(money_years, waited)


def break_even_price(
    net_before: npt.ArrayLike,
    growth: npt.ArrayLike,
    holding: npt.ArrayLike,
    bottles_after: npt.ArrayLike,
    finishing_after: npt.ArrayLike,
    kept_after: npt.ArrayLike,
) -> Floats:
    """Price at which a date is worth as much as releasing at an earlier one: the cost of carry, a bottle.

    net_before: net proceeds foregone at the earlier date; growth: of money in between; holding: worth at the
    later date of what holding cost; bottles_after: survivors; finishing_after: finishing and finished
    storage per bottle then; kept_after: worth of one unit of price (1 if sold and paid at once).
    """
    carried = np.asarray(net_before) * np.asarray(growth) + np.asarray(holding)
    a_bottle = carried / np.asarray(bottles_after) + np.asarray(finishing_after)
    return np.asarray(a_bottle / np.asarray(kept_after), dtype=np.float64)


def probability_holding_wins(
    expected_price: npt.ArrayLike,
    flip_price: npt.ArrayLike,
    yearly_volatility: npt.ArrayLike,
    years: npt.ArrayLike,
) -> Floats:
    """Probability that the price of a later date turns out above the one that equals releasing now.

    The price is lognormal with the expected value given and a standard deviation of its logarithm of
    yearly_volatility · √years: Φ{[ln(p/p*) − v²/2]/v}. Certain where there is no uncertainty.
    """
    price, flip = np.asarray(expected_price, dtype=np.float64), np.asarray(flip_price, dtype=np.float64)
    spread = np.asarray(yearly_volatility, dtype=np.float64) * np.sqrt(np.asarray(years, dtype=np.float64))
    lead = np.log(price) - np.log(np.where(flip > 0, flip, 1.0))
    certain = np.where(lead > 0, 1.0, 0.0)
    wide = np.where(spread > 0, spread, 1.0)
    chance = np.where(spread > 0, normal_share((lead - wide**2 / 2.0) / wide), certain)
    known = np.isfinite(price) & np.isfinite(flip)
    return np.where(known, np.where(flip > 0, chance, 1.0), np.nan)


def verdict(answer: HoldOrRelease, row: int) -> tuple[str, str]:
    """What to do with one stack, in two or three words, and why: what the next step would bring."""
    first, best, other = int(answer.first[row]), int(answer.best[row]), int(answer.best_later[row])
    if first < 0:
        return "no release date", REASONS[int(answer.reason[row, -1])]

    def months(date: int) -> str:
        count = round(float(age_in_months(answer.days[0], answer.days[date])), 1)
        return f"{count:g} month{'' if count == 1 else 's'}"

    start = "now" if first == 0 else f"in {months(first)}"
    if best == first:
        if other < 0:
            return f"release {start}", "no later date is possible"
        less = f"the best later date, in {months(other)}, is worth {about(-answer.gain[row, other])} less"
        return f"release {start}", less
    earned, ahead = answer.year_return[row, best], answer.year_return[row, best + 1 : best + 2]
    sentences = [] if first == 0 else [f"first date {start}"]
    if np.isfinite(earned):
        after = f", the next {ahead[0]:.1%}" if len(ahead) and np.isfinite(ahead[0]) else ""
        sentences.append(f"the last year earns {earned:.1%}{after}; hurdle {answer.hurdle[best]:.1%}")
    if not len(ahead) or answer.reason[row, best + 1] != 0:
        sentences.append("no later date to compare with")
    return f"hold {months(best)}", "; ".join(sentences)


def _step_log_return(before: Floats, after: Floats, paid: Floats) -> Floats:
    """Solve before·e^x + paid·(e^x − 1)/x = after for x; NaN where nothing is foregone or received.

    The left side rises. At x = ln(after/before) it is at or above `after`; at the lower bound each of its two parts is
    at most half of `after`.
    """
    solvable = (before > 0) & (after > 0)
    foregone, received = np.where(solvable, before, 1.0), np.where(solvable, after, 1.0)
    cost = np.where(solvable, paid, 0.0)
    without_cost = np.log(received / foregone)
    lowest, highest = np.minimum(without_cost - np.log(2.0), -2.0 * cost / received), without_cost + _ROUNDING

    def excess(x: Floats) -> Floats:
        return np.asarray(foregone * np.exp(x) + cost * mean_growth(x) - received)

    return np.where(solvable, roots_between(excess, lowest, highest), np.nan)


def _flip_hurdle(stacks: StacksOnLees, day: Ints, curve: RateCurve, wait: Floats, first: Ints, later: Flags) -> Floats:
    """Yearly rate at which the best later date is worth as much as the first possible one; NaN if none."""
    flip = np.full(len(first), np.nan)
    rows = np.flatnonzero(later.any(axis=1))
    if len(rows) == 0:
        return flip
    waits = np.broadcast_to(wait, later.shape)

    def best_gain(log_rate: Floats) -> Floats:
        npv = worth_by_date(stacks.rows(rows), grid_at_force(day, log_rate, curve.day_count), waits[rows]).npv
        return _highest(np.where(later[rows], npv - _at(npv, first[rows]), np.nan))

    span = float(DAY_COUNTS[curve.day_count](day[0], day[-1]))
    now = np.full(len(rows), float(curve.log_index(day[-1]) - curve.log_index(day[0])) / span)
    holding = best_gain(now) > 0
    low, high = np.where(holding, now, _LOWEST), np.where(holding, _HIGHEST, now)
    flip[rows] = np.expm1(roots_between(best_gain, low, high))
    return flip


def _best(npv: Floats, among: Flags) -> Ints:
    """Date of the highest value among the allowed ones, the earliest of equals; −1 if none is [s]."""
    best = np.where(among, npv, -np.inf).argmax(axis=1)
    return np.where(among.any(axis=1), best, -1).astype(np.int64)


def _at(values: Floats, date: Ints) -> Floats:
    """Value at each stack's date [s, 1]; NaN for date −1."""
    picked = np.take_along_axis(values, np.maximum(date, 0)[:, None], axis=1)
    return np.where(date[:, None] >= 0, picked, np.nan)


def _since(total: Floats, date: Ints) -> Floats:
    return np.asarray(total - _at(total, date))


def _by_end(per_step: Floats) -> Floats:
    """Values of steps placed at the date on which each ends; NaN at the first date."""
    return np.concatenate([np.full((per_step.shape[0], 1), np.nan), per_step], axis=1)


def _ratio(top: Floats, bottom: Floats) -> Floats:
    ratio = np.full(top.shape, np.nan)
    np.divide(top, bottom, out=ratio, where=bottom > 0)
    return ratio


def _highest(values: Floats) -> Floats:
    """Highest of each row, NaN where it has none [s]."""
    filled = np.where(np.isnan(values), -np.inf, values).max(axis=1)
    return np.where(np.isfinite(filled), filled, np.nan)
