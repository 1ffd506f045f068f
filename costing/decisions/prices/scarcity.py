"""When bottles or a market are scarce: who gets them, and who waits.

Rule:   channels   fill the floors, then the channel of highest net contribution up to its cap, and so on

Conventions Those of `release_dates`. Contributions are net of everything that a bottle more would cost.
    Stacks of one market are served in the order given (oldest first, as a house would); a later one waits
    until the market has room for its whole sale.

What it does not do: demand that answers to price, and lots that share a cellar or a line (`decisions.plan`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from costing.array_types import Floats, Ints, first_true
from costing.decisions.prices.release_dates import StacksOnLees, grid_on_curve, worth_by_date
from costing.engine.carrying import RateCurve


@dataclass(frozen=True, eq=False)
class Allocation:
    """Bottles to channels: bottles [channel], bottles left over, net contribution of all, and of one more."""

    bottles: Floats
    left: float
    contribution: float
    worth_of_one_more: float


def allocate_bottles(
    available: float,
    contribution: npt.ArrayLike,
    at_least: npt.ArrayLike,
    at_most: npt.ArrayLike,
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
        msg = f"channel {first_true(floor > cap)} must get more than it can take"
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

    wait_years: Floats
    date: Ints


def queue_for_market(stacks: StacksOnLees, days: npt.ArrayLike, curve: RateCurve, market: npt.ArrayLike) -> MarketQueue:
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
