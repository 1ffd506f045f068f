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
from dataclasses import replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from costing.array_types import Floats, Ints
from costing.decisions.prices.channels import list_price, round_up, to_market_currency
from costing.decisions.prices.pricing import (
    SalePlan,
    cash_flows,
    cost_plus_price,
    price_for_margin,
    rates_of_return,
    target_price,
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
from costing.errors import InputError
from costing.graph.arrays import days
from costing.model import Runs, run, trace
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
    bases = (book, economic, replacement)
    parts = [_Pricing(*bases, to_sell(economic)).table()]
    extended, stacks = with_stacks_released(economic.estate, economic.chain)
    if stacks:
        try:
            chain = trace(extended)
            released = Runs(extended, chain)
            again = [released.on(results.basis) for results in bases]
        except InputError:  # a stack that cannot be emptied on that day has no price yet
            again = []
        if again:
            rows = to_sell(again[1])
            rows = rows[rows["release"].isin(stacks)].reset_index(drop=True).assign(state=ON_LEES)
            parts.append(_Pricing(again[0], again[1], again[2], rows).table())
    filled = [part for part in parts if len(part)]
    return pd.concat(filled, ignore_index=True) if filled else parts[0]


def per_75cl(prices: pd.DataFrame) -> pd.DataFrame:
    """The money of `release_prices` per 75 cl, beside the keys and what is no money."""
    frame = prices.drop(columns=["target_price_per_75cl", *_IN_MARKET])
    names = list(MONEY_PER_BOTTLE)
    frame[names] = frame[names].mul(STANDARD_BOTTLE_L / prices["format"].map(FORMATS_L).astype(float), axis=0)
    return frame


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
        self.flows: list[tuple[Floats, Floats]] = []
        """Money of every line, by the day on which it flows: what its return is found from."""

    @cached_property
    def money(self) -> DatedMoney:
        return DatedMoney(self.economic)

    def table(self) -> pd.DataFrame:
        ready = days(self.rows["ready"])
        listed = iter(self.listed(np.maximum(ready, self.today)))
        lines, channels = [], self.terms.reset_index().to_dict("records")
        for position, release in enumerate(self.rows.to_dict("records")):
            first = max(int(ready[position]), self.today)
            sales = self.selling.sales(str(release["release"]), float(release["to_sell"]), first)
            spent = self.money.behind(release_states(self.economic, str(release["release"])))
            for terms in channels:
                sale, days_of = sales[str(terms["channel"])], (int(ready[position]), first)
                lines.append(self.line(position, release, terms, sale, days_of, spent, next(listed)))
        priced = pd.DataFrame(lines, columns=list(_COLUMNS))
        rates = [rate.rate for rate in rates_of_return(self.flows)]
        return priced.assign(return_a_year=np.array(rates, dtype=np.float64))

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
        sale: Sale,
        days_of: tuple[int, int],
        spent: tuple[Floats, Floats],
        listed: tuple[float, str, float],
    ) -> dict[str, object]:
        (ready, first), in_force, channel = days_of, listed[2], str(terms["channel"])
        cuvee, size, bottle_l = str(release["cuvee"]), str(release["format"]), float(release["bottle_l"])
        commission, discount = number(terms["commission"]), number(terms["discount"])
        n, named = float(sale.bottles.sum()), str(release["release"])
        now = self.selling.plan(sale, named, size, channel, float(self.costs[1].avoidable[position]) * n, first)
        whole = now if ready == first else self.selling.plan(sale, named, size, channel, 0.0, ready)
        selling = float(now.selling_cost.sum()) / n
        book, economic, again = (float(costs.cost[position]) for costs in self.costs)
        goals = [target_of(self.estate, cuvee, size, channel, kind) for kind in ("margin", "return", None)]
        for_margin = self.at_margin(goals[0], book + selling, commission)
        for_return = self.at_return(goals[1], position, whole)
        wanted = for_margin if goals[2].kind == "margin" else for_return
        floor = target_price(now, self.hurdle)
        needed = float(list_price(wanted, discount))
        advised, net = _rounded(needed, self.estate.settings.price_step), in_force * (1.0 - discount)
        margin = net * (1.0 - commission) - selling - book
        self.flows.append(_flows(whole, net, spent, n / float(release["bottles"])))
        return {
            "release": release["release"],
            "cuvee": cuvee,
            "format": size,
            "channel": channel,
            "state": release["state"],
            "ready": release["ready"],
            "bottles_of_release": float(release["to_sell"]),
            "bottles_to_sell": sale.share,
            "how_sold": sale.words,
            "avoidable_cost": floor.price,
            "book_per_bottle": book,
            "economic_per_bottle": economic,
            "replacement_per_bottle": again,
            "selling_cost": selling,
            "target": str(goals[2]),
            "price_for_margin": for_margin,
            "price_for_return": for_return,
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

    def at_return(self, goal: Target, position: int, plan: SalePlan) -> float:
        """Price at which a sale earns a target on its economic cost at that rate; at the hurdle without a target."""
        if goal.value > HIGHEST_RETURN:
            return np.nan
        costs, curve = self.costs[1], self.hurdle
        if goal.row >= 0:
            costs, curve = self.unit_costs_at(goal.value), RateCurve.flat(goal.value, self.estate.settings.day_count)
        return target_price(replace(plan, cost=float(costs.cost[position] * plan.bottles.sum())), curve).price

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


def _flows(plan: SalePlan, net: float, spent: tuple[Floats, Floats], part: float) -> tuple[Floats, Floats]:
    """Days and amounts of everything spent, and of a sale at a net price; none where there is no price."""
    if not np.isfinite(net):
        return np.zeros(0), np.zeros(0)
    later, amounts = cash_flows(plan, net)
    return np.concatenate([spent[0], later]), np.concatenate([-part * spent[1], amounts])


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
