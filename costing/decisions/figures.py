"""A figure by its name: the cost per bottle of a release, of the latest release made of a cuvée, or the value of
stock.

What it does not do: compute anything that `costing.results` does not give.
"""

from __future__ import annotations

import pandas as pd

from costing.errors import CostingError, nearest
from costing.results.costs import releases
from costing.results.results import Results
from costing.results.stock import stock_values

STOCK = "stock"


def figure_of(results: Results, what: str) -> float:
    """Cost per bottle of a release or of the latest release made of a cuvée; of `stock`, its value.

    CostingError with the nearest name where there is neither.
    """
    if what == STOCK:
        return float(stock_values(results)["value"].sum())
    chosen = release_named(results, what)
    return float(chosen["total"] / chosen["bottles"])


def release_named(results: Results, what: str) -> pd.Series:
    """Row of `releases` of a release lot, or of the latest release made of a cuvée; CostingError as in `figure_of`."""
    frame = releases(results)
    chosen = frame[frame["release"].astype(str) == what]
    if not len(chosen):
        chosen = frame[(frame["cuvee"].astype(str) == what) & ~frame["planned"]].tail(1)
    if not len(chosen) or not chosen["bottles"].iloc[0] > 0:
        names = [*frame["release"].astype(str), *frame["cuvee"].astype(str).unique(), STOCK]
        message = f"there is no release or cuvée '{what}' with bottles. {nearest(what, names)}".strip()
        raise CostingError(message)
    return chosen.iloc[0]
