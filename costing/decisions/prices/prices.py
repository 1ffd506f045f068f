"""Release prices as an answer: what each release still to sell must fetch in each channel, beside its list price; the
way from cellar to shelf; what increases, promotions, formats and presentations do; where scarce bottles bring most.

A list price is below advice where, less its discount, it does not reach the target. Rows stand by the money that this
costs, releases by date where it costs none. Arithmetic: `price_tables`, `price_chains`, `price_changes`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import pandas as pd

from costing.answers.answer import Answer
from costing.answers.kinds import about
from costing.decisions.prices.price_chains import parts_of_shelf, price_chains, steps_of_longest, without_idle_steps
from costing.decisions.prices.price_changes import (
    allocations,
    cost_rises,
    format_parities,
    presentations,
    price_increases,
    promotions,
)
from costing.decisions.prices.price_findings import price_findings
from costing.decisions.prices.price_response import price_response
from costing.decisions.prices.price_tables import next_of_each, per_75cl, release_prices
from costing.errors import InputError
from costing.model import Runs
from costing.once import asked_once

_KEPT = "part_of_shelf:kept by the estate"
_ROUNDING_ROOM = 1e-9
_LADDER = ("avoidable_cost", "book_per_bottle", "economic_per_bottle", "target_price", "net_price_at_list")


@asked_once
def priced_releases(runs: Runs) -> pd.DataFrame:
    """Every release to sell in every channel; to be asked for by `runs.once`."""
    return release_prices(runs.book, runs.economic, runs.replacement)


@asked_once
def prices(runs: Runs, elasticity: float | None = None) -> Answer:
    """What every release still to sell must fetch by channel, and what follows from it.

    elasticity: tried in place of the price response of every market, beyond 1 in size. InputError with every finding of
    the sheets that prices are made of, and for an elasticity that has no best price.
    """
    if wrong := price_findings(runs.estate):
        raise InputError(wrong)
    facts = {"currency": runs.currency}
    advised = _advised(priced_releases(runs))
    sold = advised[advised["bottles_to_sell"] > 0]
    tables = {
        "release_prices": sold.sort_values("short_of_target", ascending=False, kind="stable", ignore_index=True),
        "price_ladder": _ladder(sold),
        "prices_without_bottles": advised[~(advised["bottles_to_sell"] > 0)].reset_index(drop=True),
        "prices_per_75cl": per_75cl(advised).drop(columns=["do", "short_of_target"]),
        "scarce_bottles": allocations(advised, runs.estate, runs.today),
        **_changes(runs, advised, elasticity),
    }
    up, down = (without_idle_steps(way) for way in price_chains(runs.estate, advised, runs.today))
    if len(up):
        facts["longest_way"], steps = steps_of_longest(up)
        tables |= {"price_steps": steps, "price_build_up": up, "price_build_up_parts": parts_of_shelf(up)}
        tables["price_back_to_cellar"] = down
    findings = tuple(finding for finding in runs.replacement.cautions if finding not in runs.economic.cautions)
    empty = "Nothing is left to sell, or no sales channel is named."
    says, on = tuple(_said(sold, runs.currency)), dict(_said_on(tables, runs.currency))
    return Answer(tables, findings, says, facts, empty, says_on=on)


def _said_on(tables: Mapping[str, pd.DataFrame], currency: str) -> Iterator[tuple[str, tuple[str, ...]]]:
    """What the sheets beside the list prices answer: whether a rise pays, what is kept of the price on the shelf."""
    if len(rises := tables.get("price_response", pd.DataFrame())):
        most = rises.iloc[0]
        pays, doubt = (int((rises["rise_pays"] == word).sum()) for word in ("pays", "in doubt"))
        said = f"A rise of 5 % pays for {pays} of {len(rises)} cuvées and formats, and is in doubt for {doubt}; it "
        gain = f"{most['cuvee']} {most['format']}, {about(most['gain_of_rise_given'])} {currency} a year"
        yield "Price changes", (f"{said}gains most on {gain}.",)
    parts = tables.get("price_build_up_parts", pd.DataFrame())
    if _KEPT in parts:
        ordered = parts.sort_values(_KEPT, kind="stable")
        ends = (ordered.iloc[end] for end in (0, -1))
        least, most_kept = (f"{row['cuvee']} {row['format']} in {row['channel']} ({row[_KEPT]:.0%})" for row in ends)
        yield "Price build-up", (f"Of the price on the shelf the estate keeps least on {least}, most on {most_kept}.",)


def _advised(priced: pd.DataFrame) -> pd.DataFrame:
    """With what to do about the list price, and the money by which the bottles miss their target at list."""
    advised, listed = (priced[name].to_numpy(dtype=float) for name in ("advised_in_market", "list_in_market"))
    needed, in_force = (priced[name].to_numpy(dtype=float) for name in ("list_price_needed", "list_price"))
    below = in_force < needed * (1.0 - _ROUNDING_ROOM)
    words = []
    for price, present, short, currency in zip(advised, listed, below, priced["market_currency"], strict=True):
        if not price > 0.0:  # not known, or wine that cost nothing
            words.append("")
        elif not np.isfinite(present):
            words.append(f"set {price:,.2f} {currency}")
        else:
            words.append(f"raise by {price - present:,.2f} {currency}" if short else "keep")
    missing = (priced["target_price"] - priced["net_price_at_list"]) * priced["bottles_to_sell"]
    return priced.assign(do=words, short_of_target=missing.clip(lower=0.0).where(below, 0.0).fillna(0.0))


def _ladder(sold: pd.DataFrame) -> pd.DataFrame:
    """What a price must cover, per 75 cl: the next release of each cuvée and format in its largest channel."""
    largest = sold.sort_values("bottles_to_sell", ascending=False, kind="stable")
    first = next_of_each(largest, ("cuvee", "format"))
    frame = per_75cl(first)[["release", "channel", *_LADDER]]
    return frame.assign(cuvee_format=first["cuvee"] + " " + first["format"])


def _changes(runs: Runs, advised: pd.DataFrame, elasticity: float | None) -> dict[str, pd.DataFrame]:
    estate, day = runs.estate, runs.today
    tables = {
        "price_response": price_response(advised, estate, day, elasticity),
        "price_increases": price_increases(advised, estate, day),
        "cost_rises": cost_rises(runs.economic, runs.replacement),
        "promotions": promotions(advised, estate, day),
        "format_parities": format_parities(advised, estate, day),
        "presentations": presentations(estate, day),
    }
    return {name: table for name, table in tables.items() if name != "price_response" or len(table)}


def _said(sold: pd.DataFrame, currency: str) -> list[str]:
    """How many list prices are below advice, and where it costs most."""
    sold = sold[sold["list_price"].notna() & sold["list_price_needed"].notna()]
    if not len(sold):
        return []
    short = sold[sold["short_of_target"] > 0.0]
    if not len(short):
        return ["Every list price in force reaches its target."]
    worst = short.iloc[int(short["short_of_target"].to_numpy().argmax())]
    return [
        f"{len(short)} of {len(sold)} list prices do not reach their target: {about(short['short_of_target'].sum())} "
        f"{currency} on the bottles to sell, most of it on {worst['release']} in {worst['channel']} ({worst['do']})."
    ]
