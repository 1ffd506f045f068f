"""The estate's ways between cellar and shelf: each cuvée, format and channel up to the shelf and back down, a row each
and a column a step.

Up: from the net price at list (the target price where no list price is in force) to the shelf. Down: from the shelf
price that buyers see, the unrounded one rounded up to the shelf step, back to the net price that it allows. Either way
the steps of a row add up to the price on the shelf; walked back from the unrounded one the way up is met again.
Amounts are in the currency of the market, net and list prices in the estate's. Arithmetic: `decisions.prices.channels`.

Excise, customs and VAT are the user's own rates and change by law: confirm them with a licensed adviser.
"""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pandas as pd

from costing.answers.steps import steps
from costing.decisions.prices.channels import STEPS_TO_SHELF, PriceBuildUp, TradeTerms, to_cellar, to_shelf
from costing.decisions.prices.price_tables import next_of_each
from costing.decisions.prices.terms_in_force import channel_terms
from costing.inputs.estate import Estate
from costing.units import FORMATS_L

USUAL_ALCOHOL = 12.0
"""Percent by volume where Cuvées says nothing (the default of its column)."""
STEP = "step:"
_WAY = ("cuvee", "format", "channel", "shelf_price_rounded", "market_currency", "net_price")
_AMOUNTS = tuple(f"{STEP}{step}" for step in STEPS_TO_SHELF)


def trade_terms(terms: pd.Series) -> TradeTerms:
    """Terms between cellar and shelf of one row of Channels; ValueError where a term leaves nothing."""
    given = {each.name: terms[each.name] for each in fields(TradeTerms) if each.name in terms.index}
    return TradeTerms(**{name: value for name, value in given.items() if pd.notna(value)})


def price_chains(estate: Estate, prices: pd.DataFrame, day: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """From cellar to shelf and from shelf to cellar (tables `price_build_up`, `price_back_to_cellar`), a row each
    cuvée, format and channel.

    prices: `release_prices`, of which the next release of each cuvée, format and channel counts; day: whose
    terms hold.
    """
    terms_of = channel_terms(estate, day)
    strength = estate["cuvees"].drop_duplicates("cuvee").set_index("cuvee")["alcohol"]
    up, down = [], []
    chosen = next_of_each(prices[prices["net_price_at_list"].notna() | prices["target_price"].notna()])
    for _, price in chosen.iterrows():
        trade = trade_terms(terms_of.loc[price["channel"]])
        terms, bottle_l = replace(trade, selling_cost_per_bottle=price["selling_cost"]), FORMATS_L[price["format"]]
        given = strength.get(price["cuvee"], np.nan)
        alcohol = 100.0 * float(given) if pd.notna(given) else USUAL_ALCOHOL
        wanted, listed = float(price["target_price"]), float(price["net_price_at_list"])
        built = to_shelf(terms, listed if np.isfinite(listed) else wanted, bottle_l, alcohol)
        seen = float(built.rounded_shelf_price)
        back = to_cellar(terms, seen, bottle_l, alcohol)
        keys = (price["cuvee"], price["format"], price["channel"], seen, price["market_currency"])
        up.append((*keys, *_steps(built)))
        down.append((*keys, *_steps(back), float(back.list_price), float(back.net_price) - wanted))
    names = [*_WAY, *_AMOUNTS]
    return pd.DataFrame(up, columns=names), pd.DataFrame(down, columns=[*names, "list_price_allowed", "over_target"])


def _steps(built: PriceBuildUp) -> tuple[float, ...]:
    return (float(built.net_price), *np.ravel(built.amounts).tolist())


def without_idle_steps(ways: pd.DataFrame) -> pd.DataFrame:
    """The same less the steps that no way takes; no row where nothing costs anything."""
    names = [name for name in ways.columns if name.startswith(STEP)]
    taken = (ways[names] != 0.0).any()
    return ways.drop(columns=[name for name in names if not taken[name]]) if taken.any() else ways.head(0)


def parts_of_shelf(ways: pd.DataFrame) -> pd.DataFrame:
    """Each step as a part of the price on the shelf (table `price_build_up_parts`)."""
    amounts = ways.filter(like=STEP)
    parts = amounts.div(amounts.sum(axis=1).replace(0.0, np.nan), axis=0).rename(
        columns=lambda name: name.replace(STEP, "part_of_shelf:")
    )
    return ways[["cuvee", "format", "channel"]].join(parts)


def steps_of_longest(ways: pd.DataFrame) -> tuple[str, pd.DataFrame]:
    """The way with the most steps, one step on the other (table `price_steps`), and what it is called."""
    amounts = ways.filter(like=STEP)
    way = int((amounts != 0.0).sum(axis=1).to_numpy().argmax())
    taken = {name.removeprefix(STEP): float(amounts[name].iloc[way]) for name in amounts.columns}
    taken = {step: amount for step, amount in taken.items() if amount != 0.0}
    table = steps(
        [*taken, "shelf price"],
        [*taken.values(), sum(taken.values())],
        [True, *([False] * (len(taken) - 1)), True],
    )
    cuvee, size, channel, currency = ways[["cuvee", "format", "channel", "market_currency"]].iloc[way]
    return f"{cuvee}, {size}, {channel} ({currency})", table
