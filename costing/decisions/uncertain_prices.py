"""How sure a target price is: the draws of the uncertain figures carried into the price that each release must fetch.

    margin target   P = (cost of the draw + selling cost) / (1 − commission − m)
    return target   P = P₀ + (P − P₀) · cost of the draw / cost as recorded

P₀ is the price that storage and selling alone would ask for. A target price is linear in the cost of its release, so
a draw of the cost gives the price of the draw: of the book cost for a margin, of the economic cost for a return. A
return of its own asks for its own rate, so a hurdle that is drawn leaves it alone; channels' terms stay as they are.

What it does not do: releases that the forecast does not watch; demand.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.decisions.keeping_costs import storage_per_bottle_year
from costing.decisions.pricing import SalePlan, monthly_dispatches, target_price
from costing.decisions.terms_in_force import channel_terms, number, target_of
from costing.decisions.uncertainty import Forecast, priced
from costing.engine.carrying import RateCurve
from costing.graph.arrays import Floats, days
from costing.inputs.basis import ECONOMIC
from costing.inputs.estate import Estate
from costing.money.charges import capital_curve
from costing.results.results import Results

OWN_RATE = "economic, interest as recorded"
PRICES_DRAWN = {
    "release": "Release",
    "cuvee": "Cuvée",
    "format": "Format",
    "channel": "Channel",
    "target": "Target",
    "price": "Target price, net",
    "p5": "5 % below",
    "p50": "50 % below",
    "p95": "95 % below",
    "list_price": "List price in force",
    "list_reaches": "Draws in which the list price reaches it",
}


def prices_drawn(found: Forecast, economic: Results, prices: pd.DataFrame) -> pd.DataFrame:
    """Percentiles of the target price of every watched release by channel, and how often the list price in force
    reaches it (columns of `PRICES_DRAWN`).

    prices: `release_prices` of the same estate. Rows without a target price are left out.
    """
    estate = economic.estate
    today = economic.chain.valuation_day
    terms = channel_terms(estate, today)
    places = {name: at for at, name in enumerate(found.releases["release"].astype(str))}
    rows = []
    costs = dict(found.cost)
    if "economic" in costs:
        costs[OWN_RATE] = _at_still_interest(found)
    for _, line in prices.iterrows():
        at = places.get(str(line["release"]), -1)
        if at < 0 or not np.isfinite(line["target_price"]):
            continue
        channel = terms.loc[line["channel"]]
        drawn = _drawn(costs, found, estate, line, channel, at, today)
        if drawn is None:
            continue
        low, middle, high = np.percentile(drawn, (5, 50, 95))
        net = float(line["net_price"])
        reaches = float((drawn <= net).mean()) if np.isfinite(net) else np.nan
        rows.append(
            [
                *(line[name] for name in ("release", "cuvee", "format", "channel", "target", "target_price")),
                *(low, middle, high, line["list_price"], reaches),
            ]
        )
    return pd.DataFrame(rows, columns=list(PRICES_DRAWN))


def _at_still_interest(found: Forecast) -> Floats:
    """Economic cost in every draw, interest as recorded [draws, releases]."""
    drawn = found.drawn.copy()
    for at, figure in enumerate(found.figures):
        if figure.target.table == "interest_rates":
            drawn[:, at] = figure.still
    return priced(found.response["economic"], found.figures, found.straight, found.curved, drawn)


def _drawn(
    costs: dict[str, Floats], found: Forecast, estate: Estate, line: pd.Series, terms: pd.Series, at: int, today: int
) -> np.ndarray | None:
    """Target price in every draw; None where the forecast lacks the basis that the target speaks of."""
    goal = target_of(estate, str(line["cuvee"]), str(line["format"]), str(line["channel"]))
    basis = "book" if goal.kind == "margin" else "economic"
    if basis not in costs:
        return None
    own = basis == "economic" and goal.row >= 0
    cost, recorded = costs[OWN_RATE if own else basis][:, at], float(found.recorded[basis][at])
    now = float(line["target_price"])
    if goal.kind == "margin":
        selling = number(terms["selling_cost_per_bottle"])
        return np.asarray(now * (cost + selling) / (recorded + selling))
    curve = RateCurve.flat(goal.value, estate.settings.day_count) if goal.row >= 0 else capital_curve(estate, ECONOMIC)
    assert curve is not None  # the economic basis charges capital
    without = target_price(_plan(estate, line, terms, today), curve).price
    return np.asarray(without + (now - without) * cost / recorded)


def _plan(estate: Estate, line: pd.Series, terms: pd.Series, today: int) -> SalePlan:
    """Sale of a release in a channel with no cost of its own, as the table of prices has it sold."""
    ready = int(days(pd.Series([line["ready"]]))[0])
    first = max(ready, today)
    if line["sold"] == "as planned":
        plan = estate["dispatches"]
        day = days(plan["on_date"])
        mine = (plan["release_lot"] == line["release"]) & (plan["channel"] == line["channel"])
        rows = np.flatnonzero(mine.to_numpy() & (day > today) & plan["net_price"].isna().to_numpy())
        when, bottles = day[rows], plan["bottles"].to_numpy(dtype=float)[rows]
    else:
        months = int(np.ceil(number(terms["sell_through_months"]) - 1e-9))
        when, bottles = monthly_dispatches(float(line["stock"]), first, months)
    return SalePlan(
        0.0,
        ready,
        when,
        bottles,
        int(np.rint(number(terms["customer_days"]))),
        number(terms["commission"]),
        number(terms["selling_cost_per_bottle"]),
        float(storage_per_bottle_year(estate, "finished stock", str(line["format"]), np.array([first]), today)[0]),
    )
