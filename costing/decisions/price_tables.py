"""Release prices: for every release still to be sold and every sales channel the floor, the costs, the
targets and the list.

    target return r:  P = [C_r + PV(storage) + PV(selling)] / Σ (1 − commission) · n_k / B(dispatch_k + terms)
    target margin m:  P = (book cost + selling cost) / (1 − commission − m)
    list price needed = P / (1 − discount), then rounded up to the price step of the settings
    margin at list    = net · (1 − commission) − selling cost − book cost

C_r is the economic cost of the release at the target's own rate, so that the price earns that rate from the
first grapes to the last receipt; the table's return is the internal rate of those flows at list. Without a
target the hurdle stands. Floor: the same formula with what is avoidable from now on in place of C. Planned
dispatches without a price say when a channel takes the bottles; otherwise the channel's sell-through does,
with its share of what is not planned. A list price in another currency counts at its rate less the buffer.

What it does not do: demand, promotions and formats (`price_changes`), the way to the shelf (`price_chains`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from costing.decisions.channels import list_price, round_up, to_market_currency
from costing.decisions.keeping_costs import storage_per_bottle_year
from costing.decisions.pricing import (
    SalePlan,
    cash_flows,
    cost_plus_price,
    monthly_dispatches,
    price_for_margin,
    rate_of_return,
    target_price,
)
from costing.decisions.releases_to_sell import (
    ON_LEES,
    DatedMoney,
    UnitCosts,
    to_sell,
    unit_costs,
    with_stacks_released,
)
from costing.decisions.terms_in_force import (
    Target,
    channel_terms,
    currency_rates,
    list_prices,
    number,
    target_of,
)
from costing.engine.carrying import IntArray, RateCurve
from costing.errors import InputError
from costing.graph.arrays import days
from costing.model import run, trace
from costing.results.origins import release_states
from costing.results.results import Results
from costing.units import FORMATS_L, STANDARD_BOTTLE_L

PRICES = {
    "release": "Release",
    "cuvee": "Cuvée",
    "format": "Format",
    "channel": "Channel",
    "state": "State",
    "ready": "Ready",
    "stock": "Bottles of the release",
    "bottles": "Bottles to sell",
    "sold": "How sold",
    "floor": "Floor",
    "book": "Book cost",
    "economic": "Economic cost",
    "replacement": "Replacement cost",
    "target": "Target",
    "price_for_margin": "Price for target margin",
    "price_for_return": "Price for target return",
    "target_price": "Target price, net",
    "cost_plus": "Cost-plus price",
    "list_needed": "List price needed",
    "advised_list": "Advised list price",
    "list_price": "List price in force",
    "net_price": "Net price at list",
    "margin": "Margin per bottle",
    "margin_percent": "Margin",
    "rate": "Return a year",
    "gap": "List over advised",
    "contribution": "Contribution today",
    "currency": "Market currency",
    "advised_in_market": "Advised list, market currency",
    "list_currency": "List currency",
    "list_as_given": "List price as given",
    "target_per_75cl": "Target price per 75 cl",
}
MONEY_PER_BOTTLE = (
    *("floor", "book", "economic", "replacement", "price_for_margin", "price_for_return", "target_price", "cost_plus"),
    *("list_needed", "advised_list", "list_price", "net_price", "margin", "gap", "contribution"),
)
"""Columns of `release_prices` in the estate's currency per bottle of the format."""
HIGHEST_RETURN = 1.0
"""A basis takes no rate above 100 % a year."""


@dataclass(frozen=True)
class Sale:
    """How a channel takes a release: days and bottles of its dispatches, in words, and its part of the release."""

    days: IntArray
    bottles: np.ndarray
    words: str
    share: float


def release_prices(book: Results, economic: Results, replacement: Results) -> pd.DataFrame:
    """Every release to sell in every sales channel (columns of `PRICES`), by date of release.

    The three are results of one estate on one chain; economic: on the basis whose rate is the hurdle. NaN
    where no target, no list price or no price that reaches the target is there.
    """
    bases = (book, economic, replacement)
    parts = [_Pricing(*bases, to_sell(economic)).table()]
    extended, stacks = with_stacks_released(economic.estate, economic.chain)
    if stacks:
        try:
            chain = trace(extended)
            again = [run(extended, results.basis, chain) for results in bases]
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
    frame = prices.drop(columns=["target_per_75cl", "advised_in_market", "list_as_given", "list_currency", "currency"])
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
        self.terms = channel_terms(self.estate, self.today)
        self.at_rate: dict[float, UnitCosts] = {}
        self.storage: dict[tuple[str, int], float] = {}
        plan = self.estate["dispatches"]
        day = days(plan["on_date"])
        self.plan = plan.assign(day=day)[(day > self.today) & plan["net_price"].isna().to_numpy()]

    @cached_property
    def money(self) -> DatedMoney:
        return DatedMoney(self.economic)

    def table(self) -> pd.DataFrame:
        ready = days(self.rows["ready"])
        listed = iter(self.listed(np.maximum(ready, self.today)))
        lines = []
        for at, (_, release) in enumerate(self.rows.iterrows()):
            first = max(int(ready[at]), self.today)
            sales = self.sales(release, first)
            spent = self.money.behind(release_states(self.economic, str(release["release"])))
            for channel, terms in self.terms.iterrows():
                sale, days_of = sales[str(channel)], (int(ready[at]), first)
                lines.append(self.line(at, release, str(channel), terms, sale, days_of, spent, next(listed)))
        return pd.DataFrame(lines, columns=list(PRICES))

    def sales(self, release: pd.Series, first: int) -> dict[str, Sale]:
        """How each channel takes a release: as planned, or evenly over its months from its first day."""
        mine = self.plan[self.plan["release_lot"] == release["release"]]
        planned = {str(name): rows for name, rows in mine.groupby(mine["channel"].astype(str))}
        left = max(float(release["to_sell"] - mine["bottles"].sum()), 0.0)
        open_channels = [str(name) for name in self.terms.index if str(name) not in planned]
        shares = np.array([number(self.terms.loc[name, "share"]) for name in open_channels])
        if len(shares) and not shares.sum() > 0:
            part = dict.fromkeys(open_channels, left)
        else:
            total = shares.sum()
            part = dict(zip(open_channels, left * shares / (total or 1.0), strict=True))
        found = {}
        for name in map(str, self.terms.index):
            if name in planned:
                rows = planned[name].sort_values("day", kind="stable")
                bottles = rows["bottles"].to_numpy(dtype=float)
                found[name] = Sale(rows["day"].to_numpy(), bottles, "as planned", float(bottles.sum()))
                continue
            months = int(np.ceil(number(self.terms.loc[name, "sell_through_months"]) - 1e-9))
            when, bottles = monthly_dispatches(float(release["to_sell"]), first, months)
            words = f"over {months} months" if months else "at once"
            found[name] = Sale(when, bottles, words, part[name])
        return found

    def unit_costs_at(self, rate: float) -> UnitCosts:
        """Economic costs at a flat rate."""
        if rate not in self.at_rate:
            basis = self.economic.basis.replace(name=f"at {rate:.6g}", capital="hurdle", rate=rate)
            self.at_rate[rate] = unit_costs(run(self.estate, basis, self.economic.chain), self.rows)
        return self.at_rate[rate]

    def line(
        self,
        at: int,
        release: pd.Series,
        channel: str,
        terms: pd.Series,
        sale: Sale,
        days_of: tuple[int, int],
        spent: tuple[np.ndarray, np.ndarray],
        listed: tuple[float, str, float],
    ) -> dict[str, object]:
        (ready, first), (given, of_currency, in_force) = days_of, listed
        cuvee, size, bottle_l = str(release["cuvee"]), str(release["format"]), float(release["bottle_l"])
        commission, selling = number(terms["commission"]), number(terms["selling_cost_per_bottle"])
        discount, buffer = number(terms["discount"]), number(terms["currency_buffer"])
        if (size, first) not in self.storage:
            at_first = np.array([first])
            kept = storage_per_bottle_year(self.estate, "finished stock", size, at_first, self.today)
            self.storage[size, first] = float(kept[0])
        storage, n = self.storage[size, first], float(sale.bottles.sum())
        wait = int(np.rint(number(terms["customer_days"])))

        def plan(per_bottle: float, start: int) -> SalePlan:
            return SalePlan(per_bottle * n, start, sale.days, sale.bottles, wait, commission, selling, storage)

        book, economic, again = (float(costs.cost[at]) for costs in self.costs)
        goals = [target_of(self.estate, cuvee, size, channel, kind) for kind in ("margin", "return", None)]
        for_margin = self.at_margin(goals[0], book + selling, commission)
        for_return = self.at_return(goals[1], at, plan, ready)
        wanted = for_margin if goals[2].kind == "margin" else for_return
        floor = target_price(plan(float(self.costs[1].avoidable[at]), first), self.hurdle)
        needed = float(list_price(wanted, discount))
        step = self.estate.settings.price_step
        net = in_force * (1.0 - discount)
        margin = net * (1.0 - commission) - selling - book
        market, rate = terms["currency"], number(terms["currency_rate"], 1.0)
        foreign = pd.notna(market) and market != self.estate.settings.currency
        quoted = to_market_currency(needed, rate, buffer) if foreign else np.asarray(needed)
        return {
            "release": release["release"],
            "cuvee": cuvee,
            "format": size,
            "channel": channel,
            "state": release["state"],
            "ready": release["ready"],
            "stock": float(release["to_sell"]),
            "bottles": sale.share,
            "sold": sale.words,
            "floor": floor.price,
            "book": book,
            "economic": economic,
            "replacement": again,
            "target": str(goals[2]),
            "price_for_margin": for_margin,
            "price_for_return": for_return,
            "target_price": wanted,
            "cost_plus": float(cost_plus_price(economic, selling, commission)),
            "list_needed": needed,
            "advised_list": _rounded(needed, step),
            "list_price": in_force,
            "net_price": net,
            "margin": margin,
            "margin_percent": margin / net if net else np.nan,
            "rate": self.rate(plan(0.0, ready), net, spent, n / float(release["bottles"])),
            "gap": in_force - _rounded(needed, step),
            "contribution": (net - floor.price) * floor.discounted_bottles / n,
            "currency": market if foreign else self.estate.settings.currency,
            "advised_in_market": _rounded(float(quoted), step),
            "list_currency": of_currency if np.isfinite(given) else "",
            "list_as_given": given,
            "target_per_75cl": wanted * STANDARD_BOTTLE_L / bottle_l,
        }

    def at_margin(self, goal: Target, cost: float, commission: float) -> float:
        if goal.row < 0 or goal.value + commission >= 1.0:
            return np.nan
        return float(price_for_margin(cost, goal.value, commission))

    def at_return(self, goal: Target, at: int, plan: Callable[[float, int], SalePlan], ready: int) -> float:
        if goal.row < 0:
            return target_price(plan(float(self.costs[1].cost[at]), ready), self.hurdle).price
        if goal.value > HIGHEST_RETURN:
            return np.nan
        curve = RateCurve.flat(goal.value, self.estate.settings.day_count)
        return target_price(plan(float(self.unit_costs_at(goal.value).cost[at]), ready), curve).price

    def listed(self, first: IntArray) -> list[tuple[float, str, float]]:
        """List price as given, its currency, and its worth in the estate's currency: each release by channel.

        first: first day on which each release is sold.
        """
        count = len(self.terms)
        keys = self.rows[["cuvee", "format"]].astype(str).to_numpy(dtype=object).repeat(count, axis=0)
        channel = np.tile(self.terms.index.astype(str).to_numpy(dtype=object), len(self.rows))
        buffer = np.tile(np.nan_to_num(self.terms["currency_buffer"].to_numpy(dtype=float)), len(self.rows))
        on = np.repeat(first, count)
        found = list_prices(self.estate, keys[:, 0], keys[:, 1], channel, on)
        rate = currency_rates(self.estate, found.currency, channel, on) * (1.0 - buffer)
        own = np.where(found.currency == self.estate.settings.currency, 1.0, rate)
        return list(zip(found.price.tolist(), found.currency.tolist(), (found.price * own).tolist(), strict=True))

    def rate(self, plan: SalePlan, net: float, spent: tuple[np.ndarray, np.ndarray], part: float) -> float:
        """Return a year at a net price on everything that was spent; NaN where there is not one."""
        if not np.isfinite(net):
            return np.nan
        later, amounts = cash_flows(plan, net)
        found = rate_of_return(np.concatenate([spent[0], later]), np.concatenate([-part * spent[1], amounts]))
        return np.nan if found.rate is None else found.rate


def _rounded(price: float, step: float) -> float:
    return float(round_up(price, step)) if np.isfinite(price) else np.nan


def first_of_each(prices: pd.DataFrame, keys: Sequence[str] = ("cuvee", "format", "channel")) -> pd.DataFrame:
    """First release of each cuvée, format and channel: the one that a price list speaks of now."""
    return prices.drop_duplicates(list(keys)).reset_index(drop=True)
