"""Channels of a plan: those with bounds of their own, what each takes of a market, and what a bottle brings there.

    net of a channel   = {list · rate of currency · (1 − discount) · (1 − commission)} · worth of money that comes after
                         the customer's days − selling cost
    value of a channel = net of the channel / mean net of all, each weighted by its share

Conventions: terms, rates and list prices are those in force on the valuation day. The price by age is what a bottle
brings sold by all channels at their shares, so their weighted value is 1. Channels without a bound of their own are
one. Without shares a channel takes what its market takes.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np
import pandas as pd

from costing.array_types import Floats
from costing.decisions.prices.terms_in_force import channel_terms, currency_rates, list_prices
from costing.inputs.estate import Estate
from costing.money.capital import interest_rate_on

EVERY, OTHERS = "all channels", "other channels"


def bounded_channels(estate: Estate, without: Collection[str] = ()) -> list[str]:
    """Channels that a limit on supply names. without: kinds of limit left out."""
    table = estate["limits"]
    named = table.loc[table["what"] == "supply", "channel"].dropna().astype(str)
    return [] if "supply" in without else list(dict.fromkeys(named))


def channel_values(estate: Estate, day: int, markets: pd.DataFrame, named: Sequence[str]) -> tuple[Floats, Floats]:
    """Value of each named channel and of all others together over the ex-cellar price, and the part of each market that
    they take [M, C].
    """
    alone = np.ones((len(markets), 1))
    if not named:
        return alone, alone
    terms = channel_terms(estate, day)
    own = np.array([list(terms.index).index(name) for name in named])
    share = np.nan_to_num(terms["share"].to_numpy(dtype=float))
    known = bool(share.sum() > 0)
    share = share / share.sum() if known else np.full(len(terms), 1.0 / len(terms))
    nets = [_nets(estate, terms, day, cuvee, size) for cuvee, size in markets.itertuples(index=False)]
    net = np.array(nets).reshape(len(markets), len(terms))
    mean = (net * share).sum(axis=1, keepdims=True)
    value = np.divide(net, mean, out=np.ones_like(net), where=np.isfinite(mean) & (mean > 0))
    value = np.where(np.isfinite(value), value, 1.0)
    other = np.setdiff1d(np.arange(len(terms)), own)
    rest = share[other].sum()
    of_others = (value[:, other] * share[other]).sum(axis=1) / rest if rest > 0 else np.ones(len(markets))
    takes = np.append(share[own], rest) if known else np.ones(len(named) + 1)
    return np.column_stack([value[:, own], of_others]), np.broadcast_to(takes, (len(markets), len(named) + 1)).copy()


def _nets(estate: Estate, terms: pd.DataFrame, day: int, cuvee: str, size: str) -> Floats:
    """Net of a bottle by channel, NaN without a list price."""
    count = len(terms)
    channel, on = terms.index.to_numpy(dtype=object), np.full(count, day)
    listed = list_prices(estate, np.full(count, cuvee, dtype=object), np.full(count, size, dtype=object), channel, on)
    rate = currency_rates(estate, listed.currency, channel, on)
    off, fee, cost, wait = (
        np.nan_to_num(terms[name].to_numpy(dtype=float))
        for name in ("discount", "commission", "selling_cost_per_bottle", "customer_days")
    )
    received = listed.price * rate * (1.0 - off) * (1.0 - fee)
    return np.asarray(received * (1.0 + interest_rate_on(estate, "hurdle_rate", day)) ** (-wait / 365.0) - cost)
