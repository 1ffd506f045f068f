"""What the plan is made from, as arrays: lots, dates, markets, channels and limits.

    S lots (on lees, finished, tirages to come), T steps between T + 1 dates, M markets (cuvée and format), C channels,
    P places, Y springs in which wine is bottled, G sorts of it

Conventions: a step runs from its date to the next. Money stands at the date at which it is spent or received;
`discount` brings it to the first date. Bottles on lees are those that lie there; of what is put to disgorging `good`
is left. A finished lot counts as disgorged on the first date.

What it does not do: know names, or read an estate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from costing.array_types import Flags, Floats, Ints

TO_FULL_PRICE, BEYOND = 4, 4
"""Steps of price up to what the market takes at the full price, and beyond."""


@dataclass(frozen=True, eq=False)
class Dates:
    """day: numbers of the dates [T + 1]; discount: worth on the first date of money on each date [T + 1];
    sale_discount: of money received evenly over each step [T]; year: number of the year of each step [T].
    """

    day: Ints
    discount: Floats
    sale_discount: Floats
    year: Ints

    @property
    def steps(self) -> int:
        """Number of steps."""
        return len(self.sale_discount)

    @property
    def years(self) -> Floats:
        """Length of each step in years of 365 days [T]."""
        return np.diff(self.day) / 365.0


@dataclass(frozen=True, eq=False)
class Stacks:
    """Lots, parallel arrays over S.

    bottles: on hand or to be filled; most: bottles that may be filled at the most (`bottles` unless the tirage may
    vary); fill_cost: per bottle filled, on its date; arrives: step whose date they are filled on (0: on hand);
    finished; survival: share that outlives each step [S, T]; good: share of bottles put to disgorging that is good;
    may: whether they may be disgorged on each date [S, T]; price: net ex-cellar price of a bottle disgorged on each
    date, in the money of that date [S, T]; price_growth: yearly rise of that price while the bottle waits; finishing:
    per bottle put to disgorging, on each date [S, T]; storage, finished_storage: for a bottle over each step, on the
    date of the step [S, T]; worth_left: of a bottle on lees at the end, worth_finished: of a finished one, on the last
    date; market: its market; place: where it lies (−1: no limit speaks of it); takes_places: places a bottle takes.
    """

    bottles: Floats
    most: Floats
    fill_cost: Floats
    arrives: Ints
    finished: Flags
    survival: Floats
    good: Floats
    may: Flags
    price: Floats
    price_growth: Floats
    finishing: Floats
    storage: Floats
    finished_storage: Floats
    worth_left: Floats
    worth_finished: Floats
    market: Ints
    place: Ints
    takes_places: Floats


@dataclass(frozen=True, eq=False)
class Markets:
    """takes: bottles that each market takes over each step at the full price [M, T] (inf: no limit); reference_price:
    the price that a concession is counted from [M, T]; elasticity: of its demand (NaN: it takes no more at a lower
    price) [M]; channel_value: net price of each channel over the ex-cellar price [M, C]; share: part of what
    the market takes that each channel takes, each at a price of its own [M, C].
    """

    takes: Floats
    reference_price: Floats
    elasticity: Floats
    channel_value: Floats
    share: Floats


@dataclass(frozen=True, eq=False)
class Limits:
    """places: bottles that each place holds over each step [P, T]; line: bottles that can be put to disgorging on each
    date [T]; supply_markets, supply_channel, supply_year: markets [R, M], channel (−1: all) and year that a supply
    speaks of, supply, supply_most: bottles promised at the least and sold at the most [R]; credit: most debt after each
    date [T], with the debt on the first date, money that goes out and comes in apart from the plan on each date [T],
    and the yearly rate. NaN or inf: no limit.
    """

    places: Floats
    line: Floats
    supply_markets: Flags
    supply_channel: Ints
    supply_year: Ints
    supply: Floats
    supply_most: Floats
    credit: Floats
    debt: float
    other_outlay: Floats
    borrowing_rate: float


@dataclass(frozen=True, eq=False)
class Wine:
    """Wine that tirages to come are filled from, by sort (first pressing, second) and spring; what a spring leaves is
    there in the next.

    step: whose date each spring has [Y]; comes: litres that are there besides what was kept [G, Y]; kept: part of a
    litre that is left from one spring to the next; kept_least: litres that must be kept [G, Y]; storage: of a litre
    until the next spring, on the date of the spring [Y]; bulk_price: net, of a litre sold without being bottled [G, Y];
    bulk_most: litres that may be sold so [G, Y]; spring: of each lot (−1: not filled from it) [S]; bottle_l: litres
    that a bottle of each lot takes [S]; most_share: of them that may be of each sort [S, G].
    """

    step: Ints
    comes: Floats
    kept: float
    kept_least: Floats
    storage: Floats
    bulk_price: Floats
    bulk_most: Floats
    spring: Ints
    bottle_l: Floats
    most_share: Floats


@dataclass(frozen=True, eq=False)
class Campaigns:
    """cost: of disgorging a lot on each date, however many bottles, in money of that date [T]; least: bottles of a
    campaign.
    """

    cost: Floats
    least: float


@dataclass(frozen=True, eq=False)
class Facts:
    """Everything a plan is made from. longest_wait: steps that a disgorged bottle may wait to be sold; penalty: money a
    unit, above any worth, that breaking a limit costs in the search and not in the value; wine: None where what is
    filled stands fixed, and no credit is looked at beside it; campaigns: None where any number may be disgorged on any
    date.
    """

    dates: Dates
    stacks: Stacks
    markets: Markets
    limits: Limits
    longest_wait: int
    penalty: float
    wine: Wine | None = None
    campaigns: Campaigns | None = None


def mean_price(stacks: Stacks, n_markets: int) -> Floats:
    """Mean price of the lots of each market that may be disgorged on each date, 0 where there is none [M, T]."""
    shape = (n_markets, stacks.price.shape[1])
    known = stacks.may & np.isfinite(stacks.price)
    weight = np.where(known, stacks.bottles[:, np.newaxis], 0.0)
    total, summed = np.zeros(shape), np.zeros(shape)
    np.add.at(total, stacks.market, weight)
    np.add.at(summed, stacks.market, weight * np.where(known, stacks.price, 0.0))
    return np.divide(summed, total, out=np.zeros(shape), where=total > 0)


def price_steps(takes: Floats, elasticity: Floats) -> tuple[Floats, Floats]:
    """Steps of price of each market [M, T, J]: how many bottles each takes, and the part of the full price given up on
    each bottle of it. A market without elasticity has one step without concession.
    """
    has = np.isfinite(elasticity) & np.isfinite(takes).all(axis=1)
    pieces = TO_FULL_PRICE + BEYOND if has.any() else 1
    width = np.zeros((*takes.shape, pieces))
    slope = np.zeros_like(width)
    width[:, :, 0] = takes
    for market in np.flatnonzero(has):
        answer = abs(float(elasticity[market]))
        last = (answer + 1.0) / 2.0  # above it one bottle more brings less than nothing
        edge = np.r_[np.linspace(0.0, 1.0, TO_FULL_PRICE + 1), np.linspace(1.0, last, BEYOND + 1)[1:]]
        width[market] = takes[market][:, np.newaxis] * np.diff(edge)
        slope[market] = (edge[1:] + edge[:-1] - 1.0) / answer
    return width, slope


def channel_steps(markets: Markets) -> tuple[Floats, Floats]:
    """Steps of price of each channel [M, C, T, J]: those of its market, as wide as its share of it."""
    width, slope = price_steps(markets.takes, markets.elasticity)
    share = markets.share[:, :, np.newaxis, np.newaxis]
    wide = np.where(share > 0, np.where(share > 0, share, 1.0) * width[:, np.newaxis], 0.0)
    return wide, np.broadcast_to(slope[:, np.newaxis], wide.shape)


def interest_on_draw(facts: Facts) -> Floats:
    """What a unit drawn is owed at the end of each step [T]."""
    return np.asarray((1.0 + facts.limits.borrowing_rate) ** facts.dates.years)


def received(facts: Facts, waited: int) -> Floats:
    """Money for a bottle of each lot that is disgorged on each date and waits so many steps [S, T − waited]."""
    stacks, day = facts.stacks, facts.dates.day[:-1]
    last = len(day) - waited
    passed = (day[waited:] - day[:last]) / 365.0
    return np.asarray(np.nan_to_num(stacks.price[:, :last]) * (1.0 + stacks.price_growth[:, np.newaxis]) ** passed)
