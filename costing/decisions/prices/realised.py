"""Realised sales: what each cuvée and format brought and what it cost, per bottle, litre, kilo, bottle-year and unit of
capital.

    margin            = net price after discount and commission − cost of selling − book cost
    at list           = the same at the list price in force on the day of each sale, less the channel's discount
    contribution      = margin + what allocated pools put into the book cost (spent with or without the bottle)
    average capital   = (capital charged at a flat rate r, until the customers pay) / r / bottles: the money on which
                        that is a year's return, so that margin − r · average capital is what capital leaves
    return a year     = internal rate of all dated flows, given only where it is the only one

Realised: dispatches through sales channels up to the valuation date that carry a price, in the estate's
currency at the rate of their day. Cost of selling is all that `selling` names; book, economic and replacement cost
are those of the bottle as it lay in stock, so that cost of goods sold is book cost and what the run charged at
dispatch. Bottles sold at no price, samples and other exits are left out of both
sides; bottles that come back take their price and their cost off again. Value tied up counts the capital
already charged, so that long ageing is not flattered. Bottle-years run from tirage to dispatch and count
bottles of the format itself; kilos by quantities (`grapes_behind`).

What it does not do: tax, bad debts, overheads outside the pools.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from costing.array_types import Floats, Ints, ParallelArrays
from costing.calendar import DAYS_A_YEAR
from costing.decisions.prices.grapes_behind import grapes_behind
from costing.decisions.prices.pricing import rate_of_return
from costing.decisions.prices.releases_to_sell import DatedMoney, dispatch_states
from costing.decisions.prices.selling import charged_at_dispatch
from costing.decisions.prices.terms_in_force import currency_rates, list_prices
from costing.graph.arrays import BLANK_DAY, days
from costing.inputs.estate import Estate
from costing.model import Runs
from costing.money.postings import TABLE_NAMES
from costing.once import asked_once
from costing.results.lots import as_dates
from costing.results.origins import plain_weights
from costing.results.ways_out import SALE, channel_rows, ways_out
from costing.units import STANDARD_BOTTLE_L

LEAST_TRACED = 0.2
"""Below this part of wine from pressed grapes in the records a margin per kilo would mislead."""
_POOLS = TABLE_NAMES.index("pools")


@dataclass(frozen=True, eq=False)
class Receipts(ParallelArrays):
    """Per row of Dispatches, per bottle and in the estate's currency: net price after commission (NaN: no sale
    or no price), the same at list (NaN: no list price), the channel's selling cost; and the day on which the
    customer pays.
    """

    price: Floats
    at_list: Floats
    selling: Floats
    paid: Ints


def receipts(estate: Estate, cuvee: np.ndarray, bottle_format: np.ndarray) -> Receipts:
    """What each row of Dispatches brings. cuvee, bottle_format: of its bottles."""
    sent, table = estate["dispatches"], estate["channels"]
    day = days(sent["on_date"])
    row = channel_rows(estate, sent["channel"], day)
    terms_held = table.iloc[np.maximum(row, 0)] if len(table) else table.reindex(range(len(row)))

    def term(name: str) -> Floats:
        return np.where(row >= 0, np.nan_to_num(terms_held[name].to_numpy(dtype=float)), 0.0)

    sale = (row >= 0) & (ways_out(estate) == SALE)
    channel = sent["channel"].astype(object).to_numpy()
    rate = currency_rates(estate, sent["currency"].astype(object).to_numpy(), channel, day)
    kept = 1.0 - term("commission")
    listed = list_prices(estate, cuvee, bottle_format, channel, day)
    list_rate = currency_rates(estate, listed.currency, channel, day)
    return Receipts(
        np.where(sale, sent["net_price"].to_numpy() * rate * kept, np.nan),
        np.where(sale, listed.price * list_rate * (1.0 - term("discount")) * kept, np.nan),
        np.where(sent["bottles"].to_numpy() > 0, term("selling_cost_per_bottle"), 0.0),  # spent on what comes back
        day + np.rint(term("customer_days")).astype(np.int64),
    )


@dataclass(frozen=True, eq=False)
class Sales(ParallelArrays):
    """Priced sales up to the valuation date: row of Dispatches, lot, lot-state, bottles, day, litres,
    and what they bring.
    """

    row: Ints
    lot: Ints
    state: Ints
    bottles: Floats
    day: Ints
    litres: Floats
    receipts: Receipts


@asked_once
def realised_sales(runs: Runs, since: date | None = None) -> Sales:
    """Every priced sale. since: first day of dispatch that counts (all of them without it)."""
    chain, labels = runs.chain, runs.labels
    flow, state = dispatch_states(runs.economic)
    lot, bottles, day = chain.flows.source[flow], chain.flows.out[flow], chain.flows.day[flow]
    brought = receipts(runs.estate, labels.cuvee[lot], labels.format[lot])
    counts = np.isfinite(brought.price) & (day <= chain.valuation_day) & (bottles != 0)
    if since is not None:
        counts &= day >= int(np.datetime64(since, "D").astype(np.int64))
    litres = bottles * chain.lots.litres_per_unit[lot]
    sales = Sales(np.arange(len(lot)), lot, state, bottles, day, litres, brought)
    return sales.take(np.flatnonzero(counts))


@asked_once
def margins_by_cuvee(runs: Runs, since: date | None = None) -> pd.DataFrame:
    """Realised margins by cuvée and format up to the valuation date (tables `margins` and `margins_by_capital`
    together), most money first.

    since: first day of dispatch that counts (all of them without it).
    """
    sales, bases, labels = realised_sales(runs, since), _Bases(runs), runs.labels
    groups: dict[tuple[str, str], list[int]] = {}
    for position, lot in enumerate(sales.lot):
        groups.setdefault((str(labels.cuvee[lot]), str(labels.format[lot])), []).append(position)
    rows = []
    for (cuvee, size), members in sorted(groups.items()):
        part = sales.take(np.array(members, dtype=np.int64))
        rows.append({"cuvee": cuvee, "format": size} | bases.side_by_side(part, labels.tirage_day[part.lot]))
    if not rows:
        return pd.DataFrame(columns=["cuvee", "format"])
    frame = pd.DataFrame(rows)
    return _with_share(frame).sort_values("margin_total", ascending=False, ignore_index=True, kind="stable")


def margins_by(runs: Runs, keys: Sequence[str]) -> pd.DataFrame:
    """Margin in money of the same sales by cuvée, format, channel or year, in bottles of 75 cl too.

    Columns: the keys, bottles_sold_75cl, margin_total, share_of_margin, margin_per_75cl.
    """
    sales, labels = realised_sales(runs), runs.labels
    frame = pd.DataFrame(
        {
            "cuvee": labels.cuvee[sales.lot].astype(str),
            "format": labels.format[sales.lot].astype(str),
            "channel": runs.estate["dispatches"]["channel"].astype(str).to_numpy()[sales.row],
            "year": pd.DatetimeIndex(as_dates(sales.day)).year.astype(str),
            "bottles_sold_75cl": sales.litres / STANDARD_BOTTLE_L,
            "margin_total": (sales.receipts.price - sales.receipts.selling) * sales.bottles
            - runs.book.total[sales.state],
        }
    )
    summed = _with_share(frame.groupby(list(keys), as_index=False)[["bottles_sold_75cl", "margin_total"]].sum())
    return summed.assign(margin_per_75cl=summed["margin_total"] / summed["bottles_sold_75cl"])


def _with_share(frame: pd.DataFrame) -> pd.DataFrame:
    whole = frame["margin_total"].sum()
    return frame.assign(share_of_margin=frame["margin_total"] / whole if whole > 0 else np.nan)


class _Bases:
    """The runs that one line of the table needs."""

    def __init__(self, runs: Runs) -> None:
        self.book, self.economic, self.replacement = runs.book, runs.economic, runs.replacement
        curve = self.economic.charges.curve
        today = np.int64(runs.today)
        self.hurdle = 0.0 if curve is None else float(curve.rate[np.searchsorted(curve.from_day, today, "right") - 1])
        flat = self.economic.basis.replace(name="flat", capital="hurdle", rate=self.hurdle)
        self.flat = runs.on(flat) if self.hurdle > 0 else self.economic
        self.capital = np.asarray(self.flat.columns.get_level_values("element") == "capital")
        self.money = DatedMoney(self.economic)
        self.grapes = grapes_behind(runs.estate, runs.chain)

    def side_by_side(self, part: Sales, tirage: Ints) -> dict[str, float]:
        """Figures of one cuvée and format. tirage: day of it for each of its sales."""
        state, bottles, day, sold = part.state, part.bottles, part.day, part.receipts
        count, litres = float(bottles.sum()), float(part.litres.sum())
        price, sent = float((sold.price * bottles).sum()), float(charged_at_dispatch(self.book, state).sum())
        selling = float((sold.selling * bottles).sum()) + sent
        book, full, again = (
            float((results.total[state] - charged_at_dispatch(results, state)).sum())
            for results in (self.book, self.economic, self.replacement)
        )
        margin = (price - selling - book) / count
        listed = np.isfinite(sold.at_list)
        at_list = float((sold.at_list * bottles)[listed].sum()) / float(bottles[listed].sum() or np.nan)
        known = tirage != BLANK_DAY
        aged = float((bottles * (day - np.where(known, tirage, day)))[known].sum()) / DAYS_A_YEAR
        years = aged / float(bottles[known].sum()) if known.any() else np.nan
        traced = float((self.grapes.traced[state] * bottles).sum()) / count
        kilos = float(self.grapes.kg[state].sum()) / count / traced if traced >= LEAST_TRACED else np.nan
        contribution = margin + self._pools(state) / count
        capital = self._value_years(state, bottles, day, sold) / count
        return {
            "bottles_sold": count,
            "net_receipt": price / count,
            "net_receipt_at_list": at_list,
            "selling_cost": selling / count,
            "book_per_bottle": book / count,
            "economic_per_bottle": full / count,
            "replacement_per_bottle": again / count,
            "margin_per_bottle": margin,
            "margin_of_receipt": margin * count / price if price else np.nan,
            "bottles_sold_75cl": litres / STANDARD_BOTTLE_L,
            "margin_per_75cl": margin * count / litres * STANDARD_BOTTLE_L,
            "margin_total": margin * count,
            "margin_at_list": at_list - (selling + book) / count,
            "margin_after_capital": (price - selling - full) / count,
            "margin_per_litre": margin * count / litres,
            "grapes_kg": kilos,
            "wine_traced": traced,
            "margin_per_kilo": margin / kilos if kilos > 0 else np.nan,
            "years_to_sale": years,
            "margin_per_bottle_year": margin / years if years > 0 else np.nan,
            "contribution_per_bottle": contribution,
            "contribution_per_bottle_year": contribution / years if years > 0 else np.nan,
            "average_capital_per_bottle": capital,
            "margin_per_capital": margin / capital if capital > 0 else np.nan,
            "return_a_year": self._rate(state, bottles, day, sold),
        }

    def _pools(self, state: Ints) -> float:
        """What allocated pools put into the book cost of these states."""
        plain = plain_weights(self.book, state)
        charges = self.book.charges
        pooled = charges.postings.table == _POOLS
        money = float((charges.postings.amount * plain[charges.postings.state])[pooled].sum())
        for part in charges.accrued:
            if not part.expensed and part.charge.table == _POOLS:
                money += float((part.amount * plain[part.states]).sum())
        return money

    def _value_years(self, state: Ints, bottles: Floats, day: Ints, sold: Receipts) -> float:
        """Capital charged until the customers pay over a year's rate; at a rate of 0 money × years, its limit."""
        wait = (sold.paid - day) / DAYS_A_YEAR
        outlay = sold.selling * bottles
        if self.hurdle > 0:
            value = self.flat.total[state] + outlay
            waiting = value * np.expm1(np.log1p(self.hurdle) * wait)
            return float((self.flat.cost[state][:, self.capital].sum() + waiting.sum()) / self.hurdle)
        spent_day, spent = self.money.behind(state)
        cash = self.economic.total[state]
        moved = (cash * sold.paid).sum() - (spent * spent_day).sum()
        return float(moved / DAYS_A_YEAR + (outlay * wait).sum())

    def _rate(self, state: Ints, bottles: Floats, day: Ints, sold: Receipts) -> float:
        spent_day, spent = self.money.behind(state)
        when = np.concatenate([spent_day, day, sold.paid])
        amounts = np.concatenate([-spent, -sold.selling * bottles, sold.price * bottles])
        rate = rate_of_return(when, amounts)
        return np.nan if rate.rate is None else rate.rate
