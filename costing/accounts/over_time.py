"""What stands behind the pictures of costs and stock: cost by day of disgorgement, stock on lees by year of tirage,
money tied up by year, what the grapes give.

Conventions: only what is made is shown; a year counts at its end, the last one on the valuation date.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.accounts.costs import costs
from costing.accounts.stock import stock
from costing.accounts.yields import kilo_to_bottle
from costing.answers.answer import Answer
from costing.graph.arrays import KINDS
from costing.model import Runs
from costing.once import asked_once
from costing.results.lots import as_dates
from costing.results.stock import stock_values

YEARS = 10


@asked_once
def over_time(runs: Runs) -> Answer:
    """Cost of 75 cl by day of disgorgement and cuvée, value on lees by year of tirage and cuvée, what stock had cost at
    the end of each year by kind of goods, and what 1,000 kg of grapes give.
    """
    tables = {"cost_by_date": _cost_by_date(runs), "lees_by_tirage": _by_tirage(runs), "tied_up": _tied_up(runs)}
    tables["kilo_to_bottle"] = kilo_to_bottle(stock(runs)["roll_forward_quantities"])
    filled = {name: table for name, table in tables.items() if len(table)}
    return Answer(filled, facts={"currency": runs.currency}, empty="No bottles are disgorged yet.")


def _cost_by_date(runs: Runs) -> pd.DataFrame:
    releases_made = costs(runs)["cost_per_bottle"]
    made = releases_made[(releases_made["status"] == "made") & (releases_made["format"].astype(str) == "bottle")]
    wide = made.pivot_table("economic_per_75cl", "disgorged", "cuvee")
    return wide.add_prefix("cost_of:").rename_axis(None, axis=1).reset_index()


def _by_tirage(runs: Runs) -> pd.DataFrame:
    lots = stock(runs)["stock_value"]
    on_lees = lots[(lots["kind"] == "on lees") & lots["tirage_date"].notna()]
    year = on_lees["tirage_date"].dt.year.astype(str)
    wide = on_lees.assign(tirage_year=year).pivot_table("economic_value", "tirage_year", "cuvee", aggfunc="sum")
    return wide.add_prefix("value_of:").rename_axis(None, axis=1).reset_index()


def _tied_up(runs: Runs) -> pd.DataFrame:
    """Book value of stock at the end of each year by kind of goods, oldest first."""
    today = runs.date
    begun = int(runs.chain.states.start.min(initial=runs.today))
    first = as_dates(np.array([begun])).astype("datetime64[Y]")[0].astype(int) + 1970
    last = int(str(today)[:4])
    ends = [np.datetime64(f"{year}-12-31") for year in range(max(first, last - YEARS + 1), last)] + [today]
    values = stock_values(runs.book, ends)
    if not len(values):
        return pd.DataFrame()
    values = values.assign(year=values["date"].dt.year.astype(str))
    wide = values.pivot_table("value", "year", "kind", aggfunc="sum")
    ordered = [kind for kind in KINDS if kind in wide.columns]
    return wide[ordered].add_prefix("tied_up_in:").rename_axis(None, axis=1).reset_index()
