"""How sure a target price is: the draws of the uncertain figures carried into the price that each release must fetch.

    margin target   P = (cost of the draw + cost of selling) / (1 − commission − m)
    return target   P = P₀ + (P − P₀) · cost of the draw / cost as recorded

P₀ is the price that storage and selling alone would ask for. A target price is linear in the cost of its release, so
a draw of the cost gives the price of the draw: of the book cost for a margin, of the economic cost for a return. A
return of its own asks for its own rate, so a hurdle that is drawn leaves it alone; channels' terms stay as they are.

What it does not do: releases that the forecast does not watch; demand.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.array_types import Floats
from costing.decisions.changes.uncertainty import Forecast, priced
from costing.decisions.prices.pricing import target_price
from costing.decisions.prices.selling import Selling
from costing.decisions.prices.terms_in_force import target_of
from costing.engine.carrying import RateCurve
from costing.graph.arrays import days
from costing.inputs.basis import ECONOMIC
from costing.money.capital import capital_curve
from costing.results.results import Results

OWN_RATE = "economic, interest as recorded"
_COLUMNS = (
    *("release", "channel", "target_price", "p5", "p50", "p95", "draws_list_reaches", "list_price", "target"),
    *("cuvee", "format"),
)


def prices_drawn(forecast: Forecast, economic: Results, prices: pd.DataFrame) -> pd.DataFrame:
    """Percentiles of the target price of every watched release by channel, and how often the list price in force
    reaches it (table `prices_drawn`).

    prices: `release_prices` of the same estate. Rows without a target price are left out.
    """
    selling = Selling(economic)
    places = {name: position for position, name in enumerate(forecast.releases["release"].astype(str))}
    rows = []
    costs = dict(forecast.cost)
    if "economic" in costs:
        costs[OWN_RATE] = _at_still_interest(forecast)
    for _, line in prices.iterrows():
        position = places.get(str(line["release"]), -1)
        if position < 0 or not np.isfinite(line["target_price"]):
            continue
        drawn = _drawn(costs, forecast, selling, line, position)
        if drawn is None:
            continue
        low, middle, high = np.percentile(drawn, (5, 50, 95))
        net = float(line["net_price_at_list"])
        reaches = float((drawn <= net).mean()) if np.isfinite(net) else np.nan
        drawn_columns = {"p5": low, "p50": middle, "p95": high, "draws_list_reaches": reaches}
        rows.append([drawn_columns.get(name, line.get(name)) for name in _COLUMNS])
    return pd.DataFrame(rows, columns=list(_COLUMNS))


def _at_still_interest(forecast: Forecast) -> Floats:
    """Economic cost in every draw, interest as recorded [draws, releases]."""
    drawn = forecast.drawn.copy()
    for position, figure in enumerate(forecast.figures):
        if figure.target.table == "interest_rates":
            drawn[:, position] = figure.still
    return priced(forecast.response["economic"], forecast.figures, forecast.straight, forecast.curved, drawn)


def _drawn(
    costs: dict[str, Floats], forecast: Forecast, selling: Selling, line: pd.Series, position: int
) -> np.ndarray | None:
    """Target price in every draw; None where the forecast lacks the basis that the target speaks of."""
    estate, channel, size = selling.estate, str(line["channel"]), str(line["format"])
    goal = target_of(estate, str(line["cuvee"]), size, channel)
    basis = "book" if goal.kind == "margin" else "economic"
    if basis not in costs:
        return None
    own = basis == "economic" and goal.row >= 0
    cost, recorded = costs[OWN_RATE if own else basis][:, position], float(forecast.recorded[basis][position])
    now = float(line["target_price"])
    if goal.kind == "margin":
        sold_at = float(line["selling_cost"])
        return np.asarray(now * (cost + sold_at) / (recorded + sold_at))
    curve = RateCurve.flat(goal.value, estate.settings.day_count) if goal.row >= 0 else capital_curve(estate, ECONOMIC)
    assert curve is not None  # the economic basis charges capital
    ready, named = int(days(pd.Series([line["ready"]]))[0]), str(line["release"])
    sale = selling.sales(named, float(line["bottles_of_release"]), max(ready, selling.today))[channel]
    without = target_price(selling.plan(sale, named, size, channel, 0.0, ready), curve).price
    return np.asarray(without + (now - without) * cost / recorded)
