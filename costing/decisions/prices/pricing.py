"""Prices: for a target return or margin, after an increase, in a promotion, between formats and channels.

Rule:   P = [C + PV(storage) + PV(selling)] / Σ (1 − commission_k) · n_k / B(dispatch_k + terms_k)
        everything discounted to disgorgement; list = P / (1 − discount); for a margin m on the net price
        P = cost / (1 − commission − m).

Conventions Money is in the estate's currency, per bottle where named so. B is the accumulation index of a
    `RateCurve`; days are day numbers, years Act/365. Finished stock pays storage evenly from disgorgement to
    dispatch; selling cost is paid at dispatch, commission on receipt, and customers pay `terms_days` after
    dispatch. The avoidable floor is the same formula with C = what can still be avoided (nothing spent so
    far). Fractions, not percent.

What it does not do: demand forecasting, tax, bad debts; the chain to the shelf (`channels`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from costing.array_types import Floats, Ints, first_true
from costing.calendar import DAYS_A_YEAR, add_months
from costing.engine.carrying import AccrualCurve, RateCurve, day_numbers
from costing.engine.numerics import roots_between
from costing.units import STANDARD_BOTTLE_L

_LOWEST, _HIGHEST = -5.0, 5.0  # ln(1 + r) searched for rates: -99.3 % to +14,700 % a year
_USUAL = (0.0, 0.5)  # looked through first
_SCAN = 2001


@dataclass(frozen=True, eq=False)
class SalePlan:
    """A release of one format and how it will be sold.

    cost: money at disgorgement, of all its bottles; disgorged_day; dispatch_day [k], not before it;
    bottles [k]; terms_days and commission: one for all or [k]; selling_cost_per_bottle: at dispatch, one
    for all or [k]; storage_per_bottle_year: of finished stock, flat or dated.
    """

    cost: float
    disgorged_day: int
    dispatch_day: Ints
    bottles: Floats
    terms_days: npt.ArrayLike = 0
    commission: npt.ArrayLike = 0.0
    selling_cost_per_bottle: npt.ArrayLike = 0.0
    storage_per_bottle_year: float | AccrualCurve = 0.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "dispatch_day", np.atleast_1d(day_numbers(self.dispatch_day)))
        object.__setattr__(self, "bottles", np.atleast_1d(np.asarray(self.bottles, dtype=np.float64)))
        early = self.dispatch_day < self.disgorged_day
        if early.any():
            msg = f"dispatch {first_true(early)} leaves before disgorgement"
            raise ValueError(msg)
        if (np.asarray(self.commission, dtype=np.float64) >= 1.0).any():
            msg = "a commission of 100 % or more: no price reaches the target"
            raise ValueError(msg)
        if not (self.bottles >= 0).all() or not self.bottles.sum() > 0:
            msg = "a release needs bottles to sell: none below 0 and some above"
            raise ValueError(msg)

    @property
    def paid_day(self) -> Ints:
        """Day on which each dispatch is paid [k]."""
        return np.asarray(self.dispatch_day + day_numbers(self.terms_days))

    @property
    def kept_share(self) -> Floats:
        """Share of the net price that commission leaves [k]."""
        return 1.0 - np.broadcast_to(np.asarray(self.commission, dtype=np.float64), self.bottles.shape)

    @property
    def selling_cost(self) -> Floats:
        """Money paid at each dispatch [k]."""
        return np.asarray(self.bottles * np.asarray(self.selling_cost_per_bottle, dtype=np.float64))

    @property
    def storage(self) -> AccrualCurve:
        """Storage of one finished bottle."""
        given = self.storage_per_bottle_year
        return given if isinstance(given, AccrualCurve) else AccrualCurve.flat(given)


@dataclass(frozen=True, slots=True)
class TargetPrice:
    """A net price per bottle and the figures that it comes from, at disgorgement.

    storage_value and selling_value: present value of finished storage and of selling cost;
    discounted_bottles: the denominator, bottles after commission discounted from payment to disgorgement.
    """

    cost: float
    storage_value: float
    selling_value: float
    discounted_bottles: float

    @property
    def price(self) -> float:
        """Net price per bottle."""
        return self.price_at(self.cost)

    def price_at(self, cost: float) -> float:
        """Price where all the bottles cost so much instead."""
        return (cost + self.storage_value + self.selling_value) / self.discounted_bottles


def target_price(plan: SalePlan, curve: RateCurve) -> TargetPrice:
    """Net price at which the release earns exactly the rate of `curve` on the money tied up in it."""
    return target_prices([plan], curve)[0]


def target_prices(plans: Sequence[SalePlan], curve: RateCurve) -> list[TargetPrice]:
    """The same for sales of the same bottles by several channels: one day of disgorgement, one cost of storage."""
    if not plans:
        return []
    day, storage = plans[0].disgorged_day, plans[0].storage
    dispatch, paid, bottles, kept, selling = (
        np.concatenate([np.asarray(getattr(plan, name)) for plan in plans])
        for name in ("dispatch_day", "paid_day", "bottles", "kept_share", "selling_cost")
    )
    to_disgorgement = curve.growth(dispatch, day)
    stored = storage.value_at_end(np.full_like(dispatch, day), dispatch, curve)
    values = (
        bottles * stored * to_disgorgement,
        selling * to_disgorgement,
        kept * bottles * curve.growth(paid, day),
    )
    sizes = [len(plan.bottles) for plan in plans]
    begin = np.cumsum([0, *sizes[:-1]])
    storages, sellings, discounted = (np.add.reduceat(value, begin).tolist() for value in values)
    return [
        TargetPrice(plan.cost, held, sold, left)
        for plan, held, sold, left in zip(plans, storages, sellings, discounted, strict=True)
    ]


def cash_flows(plan: SalePlan, price: float) -> tuple[Floats, Floats]:
    """Dated money of a release from disgorgement on, without its cost: (days, amounts), unsorted.

    Receipts after commission when paid, selling cost at dispatch, finished storage day by day at mid-day
    (so days carry halves).
    """
    receipts = plan.kept_share * plan.bottles * price
    days = np.arange(plan.disgorged_day, int(plan.dispatch_day.max()), dtype=np.int64)
    waiting = (plan.bottles[:, None] * (plan.dispatch_day[:, None] > days[None, :])).sum(axis=0)
    storage = -plan.storage.amount(days, days + 1) * waiting
    return (
        np.concatenate([plan.paid_day, plan.dispatch_day, days + 0.5]).astype(np.float64),
        np.concatenate([receipts, -plan.selling_cost, storage]),
    )


def monthly_dispatches(bottles: float, first_day: int, months: int) -> tuple[Ints, Floats]:
    """Spread a release evenly over `months` calendar months: equal parts in the middle of each.

    Returns days [months] and bottles [months]; 0 months: everything on the first day.
    """
    if months == 0:
        return np.array([first_day], dtype=np.int64), np.array([bottles], dtype=np.float64)
    edges = day_numbers(add_months(first_day, np.arange(months + 1)))
    return (edges[:-1] + edges[1:]) // 2, np.full(months, bottles / months)


def price_for_margin(cost: npt.ArrayLike, margin: npt.ArrayLike, commission: npt.ArrayLike) -> Floats:
    """Net price of which `margin` is left after commission and cost: cost / (1 − commission − margin).

    cost: per bottle, with selling cost where the margin is to stand after it. ValueError where margin and
    commission together reach 100 %: no price does.
    """
    left = 1.0 - np.asarray(margin, dtype=np.float64) - np.asarray(commission, dtype=np.float64)
    if (left <= 0).any():
        msg = "margin and commission together take 100 % of the price or more: no price reaches the target"
        raise ValueError(msg)
    return np.asarray(np.asarray(cost, dtype=np.float64) / left)


def cost_plus_price(cost: npt.ArrayLike, selling_cost: npt.ArrayLike, commission: npt.ArrayLike) -> Floats:
    """Shortcut (cost + selling cost) / (1 − commission): forgets storage and the wait for the money.

    Shown beside the target price to say by how much it falls short.
    """
    return price_for_margin(
        np.asarray(cost, dtype=np.float64) + np.asarray(selling_cost, dtype=np.float64), 0.0, commission
    )


@dataclass(frozen=True, slots=True)
class RateOfReturn:
    """Effective annual rate as a fraction, or None and the reason why there is none to give."""

    rate: float | None
    reason: str = ""


def rate_of_return(days: npt.ArrayLike, amounts: npt.ArrayLike) -> RateOfReturn:
    """Internal rate of dated amounts, as `rates_of_return` has it. days: day numbers [n]; amounts [n]."""
    return rates_of_return([(days, amounts)])[0]


def rates_of_return(flows: Sequence[tuple[npt.ArrayLike, npt.ArrayLike]]) -> list[RateOfReturn]:
    """Find the internal rate of dated amounts (Act/365), and give it only where it is the only one.

    flows: days and amounts of each; days: day numbers, halves allowed [n]; amounts: paid below 0, received above [n].
    Unique where the signs change once in time order (rule of Descartes), or where the money is outstanding throughout
    at the rate found (Soper 1959, as quoted in Journal of Financial and Quantitative Analysis, 1977, "Unrecovered
    Investment, Uniqueness of the Internal Rate"). Otherwise None with the reason.
    """
    found = [RateOfReturn(None, "all money flows one way: there is no rate of return")] * len(flows)
    by_day = [_by_day(*flow) for flow in flows]
    changes = [int((np.sign(money[1:]) != np.sign(money[:-1])).sum()) for _, money in by_day]
    both_ways = [place for place, count in enumerate(changes) if count]
    if not both_ways:
        return found
    years = [(by_day[place][0] - by_day[place][0][0]) / DAYS_A_YEAR for place in both_ways]
    moneys = [by_day[place][1] for place in both_ways]
    worth, roots = _worth_of_each(years, moneys), np.full(len(both_ways), np.nan)
    for low, high in (_USUAL, (_LOWEST, _HIGHEST)):
        if np.isnan(roots).any():
            bounds = np.full(len(roots), low), np.full(len(roots), high)
            roots = np.where(np.isnan(roots), roots_between(worth, *bounds), roots)
    for place, year, money, root in zip(both_ways, years, moneys, roots.tolist(), strict=True):
        if np.isfinite(root) and (changes[place] == 1 or _outstanding_throughout(year, money, root)):
            found[place] = RateOfReturn(float(np.expm1(root)))
        else:
            found[place] = _doubtful(year, money, changes[place])
    return found


def _doubtful(years: Floats, money: Floats, changes: int) -> RateOfReturn:
    """Why there is not one rate: the rates that fit."""
    grid = np.linspace(_LOWEST, _HIGHEST, _SCAN)
    rates = np.expm1(_roots(_worth_of_each([years], [money]), grid)) if changes > 1 else np.zeros(0)
    shown = ", ".join(f"{rate:.4%}" for rate in rates)
    if len(rates) == 0:
        return RateOfReturn(None, "no rate between -99 % and 14,700 % a year fits these amounts")
    if len(rates) == 1:
        return RateOfReturn(None, f"{shown} may not be the only rate; decide on net present value")
    return RateOfReturn(None, f"several rates fit ({shown}); decide on net present value")


def _worth_of_each(years: Sequence[Floats], moneys: Sequence[Floats]) -> Callable[[Floats], Floats]:
    """Worth of each flow [n], up to a factor above 0, at a logarithm of a rate for each [n]."""
    sizes = np.array([len(year) for year in years])
    begin, last = np.cumsum(sizes) - sizes, np.array([year[-1] for year in years])
    year, money = np.concatenate(years), np.concatenate(moneys)

    def worth(log_rates: Floats) -> Floats:
        exponent = np.repeat(-log_rates, sizes) * year
        if (log_rates < 0).any():  # none may run over
            exponent -= np.repeat(np.maximum(0.0, -log_rates * last), sizes)
        return np.add.reduceat(money * np.exp(exponent, out=exponent), begin)

    return worth


def break_even_volume_change(margin: npt.ArrayLike, price_change: npt.ArrayLike) -> Floats:
    """Change of volume at which a change of price leaves the contribution as it was: −c/(m + c).

    margin: contribution in share of the old price; price_change: share of it, below 0 in a promotion, where
    this is m/(m − d) − 1. ValueError where the new price leaves no contribution: no volume makes up for it.
    """
    before, change = np.asarray(margin, dtype=np.float64), np.asarray(price_change, dtype=np.float64)
    if (before + change <= 0).any():
        msg = "the discount takes the whole margin or more: no volume makes up for it"
        raise ValueError(msg)
    return np.asarray(-change / (before + change))


@dataclass(frozen=True, eq=False)
class PriceIncrease:
    """What a price increase does, per row: all in the estate's currency.

    new_price; extra_at_same_volume: contribution gained if nobody leaves; bearable_volume_loss: share of
    bottles (0.1: 10 %) that may be lost before the increase earns less.
    """

    new_price: Floats
    extra_at_same_volume: Floats
    bearable_volume_loss: Floats


def price_increase(
    price: npt.ArrayLike,
    bottles: npt.ArrayLike,
    cost: npt.ArrayLike,
    increase: npt.ArrayLike,
    commission: npt.ArrayLike,
) -> PriceIncrease:
    """Effect of raising net prices by the share `increase`.

    cost: what one bottle less would save. All broadcast. ValueError where a bottle contributes nothing now.
    """
    old, volume, unit_cost, raised, fee = (
        np.asarray(each, dtype=np.float64) for each in (price, bottles, cost, increase, commission)
    )
    new = old * (1.0 + raised)
    kept_before, kept_after = old * (1.0 - fee) - unit_cost, new * (1.0 - fee) - unit_cost
    if (kept_before <= 0).any() or (kept_after <= 0).any():
        msg = "a bottle contributes nothing at the old or the new price: volume can't be weighed against price"
        raise ValueError(msg)
    return PriceIncrease(
        new,
        np.asarray((kept_after - kept_before) * volume),
        np.asarray(1.0 - kept_before / kept_after),
    )


def _same_margin(price: Floats, cost: Floats, new_cost: Floats, commission: Floats) -> Floats:
    return np.asarray(price * new_cost / cost)


def _same_money(price: Floats, cost: Floats, new_cost: Floats, commission: Floats) -> Floats:
    return np.asarray(price + (new_cost - cost) / (1.0 - commission))


KEEPS: dict[str, Callable[[Floats, Floats, Floats, Floats], Floats]] = {
    "margin": _same_margin,
    "money per bottle": _same_money,
}
"""What a price after a change of cost keeps -> function (price, cost, new cost, commission) -> new price."""


def price_after_cost_change(
    price: npt.ArrayLike,
    cost: npt.ArrayLike,
    new_cost: npt.ArrayLike,
    keep: str,
    commission: npt.ArrayLike,
) -> Floats:
    """Price that keeps the margin in per cent, or the money per bottle, when cost moves to `new_cost`.

    With the replacement cost as `new_cost`: the figure of the increase letter.
    """
    old, before, after, fee = (np.asarray(each, dtype=np.float64) for each in (price, cost, new_cost, commission))
    return KEEPS[keep](old, before, after, fee)


@dataclass(frozen=True, slots=True)
class FormatParity:
    """One large bottle against the same wine in reference bottles.

    equivalent: how many reference bottles hold its wine; parity_price: their price; extra_price, extra_cost,
    extra_contribution: what the large bottle brings and costs beyond them.
    """

    equivalent: float
    parity_price: float
    extra_price: float
    extra_cost: float
    extra_contribution: float


def format_parity(
    bottle_l: float,
    price: float,
    cost: float,
    reference_price: float,
    reference_cost: float,
) -> FormatParity:
    """Format (or gift box, at the same volume) against the bottle of 75 cl: net prices and costs per bottle."""
    equivalent = bottle_l / STANDARD_BOTTLE_L
    extra_price, extra_cost = price - equivalent * reference_price, cost - equivalent * reference_cost
    return FormatParity(equivalent, equivalent * reference_price, extra_price, extra_cost, extra_price - extra_cost)


def _by_day(days: npt.ArrayLike, amounts: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Amounts added up by day, in time order, without the days of nothing."""
    day, place = np.unique(np.asarray(days, dtype=np.float64), return_inverse=True)
    money = np.bincount(place, np.asarray(amounts, dtype=np.float64), minlength=len(day))
    return day[money != 0], money[money != 0]


def _outstanding_throughout(years: Floats, money: Floats, log_rate: float) -> bool:
    """Whether the balance at the rate keeps its first sign until the last amount."""
    balance = np.cumsum(money * np.exp(-log_rate * years))[:-1] * np.sign(money[0])
    return bool((balance >= 0).all())


def _roots(worth: Callable[[Floats], Floats], grid: Floats) -> Floats:
    """Roots of one function between neighbours of the grid whose signs differ, and on it, in order."""
    signs = np.sign([worth(grid[place : place + 1])[0] for place in range(len(grid))])
    cells = np.flatnonzero(signs[1:] * signs[:-1] < 0)
    between = [roots_between(worth, grid[cell : cell + 1], grid[cell + 1 : cell + 2])[0] for cell in cells]
    return np.sort(np.concatenate([between, grid[signs == 0]]))
