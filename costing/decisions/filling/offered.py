"""Offers of the sheet, and what each changes in the facts of the plan.

    wine, must, reserve  litres more, or fewer, for the first spring on or after their day
    grapes               their wine by the yield of the last harvest, for the spring after it
    bottles offered      one lot more, of their age; bottles asked for: so many fewer of their lot, from today

Conventions: what is bought is not sold on in bulk: sales in bulk stay at most those of the plan without it. An offer is
taken whole.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from costing.array_types import Floats
from costing.decisions.filling.springs import TO_WINE, Springs
from costing.decisions.plan.facts import Facts, Stacks, Wine
from costing.decisions.plan.from_estate import stacks_of
from costing.graph.arrays import BLANK_DAY, OPERATIONS, days
from costing.graph.flows import movement_norms
from costing.inputs.estate import Estate
from costing.model import Runs
from costing.money.dated_rates import dated_rates
from costing.results.net_realisable import MOSTLY

WET = ("must", "wine", "reserve")


@dataclass(frozen=True, eq=False)
class Offer:
    """One offer, its parts together. row: of its first part; parts: rows of the sheet; quantity in kg, litres or
    bottles; price and other cost per unit, mean of its parts; second: share of second pressing.
    """

    name: str
    row: int
    parts: pd.DataFrame
    buys: bool
    what: str
    day: int
    lot: str
    cuvee: str
    size: str
    tirage_day: int
    quantity: float
    unit: str
    price: float
    other: float
    second: float


def offers_of(estate: Estate) -> list[Offer]:
    """Offers in the order of the sheet."""
    table = estate["offers"].assign(
        day=days(estate["offers"]["on_date"]), bottled=days(estate["offers"]["tirage_date"])
    )
    offers = []
    for name in table["offer"].dropna().unique():
        rows = np.flatnonzero((table["offer"] == name).to_numpy())
        parts = table.iloc[rows]
        first = parts.iloc[0]
        weight = parts["quantity"].to_numpy(dtype=float)

        def mean(values: Floats, weight: Floats = weight) -> float:
            return float((values * weight).sum() / weight.sum())

        text = {key: "" if pd.isna(first[key]) else str(first[key]) for key in ("lot", "cuvee", "format")}
        offers.append(
            Offer(
                name=str(name),
                row=int(rows[0]),
                parts=parts,
                buys=bool(first["deal"] == "buy"),
                what=str(first["what"]),
                day=int(first["day"]),
                lot=text["lot"],
                cuvee=text["cuvee"],
                size=text["format"] or "bottle",
                tirage_day=int(first["bottled"]),
                quantity=float(weight.sum()),
                unit=str(first["unit"]),
                price=mean(parts["price_per_unit"].to_numpy(dtype=float)),
                other=mean(np.nan_to_num(parts["other_cost_per_unit"].to_numpy(dtype=float))),
                second=mean((parts["fraction"] == "second").to_numpy().astype(np.float64)),
            )
        )
    return offers


@dataclass(frozen=True)
class FromGrapes:
    """Litres of wine of first and second pressing that a kilogram of grapes gives, and the work on it."""

    first_l: float
    second_l: float
    work: float


def from_grapes(estate: Estate, day: int, today: int) -> FromGrapes:
    """What a kilogram gives by the press loads of the last harvest, and what reception, pressing and the way to wine
    cost by the rates of a day; pools are spent anyway. Nothing where no load is known.
    """
    table = estate["pressings"][days(estate["pressings"]["on_date"]) <= today]
    if not table["weight_kg"].sum() > 0:
        return FromGrapes(0.0, 0.0, 0.0)
    last = table[table["on_date"].dt.year == table["on_date"].dt.year.max()]
    kilos = float(last["weight_kg"].sum())
    must = [float(last.loc[last["fraction"] == name, "volume_l"].sum()) / kilos for name in ("first", "second")]
    norms = movement_norms(estate)
    kept = float(np.prod([1.0 - norms[OPERATIONS.index(name)] for name in TO_WINE]))
    per = {"kg": 1.0, "load": last["load"].nunique() / kilos, "litre": sum(must)}
    rates, work = dated_rates(estate, "operation_rates"), 0.0
    for operation in ("reception", "pressing", *TO_WINE):
        for driver, times in per.items():
            rows = rates.rows(operation=operation, driver=driver)
            work += times * float(rates.on(rows, np.array([day]), today)[0])
    return FromGrapes(must[0] * kept, must[1] * kept, work)


def litres_of(runs: Runs, offer: Offer) -> Floats:
    """Litres of wine of each sort in an offer of grapes, must or wine [G]."""
    if offer.what == "grapes":
        yields = from_grapes(runs.estate, offer.day, runs.today)
        return np.array([yields.first_l, yields.second_l]) * offer.quantity
    second = offer.second
    if not offer.buys:
        lot = runs.chain.lots.names.get_indexer(pd.Index([offer.lot])).astype(np.int64)
        state = runs.chain.state_on(lot, np.array([runs.today]))
        second = float(runs.composition.second_pressing[state][0] >= MOSTLY)
    return np.array([1.0 - second, second]) * offer.quantity


def with_offer(runs: Runs, springs: Springs, facts: Facts, offer: Offer, in_bulk: Floats) -> Facts:
    """Facts once an offer is taken. in_bulk: litres that the plan without it sells in bulk [G, Y]."""
    wine = facts.wine
    assert wine is not None
    if offer.what in ("on lees", "finished"):
        if offer.buys:
            return _one_lot_more(runs, springs, facts, wine, offer)
        ours = np.flatnonzero(springs.inputs.lots["lot"].to_numpy() == offer.lot)
        lot = np.isin(np.arange(len(facts.stacks.bottles)), ours)  # lots of other offers come after them
        bottles = np.where(lot, np.maximum(facts.stacks.bottles - offer.quantity, 0.0), facts.stacks.bottles)
        most = np.where(lot, bottles, facts.stacks.most)
        return replace(facts, stacks=replace(facts.stacks, bottles=bottles, most=most))
    comes, litres = wine.comes.copy(), litres_of(runs, offer)
    spring = int(np.searchsorted(springs.days, offer.day))
    if spring >= len(springs.days):
        return facts
    comes[:, spring] += litres if offer.buys else -litres
    most = np.minimum(wine.bulk_most, in_bulk) if offer.buys else wine.bulk_most
    return replace(facts, wine=replace(wine, comes=comes, bulk_most=most))


def _one_lot_more(runs: Runs, springs: Springs, facts: Facts, wine: Wine, offer: Offer) -> Facts:
    """Facts with the bottles that are offered to us as a lot of their own."""
    markets, dates = springs.inputs.markets, facts.dates
    market = np.flatnonzero(((markets["cuvee"] == offer.cuvee) & (markets["format"] == offer.size)).to_numpy())
    arrives = int(np.searchsorted(dates.day[:-1], offer.day))
    finished = offer.what == "finished"
    lot = {
        "lot": offer.name,
        "cuvee": offer.cuvee,
        "format": offer.size,
        "kind": offer.what,
        "bottles": offer.quantity,
        "tirage_day": offer.tirage_day,
        "disgorged_day": offer.day if finished else BLANK_DAY,
        "arrives": 0 if finished else min(arrives, dates.steps - 1),
        "place": -1,
    }
    stack = stacks_of(runs, dates, pd.DataFrame([lot]))
    nothing = np.zeros(1)
    stack = replace(stack, market=market[:1].astype(np.int64), worth_left=nothing, worth_finished=nothing)
    both = {name: np.concatenate([value, getattr(stack, name)]) for name, value in vars(facts.stacks).items()}
    no_wine = np.zeros((1, wine.most_share.shape[1]))
    more = replace(
        wine,
        spring=np.append(wine.spring, -1),
        bottle_l=np.append(wine.bottle_l, 0.0),
        most_share=np.concatenate([wine.most_share, no_wine]),
    )
    return replace(facts, stacks=Stacks(**both), wine=more)
