"""Lower of cost and net realisable value, lot by lot: an overlay on stock, never a posting.

Source: IAS 2 Inventories, paragraphs 9 and 28 to 33. Market values are the user's, already net of what
selling and finishing still cost; the most particular row in force on the date wins: the lot, then cuvée and
format, then cuvée, then the kind of goods.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.graph.arrays import Floats, days
from costing.inputs.estate import Estate
from costing.results.results import Results
from costing.results.stock import Dates, day_numbers, stock_values


def market_value_per_unit(estate: Estate, stock: pd.DataFrame, day: int) -> Floats:
    """Market value per litre or bottle of each row of `stock_values` on a day; NaN where no row speaks of it."""
    table = estate["market_values"]
    in_force = table[days(table["from_date"]) <= day].sort_values("from_date")
    found = np.full(len(stock), np.nan)
    for keys in (("lot",), ("what", "cuvee", "format"), ("what", "cuvee"), ("what", "format"), ("what",)):
        others = [key for key in ("lot", "what", "cuvee", "format") if key not in keys and key != "what"]
        rows = in_force[in_force[list(keys)].notna().all(axis=1) & in_force[others].isna().all(axis=1)]
        latest = rows.drop_duplicates(list(keys), keep="last")
        names = {"what": "kind"}
        of_key = {
            tuple(map(str, key if isinstance(key, tuple) else (key,))): value
            for key, value in zip(
                latest[list(keys)].astype(object).itertuples(index=False, name=None),
                latest["value_per_unit"],
                strict=True,
            )
        }
        asked = stock[[names.get(key, key) for key in keys]].astype(str).itertuples(index=False, name=None)
        value = np.array([of_key.get(key, np.nan) for key in asked], dtype=float)
        found = np.where(np.isnan(found), value, found)
    return found


def net_realisable_value(results: Results, on: Dates = None) -> pd.DataFrame:
    """Stock with its market value, and the write-down where that is below cost (money)."""
    stock = stock_values(results, on)
    day = day_numbers(results, on)[0]
    stock["market_per_unit"] = market_value_per_unit(results.estate, stock, day)
    stock["market_value"] = stock["market_per_unit"] * stock["quantity"]
    stock["write_down"] = (stock["value"] - stock["market_value"]).clip(lower=0.0).fillna(0.0)
    stock["carried_at"] = stock["value"] - stock["write_down"]
    return stock
