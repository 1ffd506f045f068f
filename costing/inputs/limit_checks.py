"""Rules on the limits of a plan: what a limit speaks of, and whether it says how much."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from costing.errors import Finding
from costing.inputs.estate import Estate
from costing.inputs.headers import closest
from costing.inputs.row_findings import each, filled, shown

_PLACED = ("pools", "opening_stock", "deliveries", "movements", "tirage")


def limits_say_how_much(estate: Estate) -> Iterator[Finding]:
    """Yield supplies without bottles or with a least above their most, and other limits without a most."""
    table = estate["limits"]
    promised = (table["what"] == "supply").to_numpy()
    blank = promised & ~filled(estate, "limits", "least") & ~filled(estate, "limits", "most")
    rule, remedy = "no bottles: nothing is promised.", "Enter bottles a year under At least, or under At most."
    yield from each(estate, "limits", blank, "least", rule, remedy)
    rule, remedy = "is above At most of the same row: no year can keep both.", "Enter the smaller under At least."
    yield from each(estate, "limits", promised & (table["least"] > table["most"]).to_numpy(), "least", rule, remedy)
    rule, remedy = "no limit: nothing is limited.", "Enter it under At most."
    yield from each(estate, "limits", ~promised & ~filled(estate, "limits", "most"), "most", rule, remedy)


def limits_of_known_places(estate: Estate) -> Iterator[Finding]:
    """Yield limits of places on a place that nothing lies in, and places without one."""
    table = estate["limits"]
    known = sorted({str(name) for sheet in _PLACED for name in estate[sheet]["location"].dropna().unique()})
    places = (table["what"] == "places").to_numpy()
    for row in np.flatnonzero(places & filled(estate, "limits", "location")).tolist():
        name = shown(estate, "limits", row, "location")
        if name not in known:
            near = closest(name, known, 0.6)
            remedy = f"Did you mean '{near}'?" if near else f"Choose one of: {', '.join(known)}."
            yield from each(estate, "limits", [row], "location", "is no place in which a lot lies.", remedy)
    rule, remedy = "no place: which places are limited is not said.", "Enter the place, as under Location elsewhere."
    yield from each(estate, "limits", places & ~filled(estate, "limits", "location"), "location", rule, remedy)


def supplies_have_a_price(estate: Estate) -> Iterator[Finding]:
    """Yield supplies of a cuvée that no price by age speaks of, of no cuvée and channel, or of a channel that sells
    nothing.
    """
    table, prices = estate["limits"], estate["price_by_age"]
    priced = set(prices["cuvee"].dropna().astype(str))
    promised = (table["what"] == "supply").to_numpy()
    of_channel = table["channel"].notna().to_numpy()
    sold_by = set(estate["channels"].loc[estate["channels"]["way_out"].fillna("sale") == "sale", "channel"])
    idle = promised & of_channel & ~table["channel"].isin(sold_by).to_numpy()
    yield from each(estate, "limits", idle, "channel", "is no channel of sale.", "Name a channel of way out 'sale'.")
    blank = promised & table["cuvee"].isna().to_numpy() & ~of_channel
    yield from each(estate, "limits", blank, "cuvee", "no cuvée: of what is promised?", "Enter the cuvée.")
    for row in np.flatnonzero(promised & table["cuvee"].notna().to_numpy()).tolist():
        if str(table["cuvee"].iloc[row]) not in priced:
            rule, remedy = "has no price by age: its supply can't be planned.", "Enter its prices on Price by age."
            yield from each(estate, "limits", [row], "cuvee", rule, remedy)


LIMIT_CHECKS: tuple[Callable[[Estate], Iterator[Finding]], ...] = (
    limits_say_how_much,
    limits_of_known_places,
    supplies_have_a_price,
)
