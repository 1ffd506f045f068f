"""Lower of cost and net realisable value, lot by lot: an overlay on stock, never a posting.

    write-down = max(0, cost − net realisable value)

Source: IAS 2 Inventories, paragraphs 9 (lower of the two) and 28 to 33 (item by item; selling price less the
costs of completion and of the sale; assessed anew each period, so a write-down reverses by itself here).
Market values are the user's, already net of what finishing and selling still cost; a lot without one is not
written down. Paragraph 32 leaves wine at cost where the bottles it will become sell at or above their cost:
the value to enter for unfinished wine is the one that it will fetch in those bottles.

Which row counts: of those in force on the day that say nothing against the lot, the most particular one (the
lot, then the cuvée, then the format, then the pressing, then the kind of goods), and of these the latest. Must and wine
are of the second pressing where half of them or more is.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.array_types import Floats
from costing.graph.arrays import KINDS, days
from costing.inputs.estate import Estate
from costing.inputs.in_force import rows_in_force
from costing.once import asked_once
from costing.results.composition import Composition, composition_of
from costing.results.results import Results
from costing.results.stock import Dates, chosen_days, stock_values

_KEYS = {"lot": "lot", "cuvee": "cuvee", "format": "format", "fraction": "fraction", "what": "kind"}
"""Columns of Market values, most particular first, and the columns of stock `by_pressing` that they are compared
with.
"""
MOSTLY = 0.5
"""Share of second pressing from which must or wine counts as second pressing."""


def by_pressing(mix: Composition, stock: pd.DataFrame) -> pd.DataFrame:
    """Rows of `stock_values` with the pressing that most of each is of: first or second; "" unless must or wine."""
    chain = mix.chain
    lot = chain.lots.numbers(stock["lot"])
    state = chain.state_on(lot, days(stock["date"]))
    pressing = np.where(mix.second_pressing[state] >= MOSTLY, "second", "first")
    return stock.assign(fraction=np.where(stock["unit"] == "L", pressing, ""))


def market_value_per_unit(estate: Estate, stock: pd.DataFrame, day: int) -> Floats:
    """Market value per litre or bottle of each row of stock `by_pressing` on a day; NaN where no row speaks of it.

    Rows that value a press fraction (first, second) speak of must on the day of its split, not of stock.
    """
    table = estate["market_values"]
    what = table["what"].astype(object)
    table = table[what.isna() | what.isin(KINDS)]
    in_force = table.iloc[rows_in_force(table[list(_KEYS)], days(table["from_date"]), day)]
    named = in_force[list(_KEYS)].notna().to_numpy()
    weight = named @ (2 ** np.arange(len(_KEYS))[::-1])
    market = np.full(len(stock), np.nan)
    for pattern in np.unique(weight)[::-1]:
        keys = [key for key, used in zip(_KEYS, named[weight == pattern][0], strict=True) if used]
        latest = in_force[weight == pattern]
        if keys:
            rows = pd.MultiIndex.from_frame(latest[keys].astype(str))
            asked = pd.MultiIndex.from_frame(stock[[_KEYS[key] for key in keys]].astype(str))
            latest_row = rows.get_indexer(asked)
        else:
            latest_row = np.zeros(len(stock), dtype=np.int64)
        value = np.append(latest["value_per_unit"].to_numpy(), np.nan)[latest_row]
        market = np.where(np.isnan(market), value, market)
    return market


def net_realisable_value(results: Results, on: Dates = None) -> pd.DataFrame:
    """Stock on each date with its market value, and the write-down where that is below cost (money).

    Columns: those of `stock_values` (`value` is the cost), fraction, market_per_unit, market_value (NaN: none given),
    write_down, carried_at.
    """
    return _realisable_now(results) if on is None else _realisable_on(results, on)


@asked_once
def _realisable_now(results: Results) -> pd.DataFrame:
    return _realisable_on(results, None)


def _realisable_on(results: Results, on: Dates) -> pd.DataFrame:
    wanted = sorted(set(chosen_days(results, on)))
    stock = stock_values(results, [np.datetime64(day, "D") for day in wanted])
    stock = by_pressing(composition_of(results.estate, results.chain), stock)
    day, changes = days(stock["date"]), np.unique(days(results.estate["market_values"]["from_date"]))
    period = np.searchsorted(changes, day, side="right")  # between two changes the same values hold
    market = np.full(len(stock), np.nan)
    for number in np.unique(period):
        lots_then = np.flatnonzero(period == number)
        market[lots_then] = market_value_per_unit(results.estate, stock.iloc[lots_then], int(day[lots_then[0]]))
    stock["market_per_unit"] = market
    stock["market_value"] = stock["market_per_unit"] * stock["quantity"]
    stock["write_down"] = (stock["value"] - stock["market_value"]).clip(lower=0.0).fillna(0.0)
    stock["carried_at"] = stock["value"] - stock["write_down"]
    return stock
