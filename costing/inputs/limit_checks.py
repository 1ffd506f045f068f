"""Rules on the limits of a plan: what a limit speaks of, and whether it says how much."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from costing.errors import CAUTION, Finding
from costing.inputs.estate import Estate
from costing.inputs.headers import closest
from costing.inputs.row_findings import each, filled, shown

_PLACED = ("pools", "opening_stock", "deliveries", "movements", "tirage")


def limits_say_how_much(estate: Estate) -> Iterator[Finding]:
    """Yield supplies and tirages without a bound or with a least above the most, and other limits without a most."""
    table = estate["limits"]
    what = table["what"]
    promised, filling = (what == "supply").to_numpy(), (what == "tirage").to_numpy()
    open_end = ~filled(estate, "limits", "most")
    blank = open_end & ~filled(estate, "limits", "least")
    rule, remedy = "no bottles: nothing is promised.", "Enter bottles a year under At least, or under At most."
    yield from each(estate, "limits", promised & blank, "least", rule, remedy)
    rule, remedy = "no limit: nothing is limited.", "Enter it under At most."
    yield from each(estate, "limits", ~promised & ~filling & open_end, "most", rule, remedy)
    rule, remedy = "no bound: nothing is limited.", "Enter the bottles of a spring under At least or At most."
    yield from each(estate, "limits", filling & blank, "most", rule, remedy)
    crossed = (promised | filling) & (table["least"] > table["most"]).to_numpy()
    rule, remedy = "is above At most of the same row: no year can keep both.", "Lower it, or raise At most."
    yield from each(estate, "limits", crossed, "least", rule, remedy)


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
            rule = "is no place in which a lot lies: it limits nothing."
            yield from each(estate, "limits", [row], "location", rule, remedy, CAUTION)
    rule, remedy = "no place: which places are limited is not said.", "Enter the place, as under Location elsewhere."
    yield from each(estate, "limits", places & ~filled(estate, "limits", "location"), "location", rule, remedy)


def supplies_have_a_price(estate: Estate) -> Iterator[Finding]:
    """Yield supplies and bounds of a tirage of no cuvée or of bottles that no price by age speaks of, and supplies of a
    channel that sells nothing.
    """
    table, prices = estate["limits"], estate["price_by_age"]
    priced = set(zip(prices["cuvee"].astype(str), prices["format"].astype(str), strict=True))
    priced |= {(cuvee, "") for cuvee, _ in priced}
    promised = (table["what"] == "supply").to_numpy()
    of_cuvee = promised | (table["what"] == "tirage").to_numpy()
    of_channel = promised & table["channel"].notna().to_numpy()
    sold_by = set(estate["channels"].loc[estate["channels"]["way_out"].fillna("sale") == "sale", "channel"])
    idle = of_channel & ~table["channel"].isin(sold_by).to_numpy()
    yield from each(estate, "limits", idle, "channel", "is no channel of sale.", "Name a channel of way out 'sale'.")
    blank = of_cuvee & table["cuvee"].isna().to_numpy() & ~of_channel
    yield from each(estate, "limits", blank, "cuvee", "no cuvée: of what does it speak?", "Enter the cuvée.")
    for row in np.flatnonzero(of_cuvee & table["cuvee"].notna().to_numpy()).tolist():
        if (str(table["cuvee"].iloc[row]), shown(estate, "limits", row, "format")) not in priced:
            rule, remedy = "has no price by age: none of it can be planned.", "Enter its prices on Price by age."
            yield from each(estate, "limits", [row], "cuvee", rule, remedy, CAUTION)


LIMIT_CHECKS: tuple[Callable[[Estate], Iterator[Finding]], ...] = (
    limits_say_how_much,
    limits_of_known_places,
    supplies_have_a_price,
)
