"""Release prices: for every release still to be sold and every sales channel the floor, the costs, the
targets and the list.

    target return r:  P = [C_r + PV(storage) + PV(selling)] / Σ (1 − commission) · n_k / B(dispatch_k + terms)
    target margin m:  P = (book cost + cost of selling) / (1 − commission − m)
    list price needed = P / (1 − discount), then rounded up to the price step of the settings
    margin at list    = net · (1 − commission) − cost of selling − book cost

C_r is the economic cost of the release at the target's own rate, so that the price earns that rate from the
first grapes to the last receipt; the table's return is the internal rate of those flows at list. Without a
target the hurdle stands. Cost of selling (work at dispatch, presentation, the channel's own) and how a release is
sold: `selling`. Floor: the same formula with what is avoidable from now on in place of C. Planned
dispatches without a price say when a channel takes the bottles; otherwise the channel's sell-through does,
with its share of what is not planned. A list price in another currency counts at its rate less the buffer.

What it does not do: demand, promotions and formats (`price_changes`), the way to the shelf (`price_chains`).
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from costing.array_types import Floats, Ints
from costing.decisions.prices.channels import list_price, round_up, to_market_currency
from costing.decisions.prices.pricing import (
    SalePlan,
    TargetPrice,
    cash_flows,
    cost_plus_price,
    price_for_margin,
    rates_of_return,
    target_prices,
)
from costing.decisions.prices.releases_to_sell import (
    MADE,
    ON_LEES,
    PLANNED,
    DatedMoney,
    UnitCosts,
    to_sell,
    unit_costs,
    with_stacks_released,
)
from costing.decisions.prices.selling import Sale, Selling
from costing.decisions.prices.terms_in_force import (
    Target,
    currency_rates,
    list_prices,
    number,
    target_of,
)
from costing.engine.carrying import RateCurve
from costing.graph.arrays import days
from costing.model import Runs, run
from costing.results.origins import release_states
from costing.results.results import Results
from costing.units import FORMATS_L, STANDARD_BOTTLE_L

MONEY_PER_BOTTLE = (
    *("avoidable_cost", "book_per_bottle", "economic_per_bottle", "replacement_per_bottle", "selling_cost"),
    *("price_for_margin", "price_for_return", "target_price", "cost_plus_price", "list_price_needed"),
    *("advised_list_price", "list_price", "net_price_at_list", "margin_at_list", "list_over_advised"),
    "contribution_today",
)
"""Columns of `release_prices` in the estate's currency per bottle of the format."""
_IN_MARKET = ("list_in_market", "advised_in_market", "market_currency", "list_currency", "list_price_as_given")
_COLUMNS = (
    *("release", "cuvee", "format", "channel", "state", "ready", "bottles_of_release", "bottles_to_sell", "how_sold"),
    *("target", "margin_share", "return_a_year", "target_price_per_75cl", *_IN_MARKET, *MONEY_PER_BOTTLE),
)
"""Columns of `release_prices`."""
HIGHEST_RETURN = 1.0
"""A basis takes no rate above 100 % a year."""


def release_prices(book: Results, economic: Results, replacement: Results) -> pd.DataFrame:
    """Every release to sell in every sales channel (`_COLUMNS`), by date of release.

    The three are results of one estate on one chain; economic: on the basis whose rate is the hurdle. NaN
    where no target, no list price or no price that reaches the target is there.
    """
    parts = [_Pricing(book, economic, replacement, to_sell(economic)).table()]
    extended, stacks = with_stacks_released(economic.estate, economic.chain)
    if stacks:
        released = Runs(extended)
        again = released.on(book.basis), released.on(economic.basis), released.on(replacement.basis)
        rows = to_sell(again[1])
        rows = rows[rows["release"].isin(stacks)].reset_index(drop=True).assign(state=ON_LEES)
        parts.append(_Pricing(*again, rows).table())
    filled = [part for part in parts if len(part)]
    return pd.concat(filled, ignore_index=True) if filled else parts[0]


def per_75cl(prices: pd.DataFrame) -> pd.DataFrame:
    """The money of `release_prices` per 75 cl, beside the keys and what is no money."""
    frame = prices.drop(columns=["target_price_per_75cl", *_IN_MARKET])
    names = list(MONEY_PER_BOTTLE)
    frame[names] = frame[names].mul(STANDARD_BOTTLE_L / prices["format"].map(FORMATS_L).astype(float), axis=0)
    return frame


@dataclass(frozen=True)
class _Offer:
    """How a channel takes a release: all bottles sold as it sells them, from the day on which they are ready; what
    they must bring, and what they must bring to earn the target.
    """

    sale: Sale
    bottles: float
    whole: SalePlan
    floor: TargetPrice
    for_return: float


class _Pricing:
    """Prices of the rows of `to_sell` in every channel."""

    def __init__(self, book: Results, economic: Results, replacement: Results, rows: pd.DataFrame) -> None:
        self.estate, self.today = economic.estate, economic.chain.valuation_day
        self.economic, self.rows = economic, rows
        self.costs = [unit_costs(results, rows) for results in (book, economic, replacement)]
        self.hurdle = economic.charges.curve or RateCurve.flat(0.0, self.estate.settings.day_count)
        self.selling = Selling(economic)
        self.terms = self.selling.terms
        self.at_rate: dict[float, UnitCosts] = {}

    @cached_property
    def money(self) -> DatedMoney:
        return DatedMoney(self.economic)

    def table(self) -> pd.DataFrame:
        ready = days(self.rows["ready"])
        listed = iter(self.listed(np.maximum(ready, self.today)))
        lines, returns, channels = [], list[float | None](), self.terms.reset_index().to_dict("records")
        behind = self.money.behind_each([release_states(self.economic, str(name)) for name in self.rows["release"]])
        for position, (release, spent) in enumerate(zip(self.rows.to_dict("records"), behind, strict=True)):
            flows = []
            for terms, offer in zip(channels, self.offers(position, release, int(ready[position])), strict=True):
                line = self.line(position, release, terms, offer, next(listed))
                lines.append(line)
                flows.append(_flows(offer, float(line["net_price_at_list"]), spent, float(release["bottles"])))
            returns += [found.rate for found in rates_of_return(flows)]
        priced = pd.DataFrame(lines, columns=list(_COLUMNS))
        return priced.assign(return_a_year=np.array(returns, dtype=np.float64))

    def unit_costs_at(self, rate: float) -> UnitCosts:
        """Economic costs at a flat rate."""
        if rate not in self.at_rate:
            basis = self.economic.basis.replace(name=f"at {rate:.6g}", capital="hurdle", rate=rate)
            again = run(self.estate, basis, self.economic.chain, self.economic.charges.common)
            self.at_rate[rate] = unit_costs(again, self.rows)
        return self.at_rate[rate]

    def line(
        self,
        position: int,
        release: Mapping[Hashable, Any],
        terms: Mapping[Hashable, Any],
        offer: _Offer,
        listed: tuple[float, str, float],
    ) -> dict[str, Any]:
        in_force, channel, floor = listed[2], str(terms["channel"]), offer.floor
        cuvee, size, bottle_l = str(release["cuvee"]), str(release["format"]), float(release["bottle_l"])
        commission, discount = number(terms["commission"]), number(terms["discount"])
        n, selling = offer.bottles, float(offer.whole.selling_cost.sum()) / offer.bottles
        book, economic, again = (float(costs.cost[position]) for costs in self.costs)
        for_target, goal = (target_of(self.estate, cuvee, size, channel, kind) for kind in ("margin", None))
        for_margin = self.at_margin(for_target, book + selling, commission)
        wanted = for_margin if goal.kind == "margin" else offer.for_return
        needed = float(list_price(wanted, discount))
        advised, net = _rounded(needed, self.estate.settings.price_step), in_force * (1.0 - discount)
        margin = net * (1.0 - commission) - selling - book
        return {
            "release": release["release"],
            "cuvee": cuvee,
            "format": size,
            "channel": channel,
            "state": release["state"],
            "ready": release["ready"],
            "bottles_of_release": float(release["to_sell"]),
            "bottles_to_sell": offer.sale.share,
            "how_sold": offer.sale.words,
            "avoidable_cost": floor.price,
            "book_per_bottle": book,
            "economic_per_bottle": economic,
            "replacement_per_bottle": again,
            "selling_cost": selling,
            "target": str(goal),
            "price_for_margin": for_margin,
            "price_for_return": offer.for_return,
            "target_price": wanted,
            "cost_plus_price": float(cost_plus_price(economic, selling, commission)),
            "list_price_needed": needed,
            "advised_list_price": advised,
            "list_price": in_force,
            "net_price_at_list": net,
            "margin_at_list": margin,
            "margin_share": margin / net if net else np.nan,
            "list_over_advised": in_force - advised,
            "contribution_today": (net - floor.price) * floor.discounted_bottles / n,
            **self.in_market(terms, needed, listed),
            "target_price_per_75cl": wanted * STANDARD_BOTTLE_L / bottle_l,
        }

    def in_market(
        self, terms: Mapping[Hashable, Any], needed: float, listed: tuple[float, str, float]
    ) -> dict[str, object]:
        """List price needed and list price in force in the currency of the channel's market, and as it was given."""
        given, currency, in_force = listed
        market, rate, buffer = terms["currency"], number(terms["currency_rate"], 1.0), number(terms["currency_buffer"])
        foreign = pd.notna(market) and market != self.estate.settings.currency
        quoted, listed_there = (
            float(to_market_currency(price, rate, buffer)) if foreign else price for price in (needed, in_force)
        )
        return {
            "market_currency": market if foreign else self.estate.settings.currency,
            "list_in_market": listed_there,
            "advised_in_market": _rounded(quoted, self.estate.settings.price_step),
            "list_currency": currency if np.isfinite(given) else "",
            "list_price_as_given": given,
        }

    def at_margin(self, goal: Target, cost: float, commission: float) -> float:
        if goal.row < 0 or goal.value + commission >= 1.0:
            return np.nan
        return float(price_for_margin(cost, goal.value, commission))

    def offers(self, position: int, release: Mapping[Hashable, Any], ready: int) -> list[_Offer]:
        """How each channel takes a release, with the floor and the price at which the sale earns its target on its
        economic cost at that rate; at the hurdle without a target.
        """
        named, size, first = str(release["release"]), str(release["format"]), max(ready, self.today)
        sales = self.selling.sales(named, float(release["to_sell"]), first)
        avoidable = float(self.costs[1].avoidable[position])
        now = [
            self.selling.plan(sale, named, size, channel, avoidable * float(sale.bottles.sum()), first)
            for channel, sale in sales.items()
        ]
        whole = now
        if ready != first:
            whole = [self.selling.plan(sale, named, size, channel, 0.0, ready) for channel, sale in sales.items()]
        floors = target_prices(now, self.hurdle)
        found: dict[float | None, list[TargetPrice]] = {None: floors} if whole is now else {}
        offers = []
        for number_of, (channel, sale) in enumerate(sales.items()):
            goal = target_of(self.estate, str(release["cuvee"]), size, channel, "return")
            rate, for_return, bottles = goal.value if goal.row >= 0 else None, np.nan, float(sale.bottles.sum())
            if not goal.value > HIGHEST_RETURN:
                if rate not in found:
                    found[rate] = target_prices(whole, self.curve_at(rate))
                costs = self.costs[1] if rate is None else self.unit_costs_at(rate)
                for_return = found[rate][number_of].price_at(float(costs.cost[position]) * bottles)
            offers.append(_Offer(sale, bottles, whole[number_of], floors[number_of], for_return))
        return offers

    def curve_at(self, rate: float | None) -> RateCurve:
        """The hurdle, or a flat rate in its place."""
        return self.hurdle if rate is None else RateCurve.flat(rate, self.estate.settings.day_count)

    def listed(self, first: Ints) -> list[tuple[float, str, float]]:
        """List price as given, its currency, and its worth in the estate's currency: each release by channel.

        first: first day on which each release is sold.
        """
        count = len(self.terms)
        keys = self.rows[["cuvee", "format"]].astype(str).to_numpy(dtype=object).repeat(count, axis=0)
        channel = np.tile(self.terms.index.astype(str).to_numpy(dtype=object), len(self.rows))
        buffer = np.tile(np.nan_to_num(self.terms["currency_buffer"].to_numpy(dtype=float)), len(self.rows))
        on = np.repeat(first, count)
        prices = list_prices(self.estate, keys[:, 0], keys[:, 1], channel, on)
        rate = currency_rates(self.estate, prices.currency, channel, on) * (1.0 - buffer)
        own = np.where(prices.currency == self.estate.settings.currency, 1.0, rate)
        return list(zip(prices.price.tolist(), prices.currency.tolist(), (prices.price * own).tolist(), strict=True))


def _flows(offer: _Offer, net: float, spent: tuple[Floats, Floats], made: float) -> tuple[Floats, Floats]:
    """Days and amounts of a sale at a net price, with its part of what was spent on all bottles made; none where there
    is no price.
    """
    if not np.isfinite(net):
        return np.zeros(0), np.zeros(0)
    later, amounts = cash_flows(offer.whole, net)
    return np.concatenate([spent[0], later]), np.concatenate([-offer.bottles / made * spent[1], amounts])


def _rounded(price: float, step: float) -> float:
    return float(round_up(price, step)) if np.isfinite(price) else np.nan


def next_of_each(prices: pd.DataFrame, keys: Sequence[str] = ("cuvee", "format", "channel")) -> pd.DataFrame:
    """Next release of each cuvée, format and channel, in the order of the rows: the first that is planned, else the
    first stack on lees that no plan empties, else the latest one made.

    prices: rows of `release_prices` or of `to_sell`; what is left of earlier releases is sold beside it.
    """
    ready = days(prices["ready"])
    rank = prices["state"].map({PLANNED: 0, ON_LEES: 1, MADE: 2}).to_numpy()
    wait = np.where(rank == 2, -ready, ready)
    order = np.lexsort((wait, rank))
    chosen = prices.iloc[order].drop_duplicates(list(keys)).index
    return prices.loc[prices.index.isin(chosen)].reset_index(drop=True)
