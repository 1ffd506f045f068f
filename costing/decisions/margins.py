"""Cuvées side by side: what each format brought and what it cost, per bottle, litre, kilo, bottle-year and
unit of capital.

Realised: dispatches through sales channels up to the valuation date that carry a price, after commission and
in the estate's currency; bottles sold at no price are left out of both sides. Cost: of the dispatched bottles
on each basis, as they left. Average capital of a bottle: its economic value held over the years between its
money and its sale, that is capital charged divided by the hurdle of those years. Rates of return:
`costing.decisions.pricing.rate_of_return`, only where one rate answers.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.decisions.pricing import rate_of_return
from costing.engine.carrying import DAYS_A_YEAR
from costing.graph.arrays import BLANK_DAY, Floats, Flow, Ints, codes, days
from costing.inputs.estate import Estate
from costing.results.lots import lot_labels
from costing.results.origins import weights
from costing.results.results import Results

MARGINS = {
    "cuvee": "Cuvée",
    "format": "Format",
    "bottles": "Bottles sold",
    "net_price": "Net price",
    "selling": "Selling cost",
    "book_cost": "Book cost",
    "economic_cost": "Economic cost",
    "margin": "Margin per bottle",
    "margin_percent": "Margin",
    "economic_margin": "Margin after capital",
    "per_litre": "Margin per litre",
    "per_kilo": "Margin per kilo of grapes",
    "per_bottle_year": "Margin per bottle-year of cellar",
    "capital": "Average capital per bottle",
    "per_capital": "Margin a year per unit of capital",
    "rate": "Return a year",
    "rank_per_bottle": "Rank per bottle",
    "rank_by_return": "Rank by return",
}


LEAST_KG_PER_L = 1.0
"""Below this the records do not reach back to the press of all the wine, and a margin per kilo would mislead."""


def sale_terms(estate: Estate) -> tuple[Ints, pd.DataFrame]:
    """Row of Channels that holds for each dispatch (−1: none), and the Channels table."""
    sent, table = estate["dispatches"], estate["channels"]
    names = pd.Index(table["channel"].cat.categories)
    channel, of_row = codes(sent["channel"], names), codes(table["channel"], names)
    since, day = days(table["from_date"]), days(sent["on_date"])
    found = np.full(len(sent), -1, dtype=np.int64)
    for one in np.unique(channel[channel >= 0]):
        rows = np.flatnonzero(of_row == one)
        rows = rows[np.argsort(since[rows], kind="stable")]  # a blank date is the smallest: always
        here = np.flatnonzero(channel == one)
        at = np.searchsorted(since[rows], day[here], side="right") - 1
        found[here] = np.where(at >= 0, rows[np.maximum(at, 0)], -1)
    return found, table


def net_receipts(estate: Estate) -> tuple[Floats, Floats, Ints]:
    """Per dispatch: net price per bottle in the estate's currency after commission (NaN: no sale or no
    price), selling cost per bottle, and the day on which the customer pays.
    """
    sent = estate["dispatches"]
    row, table = sale_terms(estate)
    known = row >= 0
    sale = known & (table["way_out"].astype(object).to_numpy()[row] == "sale")
    own = estate.settings.currency
    foreign = sent["currency"].astype(object).where(sent["currency"].notna(), own) != own
    rate = np.where(foreign, np.nan_to_num(table["currency_rate"].to_numpy()[row], nan=np.nan), 1.0)
    commission = np.where(known, np.nan_to_num(table["commission"].to_numpy()[row]), 0.0)
    price = np.where(sale, sent["net_price"].to_numpy() * rate * (1.0 - commission), np.nan)
    selling = np.where(known, np.nan_to_num(table["selling_cost_per_bottle"].to_numpy()[row]), 0.0)
    wait = np.where(known, np.nan_to_num(table["customer_days"].to_numpy()[row]), 0.0)
    return price, selling, days(sent["on_date"]) + np.rint(wait).astype(np.int64)


def margins(book: Results, economic: Results) -> pd.DataFrame:
    """Realised margins by cuvée and format up to the valuation date, ranked per bottle and by return."""
    estate, chain = economic.estate, economic.chain
    flows, labels = chain.flows, lot_labels(economic.estate, chain)
    flow = np.flatnonzero(flows.kind == Flow.DISPATCH)
    price, selling, paid = net_receipts(estate)
    lot, bottles, day = flows.source[flow], flows.out[flow], flows.day[flow]
    sold = np.isfinite(price) & (day <= chain.valuation_day) & (bottles > 0)
    state = chain.states.batch_state[flows.batch[flow]]
    key = pd.Series(labels.cuvee[lot] + "|" + labels.format[lot])[sold]
    rows = []
    for name, group in key.groupby(key):
        at = group.index.to_numpy()
        cuvee, size = str(name).split("|")
        rows.append(
            {"cuvee": cuvee, "format": size}
            | _one(
                book,
                economic,
                state[at],
                bottles[at],
                price[at],
                selling[at],
                paid[at],
                day[at],
                lot[at],
                labels.tirage_day,
            )
        )
    frame = pd.DataFrame(rows, columns=[name for name in MARGINS if not name.startswith("rank")])
    frame["rank_per_bottle"] = frame["margin"].rank(ascending=False, method="min")
    frame["rank_by_return"] = frame["rate"].rank(ascending=False, method="min")
    return frame.sort_values("margin", ascending=False, ignore_index=True)


def _one(
    book: Results,
    economic: Results,
    state: Ints,
    bottles: Floats,
    price: Floats,
    selling: Floats,
    paid: Ints,
    day: Ints,
    lot: Ints,
    tirage: Ints,
) -> dict[str, float]:
    count = float(bottles.sum())
    net, spent = float((price * bottles).sum()), float((selling * bottles).sum())
    cost, full = float(book.total[state].sum()), float(economic.total[state].sum())
    known = tirage[lot] != BLANK_DAY
    cellar = float((bottles * np.where(known, (day - np.where(known, tirage[lot], day)) / DAYS_A_YEAR, 0.0)).sum())
    money_years, flows, dates, kilos = _tied_up(economic, state, price * bottles, selling * bottles, paid, day)
    margin = net - spent - cost
    litres = float((bottles * economic.chain.lots.litres_per_unit[lot]).sum())
    rate = rate_of_return(dates, flows)
    return {
        "bottles": count,
        "net_price": net / count,
        "selling": spent / count,
        "book_cost": cost / count,
        "economic_cost": full / count,
        "margin": margin / count,
        "margin_percent": margin / net if net else np.nan,
        "economic_margin": (net - spent - full) / count,
        "per_litre": margin / litres,
        "per_kilo": margin / kilos if kilos > LEAST_KG_PER_L * litres else np.nan,
        "per_bottle_year": margin / cellar if cellar else np.nan,
        "capital": money_years / max(cellar, 1e-12) if cellar else np.nan,
        "per_capital": margin / money_years if money_years > 0 else np.nan,
        "rate": np.nan if rate.rate is None else rate.rate,
    }


def _tied_up(
    economic: Results, state: Ints, receipts: Floats, selling: Floats, paid: Ints, day: Ints
) -> tuple[float, Floats, Floats, float]:
    """Money × years tied up in the dispatched bottles, their dated flows, and the kilograms of grapes in
    them.

    Each posting's own share is out from the day it was paid until, on average, the customers pay.
    """
    plain, _ = weights(economic, state)
    charges, states = economic.charges, economic.chain.states
    postings = charges.postings
    own = postings.amount * plain[postings.state]
    spent_days, amounts = [postings.paid.astype(np.float64)], [own]
    for part in charges.accrued:
        if not part.expensed:
            spent_days.append((states.start[part.states] + states.end[part.states]) / 2.0)
            amounts.append(part.amount * plain[part.states])
    out_day, out = np.concatenate(spent_days), np.concatenate(amounts)
    some = out != 0
    out_day, out = out_day[some], out[some]
    back = float((receipts * paid).sum() / receipts.sum())
    money_years = float((out * (back - out_day)).sum() / DAYS_A_YEAR)
    dates = np.concatenate([out_day, day.astype(np.float64), paid.astype(np.float64)])
    flows = np.concatenate([-out, -selling, receipts])
    each, place = np.unique(np.rint(dates), return_inverse=True)
    chain_flows = economic.chain.flows
    pressed = np.flatnonzero(chain_flows.kind == Flow.PRESS_IN)
    batch = states.batch_state[chain_flows.batch[pressed]]
    kilos = float((chain_flows.out[pressed] * plain[batch]).sum())
    return money_years, np.bincount(place, flows).astype(np.float64), each, kilos
