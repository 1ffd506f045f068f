"""A recipe as ordinary dated rows.

    wine  = kilograms · must per kg · first pressing share · Π(1 − loss)
    blend = wine/(1 − reserve share) · (1 − loss of blending)
    a bottle draws  format · (1 − q)/(1 − loss of bottling),  q = tirage sugar / sugar of the liqueur

Rows: a delivery, a press load, settling, fermentation, racking, fining, the reserve as bought in at its value,
blending, tirage, the loss of the years on lees, a disgorgement.

Conventions: settling comes a day after the press; fermentation, racking, fining and blending at a tenth, three,
eight and nine and a half tenths of the time from harvest to tirage. The yearly norm of loss on lees is lost, in
whole bottles. A second pressing stays in a lot of its own. Lots bear the name of the recipe. What a recipe may
say: `decisions.cellar.recipe_figures`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd

from costing.calendar import DAYS_A_YEAR, add_months
from costing.decisions.cellar.recipe_figures import Recipe
from costing.decisions.keeping_costs import yearly_loss
from costing.graph.arrays import OPERATIONS
from costing.graph.flows import movement_norms
from costing.inputs.estate import Estate
from costing.units import FORMATS_L

VINIFICATION = ("settling", "fermentation", "racking", "fining and filtration")
_STEPS = (0.1, 0.3, 0.8, 0.95)
SheetRow = dict[str, Any]


@dataclass(frozen=True)
class Quantities:
    """What a recipe takes and gives: kilograms, must of each pressing, litres before each step of vinification and
    at its end, reserve, wine drawn and liqueur added at tirage, bottles filled, lost on lees; and its last day.
    """

    kilograms: float
    first_must_l: float
    second_must_l: float
    wine_l: tuple[float, ...]
    reserve_l: float
    drawn_l: float
    liqueur_l: float
    bottles: float
    lost: float
    release: date


def vinification_losses(estate: Estate, recipe: Recipe) -> dict[str, float]:
    """Loss of each step: the recipe's own, taken at fermentation, or the norms of the estate."""
    if recipe.vinification_loss is not None:
        return dict.fromkeys(VINIFICATION, 0.0) | {"fermentation": recipe.vinification_loss}
    return {operation: _norm(estate, operation) for operation in VINIFICATION}


def _norm(estate: Estate, operation: str) -> float:
    return float(movement_norms(estate)[OPERATIONS.index(operation)])


def quantities(estate: Estate, recipe: Recipe) -> Quantities:
    """Follow the wine of a recipe from the vineyard to its release."""
    kept = [1.0 - loss for loss in vinification_losses(estate, recipe).values()]
    format_l = FORMATS_L[recipe.format]
    sugar = recipe.tirage_sugar / estate.settings.tirage_liqueur_g_per_l
    bottled = 1.0 - _norm(estate, "bottling")
    per_bottle_l = format_l * (1.0 - sugar) / bottled
    first, reserve = recipe.first_pressing_share, recipe.reserve_share
    must_per_kg = recipe.must_per_kg
    blend_per_kg = must_per_kg * first * float(np.prod(kept)) / (1.0 - reserve) * (1.0 - _norm(estate, "blending"))
    kilograms = recipe.kilograms
    if kilograms is None:
        wanted_l = (recipe.litres or 0.0) if recipe.bottles is None else recipe.bottles * per_bottle_l
        kilograms = wanted_l / blend_per_kg
    bottles = float(np.floor(kilograms * blend_per_kg / per_bottle_l + 1e-6))
    steps = np.cumprod([1.0, *kept]) * kilograms * must_per_kg * first
    released = add_months(np.datetime64(recipe.tirage_date, "D"), recipe.months_on_lees).astype("datetime64[D]").item()
    years = (released - recipe.tirage_date).days / DAYS_A_YEAR
    survivors = (1.0 - yearly_loss(estate, "on lees")) ** years
    return Quantities(
        kilograms=float(kilograms),
        first_must_l=float(steps[0]),
        second_must_l=float(kilograms * must_per_kg * (1.0 - first)),
        wine_l=tuple(steps.tolist()),
        reserve_l=float(steps[-1] * reserve / (1.0 - reserve)),
        drawn_l=bottles * per_bottle_l,
        liqueur_l=bottles * format_l * sugar / bottled,
        bottles=bottles,
        lost=float(np.floor(bottles * (1.0 - survivors) + 1e-9)),
        release=released,
    )


def recipe_rows(estate: Estate, name: str, recipe: Recipe) -> dict[str, pd.DataFrame]:
    """Ordinary rows of one recipe by sheet (columns by library name), to be read with the estate's own rates."""
    amount = quantities(estate, recipe)
    harvest, tirage = recipe.harvest_date, recipe.tirage_date
    span = (tirage - harvest).days
    days = [harvest + timedelta(days=max(round(span * step), 2)) for step in _STEPS]
    blend, stack = f"{name}: blend", f"{name}: on lees"
    deliveries, costs, pressings = _harvest(name, recipe, amount)
    moves, wine = _vinified(name, amount, [harvest + timedelta(days=1), *days[:3]])
    poured = [(wine, amount.wine_l[-1])]
    if amount.reserve_l > 0:
        vintage = str(harvest.year - round(recipe.reserve_age))
        bought: SheetRow = {"on_date": days[3], "lot": f"{name}: reserve", "what": "reserve", "vintage": vintage}
        bought |= {"quantity": amount.reserve_l, "unit": "L", "price_per_unit": recipe.reserve_value_per_litre}
        deliveries.append(bought)
        poured.append((f"{name}: reserve", amount.reserve_l))
    for lot, litres in poured:
        moves.append(_move(days[3], "blending", lot, litres, blend))
    if amount.lost > 0:
        lost: SheetRow = {"on_date": amount.release, "sequence": 1, "operation": "loss", "from_lot": stack}
        moves.append(lost | {"out_bottles": amount.lost})
    bottled: SheetRow = {"on_date": tirage, "cuvee": recipe.cuvee, "to_lot": stack, "wine_lot": blend}
    bottled |= {"wine_l": amount.drawn_l, "liqueur_l": amount.liqueur_l, "bottles": amount.bottles}
    bottled |= {"sugar_g_per_l": recipe.tirage_sugar, "format": recipe.format}
    bottled |= {"location": recipe.location}
    released: SheetRow = {
        "on_date": amount.release,
        "sequence": 2,
        "release_lot": f"{name}: release",
        "from_lot": stack,
    }
    released |= {"bottles_in": amount.bottles - amount.lost, "riddling": recipe.riddling}
    released |= {"dosage_g_per_l": recipe.dosage}
    rows = {
        "deliveries": deliveries,
        "costs": costs,
        "pressings": pressings,
        "movements": moves,
        "tirage": [bottled],
        "disgorgements": [released],
    }
    return {sheet: pd.DataFrame(lines) for sheet, lines in rows.items() if lines}


def _harvest(name: str, recipe: Recipe, amount: Quantities) -> tuple[list[SheetRow], list[SheetRow], list[SheetRow]]:
    """Delivery of the grapes, what picking them costs, and the press load."""
    day, grapes = recipe.harvest_date, f"{name}: grapes"
    delivered: SheetRow = {"on_date": day, "lot": grapes, "what": "grapes", "quantity": amount.kilograms, "unit": "kg"}
    delivered |= {"price_per_unit": recipe.grape_price_per_kg}
    delivered |= {"variety": recipe.variety, "village": recipe.village}
    picking = amount.kilograms * recipe.picking_per_kg
    costs: list[SheetRow] = []
    if picking > 0:
        costs.append({"on_date": day, "lot": grapes, "stage": "harvest", "element": "picking", "amount": picking})
    pressed: SheetRow = {"on_date": day, "load": f"{name}: load"}
    whole: SheetRow = {"from_lot": grapes, "weight_kg": amount.kilograms}
    first: SheetRow = {"fraction": "first", "volume_l": amount.first_must_l, "to_lot": f"{name}: must"}
    second: SheetRow = {"fraction": "second", "volume_l": amount.second_must_l, "to_lot": f"{name}: second pressing"}
    fractions = [pressed | whole | first, pressed | second]
    return [delivered], costs, fractions[: 2 if amount.second_must_l > 0 else 1]


def _vinified(name: str, amount: Quantities, days: list[date]) -> tuple[list[SheetRow], str]:
    """Steps from the must to the wine, and the lot that the wine is in."""
    moves, lot = [], f"{name}: must"
    for operation, day, litres in zip(VINIFICATION, days, amount.wine_l[:-1], strict=True):
        to = f"{name}: after {operation}"
        moves.append(_move(day, operation, lot, litres, to))
        lot = to
    return moves, lot


def _move(day: date, operation: str, lot: str, litres: float, to: str) -> SheetRow:
    return {"on_date": day, "operation": operation, "from_lot": lot, "out_l": litres, "to_lot": to}
