"""Cuvées side by side: what each format brought and what it cost, per bottle, litre, kilo, bottle-year and
unit of capital.

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
sides. Value tied up counts the capital already charged, so that long ageing is not flattered. Bottle-years
run from tirage to dispatch and count bottles of the format itself; kilos by quantities (`grapes_behind`).

What it does not do: tax, bad debts, overheads outside the pools.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from costing.decisions.prices.grapes_behind import grapes_behind
from costing.decisions.prices.pricing import rate_of_return
from costing.decisions.prices.releases_to_sell import DatedMoney, dispatch_states
from costing.decisions.prices.selling import charged_at_dispatch
from costing.decisions.prices.terms_in_force import currency_rates, list_prices
from costing.engine.carrying import DAYS_A_YEAR
from costing.graph.arrays import BLANK_DAY, Floats, Ints, days
from costing.inputs.basis import REPLACEMENT
from costing.inputs.estate import Estate
from costing.model import run
from costing.money.postings import TABLE_NAMES
from costing.results.lots import lot_labels
from costing.results.origins import weights
from costing.results.results import Results
from costing.results.ways_out import SALE, channel_rows, ways_out

MARGINS = {
    "cuvee": "Cuvée",
    "format": "Format",
    "bottles": "Bottles sold",
    "net_price": "Net price",
    "net_at_list": "Net price at list",
    "selling": "Selling cost",
    "book_cost": "Book cost",
    "economic_cost": "Economic cost",
    "replacement_cost": "Replacement cost",
    "margin": "Margin per bottle",
    "margin_percent": "Margin of price",
    "margin_total": "Margin in all",
    "of_all": "Share of all margin",
    "margin_at_list": "Margin at list",
    "economic_margin": "Margin after capital",
    "per_litre": "Margin per litre",
    "grapes_kg": "Grapes per bottle (kg)",
    "traced": "Wine traced to a press",
    "per_kilo": "Margin per kilo of grapes",
    "cellar_years": "Years from tirage to sale",
    "per_bottle_year": "Margin per bottle-year of cellar",
    "contribution": "Contribution per bottle",
    "contribution_per_bottle_year": "Contribution per scarce bottle-year",
    "capital": "Average capital per bottle",
    "per_capital": "Margin a year per unit of capital",
    "rate": "Return a year",
}
LEAST_TRACED = 0.2
"""Below this part of wine from pressed grapes in the records a margin per kilo would mislead."""
_POOLS = TABLE_NAMES.index("pools")


@dataclass(frozen=True, eq=False)
class Receipts:
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
    held = table.iloc[np.maximum(row, 0)] if len(table) else table.reindex(range(len(row)))

    def term(name: str) -> Floats:
        return np.where(row >= 0, np.nan_to_num(held[name].to_numpy(dtype=float)), 0.0)

    sale = (row >= 0) & (ways_out(estate) == SALE)
    channel = sent["channel"].astype(object).to_numpy()
    rate = currency_rates(estate, sent["currency"].astype(object).to_numpy(), channel, day)
    kept = 1.0 - term("commission")
    listed = list_prices(estate, cuvee, bottle_format, channel, day)
    list_rate = currency_rates(estate, listed.currency, channel, day)
    return Receipts(
        np.where(sale, sent["net_price"].to_numpy() * rate * kept, np.nan),
        np.where(sale, listed.price * list_rate * (1.0 - term("discount")) * kept, np.nan),
        term("selling_cost_per_bottle"),
        day + np.rint(term("customer_days")).astype(np.int64),
    )


def margins(
    book: Results, economic: Results, replacement: Results | None = None, since: date | None = None
) -> pd.DataFrame:
    """Realised margins by cuvée and format up to the valuation date (columns of `MARGINS`), most money first.

    since: first day of dispatch that counts (all of them without it).
    """
    estate, chain = economic.estate, economic.chain
    flow, state = dispatch_states(economic)
    labels = lot_labels(estate, chain)
    lot, bottles, day = chain.flows.source[flow], chain.flows.out[flow], chain.flows.day[flow]
    found = receipts(estate, labels.cuvee[lot], labels.format[lot])
    counts = np.isfinite(found.price) & (day <= chain.valuation_day) & (bottles > 0)
    if since is not None:
        counts &= day >= int(np.datetime64(since, "D").astype(np.int64))
    every = _Bases(book, economic, replacement or run(estate, REPLACEMENT, chain, economic.charges.common))
    tirage = labels.tirage_day[lot]
    groups: dict[tuple[str, str], list[int]] = {}
    for one in np.flatnonzero(counts):
        groups.setdefault((str(labels.cuvee[lot[one]]), str(labels.format[lot[one]])), []).append(int(one))
    rows = []
    for (cuvee, size), members in sorted(groups.items()):
        at = np.array(members, dtype=np.int64)
        part = Receipts(found.price[at], found.at_list[at], found.selling[at], found.paid[at])
        litres = float((bottles[at] * chain.lots.litres_per_unit[lot[at]]).sum())
        figures = every.side_by_side(state[at], bottles[at], day[at], tirage[at], litres, part)
        rows.append({"cuvee": cuvee, "format": size} | figures)
    frame = pd.DataFrame(rows, columns=list(MARGINS))
    whole = frame["margin_total"].sum()
    frame["of_all"] = frame["margin_total"] / whole if whole > 0 else np.nan
    return frame.sort_values("margin_total", ascending=False, ignore_index=True, kind="stable")


class _Bases:
    """The runs that one line of the table needs."""

    def __init__(self, book: Results, economic: Results, replacement: Results) -> None:
        self.book, self.economic, self.replacement = book, economic, replacement
        curve = economic.charges.curve
        today = np.int64(economic.chain.valuation_day)
        self.hurdle = 0.0 if curve is None else float(curve.rate[np.searchsorted(curve.from_day, today, "right") - 1])
        flat = economic.basis.replace(name="flat", capital="hurdle", rate=self.hurdle)
        self.flat = run(economic.estate, flat, economic.chain, economic.charges.common) if self.hurdle > 0 else economic
        self.capital = np.asarray(self.flat.columns.get_level_values("element") == "capital")
        self.money = DatedMoney(economic)
        self.grapes = grapes_behind(economic.estate, economic.chain)

    def side_by_side(
        self, state: Ints, bottles: Floats, day: Ints, tirage: Ints, litres: float, sold: Receipts
    ) -> dict[str, float]:
        """Figures of one cuvée and format; parallel arrays over its dispatches."""
        count = float(bottles.sum())
        price, sent = float((sold.price * bottles).sum()), float(charged_at_dispatch(self.book, state).sum())
        selling = float((sold.selling * bottles).sum()) + sent
        book, full, again = (
            float((one.total[state] - charged_at_dispatch(one, state)).sum())
            for one in (self.book, self.economic, self.replacement)
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
            "bottles": count,
            "net_price": price / count,
            "net_at_list": at_list,
            "selling": selling / count,
            "book_cost": book / count,
            "economic_cost": full / count,
            "replacement_cost": again / count,
            "margin": margin,
            "margin_percent": margin * count / price if price else np.nan,
            "margin_total": margin * count,
            "margin_at_list": at_list - (selling + book) / count,
            "economic_margin": (price - selling - full) / count,
            "per_litre": margin * count / litres,
            "grapes_kg": kilos,
            "traced": traced,
            "per_kilo": margin / kilos if kilos > 0 else np.nan,
            "cellar_years": years,
            "per_bottle_year": margin / years if years > 0 else np.nan,
            "contribution": contribution,
            "contribution_per_bottle_year": contribution / years if years > 0 else np.nan,
            "capital": capital,
            "per_capital": margin / capital if capital > 0 else np.nan,
            "rate": self._rate(state, bottles, day, sold),
        }

    def _pools(self, state: Ints) -> float:
        """What allocated pools put into the book cost of these states."""
        plain, _ = weights(self.book, state)
        charges = self.book.charges
        pooled = charges.postings.table == _POOLS
        found = float((charges.postings.amount * plain[charges.postings.state])[pooled].sum())
        for part in charges.accrued:
            if not part.expensed and part.charge.table == _POOLS:
                found += float((part.amount * plain[part.states]).sum())
        return found

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
        found = rate_of_return(when, amounts)
        return np.nan if found.rate is None else found.rate


def reversals(table: pd.DataFrame) -> list[str]:
    """Sentences on cuvées that are first of their format per bottle and last per unit of capital, with the
    figures that explain it.
    """
    said = []
    for size in dict.fromkeys(table["format"]):
        rows = table[(table["format"] == size) & table["per_capital"].notna()]
        by_bottle = rows.sort_values("margin", ascending=False).to_dict("records")
        by_capital = rows.sort_values("per_capital", ascending=False).to_dict("records")
        if len(rows) < 2 or by_bottle[0]["cuvee"] != by_capital[-1]["cuvee"]:
            continue
        best, top = by_bottle[0], by_capital[0]
        said.append(
            f"{best['cuvee']} ({size}) looks best per bottle ({best['margin']:,.2f}) and is worst per unit of capital "
            f"among its format: sold {best['cellar_years']:.1f} years after tirage, each bottle keeps "
            f"{best['capital']:,.0f} tied up on "
            f"average and earns {best['per_capital']:.1%} a year on it; {top['cuvee']} earns {top['margin']:,.2f} on "
            f"{top['capital']:,.0f}, {top['per_capital']:.1%} a year."
        )
    return said
