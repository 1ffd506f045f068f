"""The estate's chains between cellar and shelf: each cuvée, format and channel up to the shelf and back down.

Up: from the net price at list (the target price where no list price is in force) to the shelf, step by step.
Down: from the shelf price that buyers see, the unrounded one rounded up to the shelf step, back to what the
estate keeps, its net price and the list price that it allows. Walked back from the unrounded shelf price the
way up is met again. Amounts are in the currency of the market; what is the estate's is said so. Arithmetic:
`decisions.prices.channels`.

Excise, customs and VAT are the user's own rates and change by law: confirm them with a licensed adviser.
"""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pandas as pd

from costing.decisions.prices.channels import Chain, PriceBuildUp, to_cellar, to_shelf
from costing.decisions.prices.price_tables import next_of_each
from costing.decisions.prices.terms_in_force import channel_terms
from costing.inputs.estate import Estate
from costing.units import FORMATS_L

USUAL_ALCOHOL = 12.0
"""Percent by volume where Cuvées says nothing (the default of its column)."""
_STEPS = {
    "cuvee": "Cuvée",
    "format": "Format",
    "channel": "Channel",
    "currency": "Currency",
    "step": "Step",
    "amount": "Amount",
}
UP = {
    **_STEPS,
    "running": "Running price",
    "share": "Share of the shelf price",
    "shelf_rounded": "Shelf price, rounded",
    "net_price": "Net price, estate currency",
    "back_at_cellar": "Net price walked back",
}
DOWN = {
    **_STEPS,
    "running": "Left after it",
    "net_price": "Net price, estate currency",
    "list_price": "List price, estate currency",
    "over_target": "Net price over target",
}


def chain_of(terms: pd.Series) -> Chain:
    """Chain from cellar to shelf of one row of Channels; ValueError where a term leaves nothing."""
    given = {each.name: terms[each.name] for each in fields(Chain) if each.name in terms.index}
    return Chain(**{name: value for name, value in given.items() if pd.notna(value)})


def price_chains(estate: Estate, prices: pd.DataFrame, day: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """From cellar to shelf (columns of `UP`) and from shelf to cellar (`DOWN`), a row a step.

    prices: `release_prices`, of which the next release of each cuvée, format and channel counts; day: whose
    terms hold.
    """
    terms = channel_terms(estate, day)
    strength = estate["cuvees"].drop_duplicates("cuvee").set_index("cuvee")["alcohol"]
    up, down = [], []
    chosen = next_of_each(prices[prices["net_price"].notna() | prices["target_price"].notna()])
    for _, price in chosen.iterrows():
        held = terms.loc[price["channel"]]
        chain, bottle_l = replace(chain_of(held), selling_cost_per_bottle=price["selling"]), FORMATS_L[price["format"]]
        given = strength.get(price["cuvee"], np.nan)
        alcohol = 100.0 * float(given) if pd.notna(given) else USUAL_ALCOHOL
        net = float(price["net_price"] if pd.notna(price["net_price"]) else price["target_price"])
        built = to_shelf(chain, net, bottle_l, alcohol)
        shelf, seen = float(built.shelf_price), float(built.rounded_shelf_price)
        again = to_cellar(chain, shelf, bottle_l, alcohol)
        keys = (price["cuvee"], price["format"], price["channel"], price["currency"])
        up += _upwards(keys, built, shelf, seen, float(again.net_price))
        down += _downwards(keys, to_cellar(chain, seen, bottle_l, alcohol), seen, float(price["target_price"]))
    return pd.DataFrame(up, columns=list(UP)), pd.DataFrame(down, columns=list(DOWN))


def _upwards(
    keys: tuple[str, ...], built: PriceBuildUp, shelf: float, seen: float, again: float
) -> list[tuple[object, ...]]:
    amounts = np.ravel(built.amounts)
    running, net = np.cumsum(amounts), float(built.net_price)
    return [
        (*keys, step, float(amount), float(total), float(amount) / shelf if shelf else np.nan, seen, net, again)
        for step, amount, total in zip(built.steps, amounts, running, strict=True)
    ]


def _downwards(keys: tuple[str, ...], built: PriceBuildUp, seen: float, wanted: float) -> list[tuple[object, ...]]:
    amounts = np.ravel(built.amounts)[::-1]
    left = seen - np.cumsum(amounts)
    net, listed = float(built.net_price), float(built.list_price)
    lines: list[tuple[object, ...]] = [(*keys, "shelf price, rounded", seen, seen, net, listed, net - wanted)]
    for step, amount, after in zip(built.steps[::-1], amounts, left, strict=True):
        if step == built.steps[0]:  # what is left is the estate's own
            lines.append((*keys, step, float(amount), float(amount), net, listed, net - wanted))
        else:
            lines.append((*keys, step, -float(amount), float(after), net, listed, net - wanted))
    return lines
