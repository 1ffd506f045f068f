"""Rules on what is planned: the limits of a plan, offers, and what each place and cuvée must be known for."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from costing.errors import CAUTION
from costing.inputs.estate import Estate
from costing.inputs.rows import Breach, Rows, rule_of

HARDLY_ELASTIC = -1.01
"""Price response above which a lower price brings less money, however much more is sold."""
_PLACED = ("pools", "opening_stock", "deliveries", "movements", "tirage")
_SAME_IN_AN_OFFER = ("deal", "on_date", "what", "lot", "cuvee", "format", "tirage_date", "unit")


def places_of(estate: Estate) -> list[str]:
    """Places in which a lot lies or that a pool pays for."""
    return sorted({str(name) for table in _PLACED for name in estate[table]["location"].dropna().unique()})


@rule_of("limits", "loans")
def known_places(rows: Rows) -> Iterator[Breach]:
    """Yield pledges of a place that nothing lies in; caution on limits of one."""
    known = places_of(rows.estate)
    remedy = f"Choose one of: {', '.join(known) or 'none is named yet'}."
    rule = "is no place in which a lot lies."
    if rows.table == "loans":
        yield from rows.unknown("location", known, rule, remedy)
        return
    limited = rows.unknown("location", known, f"{rule[:-1]}: it limits nothing.", remedy, rows.are("what", "places"))
    yield from ((*breach[:4], CAUTION) for breach in limited)


@rule_of("limits")
def limits_say_how_much(limits: Rows) -> Iterator[Breach]:
    """Yield supplies and tirages without a bound or with a least above the most, and other limits without a most."""
    supply, tirage, places = (limits.are("what", what) for what in ("supply", "tirage", "places"))
    no_most, blank = ~limits.given("most"), ~limits.given("most") & ~limits.given("least")
    remedy = "Enter bottles a year under At least, or under At most."
    yield supply & blank, "least", "no bottles stand here: nothing is promised.", remedy
    yield ~supply & ~tirage & no_most, "most", "no limit stands here: nothing is limited.", "Enter it under At most."
    remedy = "Enter the bottles of a spring under At least or At most."
    yield tirage & blank, "most", "no bound stands here: nothing is limited.", remedy
    crossed = (supply | tirage) & (limits["least"] > limits["most"])
    rule = "is above At most of the same row: no year can keep both."
    yield crossed, "least", rule, "Lower it, or raise At most."
    rule = "no place stands here: nobody can tell which places are limited."
    remedy = "Enter the place, as under Location elsewhere."
    yield places & ~limits.given("location"), "location", rule, remedy


@rule_of("limits")
def supplies_have_a_price(limits: Rows) -> Iterator[Breach]:
    """Yield supplies and bounds of a tirage of no cuvée, and supplies of a channel that sells nothing; caution on
    bottles that no price by age speaks of.
    """
    channels, prices = limits.estate["channels"], limits.estate["price_by_age"]
    priced = set(zip(prices["cuvee"].astype(str), prices["format"].astype(str), strict=True))
    priced |= {(cuvee, "") for cuvee, _ in priced}
    sold_by = set(channels.loc[channels["way_out"].fillna("sale") == "sale", "channel"])
    supply, cuvee = limits.are("what", "supply"), limits.given("cuvee")
    of_channel = supply & limits.given("channel")
    idle = of_channel & ~limits["channel"].isin(sold_by)
    yield idle, "channel", "is no channel of sale.", "Name a channel whose exit is 'sale'."
    of_cuvee = supply | limits.are("what", "tirage")
    rule = "no cuvée stands here: nobody can tell of what the row speaks."
    yield of_cuvee & ~cuvee & ~of_channel, "cuvee", rule, "Enter the cuvée."
    rows = np.flatnonzero(of_cuvee & cuvee).tolist()
    unpriced = [row for row in rows if (limits.shown(row, "cuvee"), limits.shown(row, "format")) not in priced]
    rule, remedy = "has no price by age: none of it can be planned.", "Enter its prices on Price by age."
    yield unpriced, "cuvee", rule, remedy, CAUTION


@rule_of("price_by_age")
def lower_prices_bring_more(prices: Rows) -> Iterator[Breach]:
    """Caution on a price response that is not below −1."""
    rule = "is no price response below -1: it counts as blank, and the market takes no more at a lower price."
    remedy = "Enter it below -1, as -3, or leave it blank."
    yield prices["price_response"] > HARDLY_ELASTIC, "price_response", rule, remedy, CAUTION


@rule_of("offers")
def parts_belong_together(offers: Rows) -> Iterator[Breach]:
    """Yield parts of an offer that differ in more than origin, quantity and price."""
    first = offers.by_name("offer", offers.first_rows("offer"), -1)
    for column in _SAME_IN_AN_OFFER:
        value = pd.factorize(offers[column])[0]
        for row in np.flatnonzero((first >= 0) & (value != value[first])).tolist():
            of_first = offers.shown(int(first[row]), column)
            rule = f"differs from the first part of offer '{offers['offer'].iloc[row]}': {of_first or 'blank'}."
            yield [row], column, rule, "Enter the same, or give it a name of its own."


@rule_of("offers")
def offers_say_what(offers: Rows) -> Iterator[Breach]:
    """Yield goods asked of us without a lot, and bottles offered to us without a cuvée, format or tirage."""
    sells, lot = offers.are("deal", "sell"), offers.given("lot")
    yield sells & ~lot, "lot", "no lot stands here: nobody can tell what of ours is asked for.", "Enter the lot."
    yield ~sells & lot, "lot", "a lot of ours stands on an offer to us.", "Leave it blank, or enter 'sell'."
    bottles = ~sells & offers.are("what", "on lees", "finished")
    for column, word in (("cuvee", "cuvée"), ("tirage_date", "tirage date")):
        rule = f"no {word}: what these bottles will bring is not known."
        yield bottles & ~offers.given(column), column, rule, "Enter it."
    rule, late = (
        "is after the offer: bottles that are there have been filled.",
        offers["tirage_date"] > offers["on_date"],
    )
    yield bottles & late, "tirage_date", rule, "Correct the dates."
    yield offers["quantity"] == 0, "quantity", "is no quantity.", "Enter how much, or delete the row."
