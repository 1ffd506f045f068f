"""What holds on a day: terms of a channel, currency rates, list prices, targets.

Rule: the most particular row wins (one that names the cuvée before one that names the format, that before one
that names the channel; a blank fits all), and of equally particular rows the latest in force. A list price in
the market's own currency goes before one in the estate's. A currency rate is the channel's own if the channel
is paid in that currency, otherwise that of any channel which is.

What it does not do: it never guesses. Where nothing holds the answer is NaN, −1 or no row.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from costing.array_types import Flags, Floats, Ints, Names
from costing.graph.arrays import days
from costing.inputs.estate import Estate
from costing.inputs.in_force import key_text, row_in_force
from costing.inputs.plan_checks import HARDLY_ELASTIC
from costing.once import asked_once
from costing.results.ways_out import SALE, channel_rows


def most_particular(keys: Mapping[str, Names], wanted: Mapping[str, str], fits: Flags | None = None) -> int:
    """Position of the row that fits `wanted` in every key column (blank fits all) most particularly; −1 if
    none does.

    keys: text of each key column ("" where blank); wanted: column -> value, the weightiest column first. Of equals the
    last one in the table wins. fits: rows that may be chosen.
    """
    n = len(next(iter(keys.values())))
    able = np.ones(n, dtype=bool) if fits is None else fits.copy()
    exact = np.zeros(n)
    for weight, (column, value) in enumerate(reversed(list(wanted.items())), start=1):
        same = keys[column] == value
        able &= same | (keys[column] == "")
        exact += same * 2.0**weight
    rows = np.flatnonzero(able)
    return int(rows[len(rows) - 1 - int(exact[rows][::-1].argmax())]) if len(rows) else -1


@dataclass(frozen=True)
class Target:
    """A row of Targets: its position (−1: none, the hurdle stands for it), "margin" or "return", fraction."""

    row: int
    kind: str
    value: float

    def __str__(self) -> str:
        """Say it in a table."""
        return f"{100 * self.value:.6g} % {self.kind}" if self.row >= 0 else "hurdle"


NO_TARGET = Target(-1, "return", float("nan"))


@asked_once
def target_of(estate: Estate, cuvee: str, bottle_format: str, channel: str, kind: str | None = None) -> Target:
    """Most particular target; of one kind ("margin" or "return") where it is named."""
    keys, value = _targets(estate)
    fits = None if kind is None else keys["target"] == kind
    row = most_particular(keys, {"cuvee": cuvee, "format": bottle_format, "channel": channel}, fits)
    return Target(row, str(keys["target"][row]), float(value[row])) if row >= 0 else NO_TARGET


@asked_once
def _targets(estate: Estate) -> tuple[dict[str, Names], Floats]:
    table = estate["targets"]
    return key_text(table, ("cuvee", "format", "channel", "target")), table["value"].to_numpy()


@asked_once
def channel_terms(estate: Estate, day: int) -> pd.DataFrame:
    """Sales channels with their terms in force on a day, by name in the order of the sheet; `row`: row of Channels."""
    table = estate["channels"]
    names = pd.unique(table["channel"].dropna().astype(object))
    row = channel_rows(estate, pd.Series(names, dtype=object), np.full(len(names), day))
    terms = table.iloc[row[row >= 0]].assign(row=row[row >= 0])
    return terms[terms["way_out"] == SALE].set_index("channel")


def _positions(*keys: Names) -> dict[tuple[object, ...], Ints]:
    """Where each combination of parallel keys stands."""
    by_key: dict[tuple[object, ...], list[int]] = {}
    for position, key in enumerate(zip(*keys, strict=True)):
        by_key.setdefault(tuple(None if pd.isna(part) else part for part in key), []).append(position)
    return {key: np.array(positions, dtype=np.int64) for key, positions in by_key.items()}


def currency_rates(estate: Estate, currency: Names, channel: Names, day: Ints) -> Floats:
    """Estate currency per unit of each currency on its day: 1 for its own or a blank, NaN if no rate is in force."""
    table, own = estate["channels"], estate.settings.currency
    since, rate = days(table["from_date"]), table["currency_rate"].to_numpy()
    paid_in, name = table["currency"].astype(object).to_numpy(), table["channel"].astype(object).to_numpy()
    rates = np.ones(len(day))
    for (of, sold_by), asked in _positions(currency, channel).items():
        if of is None or of == own:
            continue
        able = np.flatnonzero((paid_in == of) & ~np.isnan(rate))
        of_channel = row_in_force(able[name[able] == sold_by], since, day[asked])
        any_of_them = row_in_force(able, since, day[asked])
        row = np.where(of_channel >= 0, of_channel, any_of_them)
        rates[asked] = np.where(row >= 0, rate[row], np.nan)
    return rates


@dataclass(frozen=True)
class ListPrices:
    """List price before discount, currency (the estate's where blank) and row of Price list (−1: none), each
    per key asked for.
    """

    price: Floats
    currency: Names
    row: Ints


def list_prices(estate: Estate, cuvee: Names, bottle_format: Names, channel: Names, day: Ints) -> ListPrices:
    """List prices in force for parallel arrays of cuvée, format, channel and day."""
    table, own = estate["price_list"], estate.settings.currency
    since = days(table["from_date"])
    columns = {name: table[name].astype(object).to_numpy() for name in ("cuvee", "format", "channel", "currency")}
    stated = np.array([own if pd.isna(word) else word for word in columns["currency"]], dtype=object)
    markets: dict[object, set[str]] = {}
    for name, currency in estate["channels"][["channel", "currency"]].astype(object).dropna().to_numpy():
        markets.setdefault(name, set()).add(currency)
    rows = np.full(len(day), -1, dtype=np.int64)
    for (of, size, sold_by), asked in _positions(cuvee, bottle_format, channel).items():
        of_wine = (columns["cuvee"] == of) & (columns["format"] == size)
        named, any_channel = columns["channel"] == sold_by, pd.isna(columns["channel"])
        in_market, in_own = np.isin(stated, list(markets.get(sold_by, set()) - {own})), stated == own
        # the least particular first: what comes later stands over it
        for level in (any_channel & in_own, any_channel & in_market, named & ~in_market, named & in_market):
            row = row_in_force(np.flatnonzero(of_wine & level), since, day[asked])
            rows[asked] = np.where(row >= 0, row, rows[asked])
    has, row = rows >= 0, np.maximum(rows, 0)
    if not len(table):
        return ListPrices(np.full(len(day), np.nan), np.full(len(day), own, dtype=object), rows)
    return ListPrices(np.where(has, table["list_price"].to_numpy()[row], np.nan), np.where(has, stated[row], own), rows)


def number(value: object, blank: float = 0.0) -> float:
    """Figure of a cell of Channels; `blank` where it is blank."""
    return blank if pd.isna(value) else float(value)  # type: ignore[arg-type, call-overload]


def market_of(estate: Estate, cuvee: str, size: str) -> tuple[float, float]:
    """Bottles that a market takes a month and its price response, as Price by age says; NaN where it does not."""
    table = estate["price_by_age"]
    of_wine = table[(table["cuvee"] == cuvee) & (table["format"] == size)]
    response = of_wine["price_response"]
    return float(of_wine["bottles_a_month"].min()), float(response[response <= HARDLY_ELASTIC].mean())
