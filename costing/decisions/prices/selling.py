"""The one cost of selling a bottle, and how each release is sold: prices, margins, ageing and forecasts take both
from here.

    cost of selling a bottle = work at dispatch + presentation + the channel's selling cost (freight, handling)
    work at dispatch         = operation rates of `dispatch`, per bottle and per litre
    presentation             = dry goods that name the presentation of the dispatch (gift box, carton)

Conventions: all of it is paid on the day of dispatch, at the rates and prices of that day; commission is kept back
on receipt, `customer_days` later. The terms of a channel are those in force on the valuation day. A release sold as
planned has the presentation of its planned dispatches; any other is sold bare, since no row says what it is packed
in. Finished stock pays its operation rates and the time pools that its lot bears until it leaves. What was sent
already has been charged by the run: `charged_at_dispatch` reads it there.

What it does not do: excise, freight beyond the importer and everything after it (`decisions.prices.channels`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from costing.array_types import Floats, Ints
from costing.decisions.keeping_costs import (
    finishing_per_bottle,
    good_share,
    presentation_per_bottle,
    storage_per_bottle_year,
    time_pools_of_states,
    work_per_bottle,
)
from costing.decisions.prices.pricing import SalePlan, monthly_dispatches
from costing.decisions.prices.terms_in_force import channel_terms, number
from costing.engine.carrying import AccrualCurve
from costing.graph.arrays import days
from costing.inputs.estate import Estate, text_of
from costing.money.time_charges import STEP_DAYS
from costing.results.results import Results

_AS_PLANNED = "as planned"
_MORE_DAYS = 366
"""Costs by day are found for a year more than is asked for, so that the next release needs no new list."""


def work_at_dispatch(estate: Estate, bottle_format: str, day: Ints, today: int) -> Floats:
    """Operation rates of `dispatch` for one bottle leaving on each day [t]."""
    return np.asarray(work_per_bottle(estate, "dispatch", "finished stock", bottle_format, day, today).sum(axis=0))


def finished_and_sent(estate: Estate, bottle_format: str, riddling: str | None, day: Ints, today: int) -> Floats:
    """Finishing and, for the bottles that come out good, work at dispatch: per bottle put to disgorging [t]."""
    sent = good_share(estate) * work_at_dispatch(estate, bottle_format, day, today)
    return np.asarray(finishing_per_bottle(estate, bottle_format, riddling, day, today) + sent)


def charged_at_dispatch(results: Results, state: Ints) -> Floats:
    """Work and presentation that a run charged on dispatches, all bottles of each [states]."""
    return np.asarray(results.total[state] - results.shares.matrix[state] @ results.total)


@dataclass(frozen=True)
class Sale:
    """How a channel takes a release: days, bottles and presentations ("": bare) of its dispatches, in words, and
    its part of the release.
    """

    days: Ints
    bottles: np.ndarray
    presentations: tuple[str, ...]
    words: str
    share: float


def _planned_sales(estate: Estate, today: int) -> dict[str, dict[str, Sale]]:
    """Planned dispatches without a net price, by release and channel."""
    plan, day = estate["dispatches"], days(estate["dispatches"]["on_date"])
    ahead = np.flatnonzero((day > today) & plan["net_price"].isna().to_numpy())
    ahead = ahead[np.argsort(day[ahead], kind="stable")]
    bottles = plan["bottles"].to_numpy(dtype=float)
    packed = text_of(plan["presentation"])
    release, channel = (plan[name].astype(object).astype(str).to_numpy() for name in ("release_lot", "channel"))
    rows: dict[tuple[str, str], list[int]] = {}
    for row in ahead.tolist():
        rows.setdefault((release[row], channel[row]), []).append(row)
    by_release: dict[str, dict[str, Sale]] = {}
    for (name, sold_by), sold in rows.items():
        share = float(bottles[sold].sum())
        sale = Sale(day[sold], bottles[sold], tuple(packed[sold]), _AS_PLANNED, share)
        by_release.setdefault(name, {})[sold_by] = sale
    return by_release


class Selling:
    """How the releases of an estate are sold, and what it costs. results: on any basis."""

    def __init__(self, results: Results) -> None:
        self.results, self.estate, self.today = results, results.estate, results.chain.valuation_day
        self.terms = channel_terms(self.estate, self.today)
        self._planned = _planned_sales(self.estate, self.today)
        self._rates_change = np.unique(days(self.estate["operation_rates"]["from_date"]))
        self._terms_of = {
            str(name): row for name, row in zip(self.terms.index, self.terms.to_dict("records"), strict=True)
        }
        self._by_day: dict[tuple[str, ...], tuple[int, Floats]] = {}
        self._storage: dict[tuple[str, str, int], tuple[int, AccrualCurve]] = {}

    def sales(self, release: str, to_sell: float, first: int) -> dict[str, Sale]:
        """How each channel takes a release: as planned, or evenly over its months from its first day."""
        planned = self._planned.get(release, {})
        left = max(float(to_sell - sum(sale.share for sale in planned.values())), 0.0)
        open_channels = [str(name) for name in self.terms.index if str(name) not in planned]
        shares = np.array([number(self._terms_of[name]["share"]) for name in open_channels])
        if len(shares) and not shares.sum() > 0:
            part = dict.fromkeys(open_channels, left)
        else:
            total = shares.sum()
            part = dict(zip(open_channels, left * shares / (total or 1.0), strict=True))
        by_channel = {}
        for name in map(str, self.terms.index):
            if name in planned:
                by_channel[name] = planned[name]
                continue
            months = int(np.ceil(number(self._terms_of[name]["sell_through_months"]) - 1e-9))
            when, bottles = monthly_dispatches(float(to_sell), first, months)
            words = f"over {months} months" if months else "at once"
            by_channel[name] = Sale(when, bottles, ("",) * len(when), words, part[name])
        return by_channel

    def cost_per_bottle(self, sale: Sale, bottle_format: str, channel: str) -> Floats:
        """Cost of selling a bottle at each dispatch of a sale [k]."""
        cost = number(self._terms_of[channel]["selling_cost_per_bottle"]) + self._on(
            ("work", bottle_format),
            sale.days,
            lambda day: work_at_dispatch(self.estate, bottle_format, day, self.today),
        )
        for name in sorted(set(sale.presentations) - {""}):
            packed = np.array([presentation == name for presentation in sale.presentations])
            goods = self._on(("presentation", name, bottle_format), sale.days, self._packing(name, bottle_format))
            cost = cost + np.where(packed, goods, 0.0)
        return np.asarray(cost)

    def _packing(self, presentation: str, bottle_format: str) -> Callable[[Ints], Floats]:
        return lambda day: presentation_per_bottle(self.estate, presentation, bottle_format, day, self.today)

    def _on(self, what: tuple[str, ...], day: Ints, cost: Callable[[Ints], Floats]) -> Floats:
        """A cost on each day [t], from one list of the days of all sales, made when first asked for."""
        first, known = self._by_day.get(what, (0, np.zeros(0)))
        low, high = int(day.min(initial=self.today)), int(day.max(initial=self.today))
        if not len(known) or low < first or high >= first + len(known):
            end = max(high, first + len(known) - 1 if len(known) else high) + _MORE_DAYS
            first = min(low, first) if len(known) else low
            known = cost(np.arange(first, end + 1, dtype=np.int64))
            self._by_day[what] = first, known
        return np.asarray(known[day - first])

    def plan(self, sale: Sale, release: str, bottle_format: str, channel: str, cost: float, start: int) -> SalePlan:
        """Sale of a release of all its money: cost stood on `start`, the rest follows from it."""
        terms = self._terms_of[channel]
        return SalePlan(
            cost,
            start,
            sale.days,
            sale.bottles,
            int(np.rint(number(terms["customer_days"]))),
            number(terms["commission"]),
            self.cost_per_bottle(sale, bottle_format, channel),
            self._stored(release, bottle_format, start, int(sale.days.max())),
        )

    def _stored(self, release: str, bottle_format: str, start: int, until: int) -> AccrualCurve:
        """Storage of one finished bottle of a release a year, from `start` on, at least until a day."""
        key = (release, bottle_format, start)
        known, _ = self._storage.get(key, (start - 1, None))
        if until > known:
            last = until + _MORE_DAYS
            since = self._rates_change
            ahead = np.arange(max(start, self.today), last + 1, STEP_DAYS)
            steps = np.unique(np.concatenate([[start], since[(since > start) & (since < last)], ahead]))
            rates = self._on(
                ("storage", bottle_format),
                steps,
                lambda day: storage_per_bottle_year(self.estate, "finished stock", bottle_format, day, self.today),
            )
            pools = time_pools_of_states(self.results, self._held(release, start), steps).sum(axis=0)
            self._storage[key] = last, AccrualCurve(steps, rates + pools)
        return self._storage[key][1]

    def _held(self, release: str, start: int) -> Ints:
        """State of the release on the later of `start` and the valuation day; none where nothing of it is held."""
        chain = self.results.chain
        lot = np.array([chain.lots.names.get_loc(release)], dtype=np.int64)
        state = chain.state_on(lot, np.array([max(start, self.today)]))
        return state[chain.states.quantity[state] > 0]
