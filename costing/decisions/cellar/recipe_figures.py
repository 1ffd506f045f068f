"""The figures of a recipe: what the Recipes sheet says of a cuvée not made yet.

Which figures there are, their units, bounds and defaults: `inputs/schema/recipe_figures.csv`. Percentages are in
percent points, with or without the sign; numbers and dates follow the styles of the Settings sheet.
"""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
import pandas as pd
from pydantic import BaseModel, ConfigDict, ValidationError

from costing.errors import Finding, nearest
from costing.inputs.cells import Cells, fold, take_apart
from costing.inputs.columns import Styles, read_one
from costing.inputs.cuvee_bounds import against_bounds
from costing.inputs.estate import Estate
from costing.inputs.schema import recipe_figures
from costing.once import asked_once

SIZES = ("kilograms", "bottles", "litres")
LEAST_DAYS = 30
"""Days from harvest to tirage that the steps of the cellar need."""
Values = dict[str, Any]
"""Figures of a recipe by name, as they are read."""


class Recipe(BaseModel):
    """What a recipe says, shares as fractions. None: what the estate says counts, or nothing does."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    harvest_date: date
    kilograms: float | None = None
    bottles: float | None = None
    litres: float | None = None
    grape_price_per_kg: float
    picking_per_kg: float
    must_per_kg: float
    first_pressing_share: float
    vinification_loss: float | None = None
    reserve_share: float
    reserve_value_per_litre: float | None = None
    reserve_age: int
    tirage_date: date
    tirage_sugar: float
    format: str
    months_on_lees: int
    riddling: str
    dosage: float
    dry_goods_at_tirage_per_bottle: float | None = None
    dry_goods_at_release_per_bottle: float | None = None
    location: str | None = None
    variety: str | None = None
    village: str | None = None
    cuvee: str


def usual_figures() -> Values:
    """What counts where a recipe is silent."""
    figures = [figure for figure in recipe_figures().values() if figure.default]
    return {figure.name: read_one(figure, _cell(figure.default), Styles())[0] for figure in figures}


@asked_once
def read_recipes(estate: Estate) -> tuple[dict[str, Recipe], list[Finding]]:
    """Recipes that make sense, by name, and every finding on the Recipes sheet."""
    table = estate["recipes"]
    recipes: dict[str, Recipe] = {}
    findings: list[Finding] = []
    for name in table["recipe"].dropna().astype(str).unique():
        rows = np.flatnonzero((table["recipe"] == name).to_numpy()).tolist()
        values, places, wrong = _figures(estate, rows)
        if not wrong:
            recipe, lacks = _recipe(name, values)
            place, rule = estate.place("recipes", rows[0], "recipe"), f"has no figure for: {', '.join(lacks)}."
            wrong = [Finding(place, name, rule, "Add a row for each.")] if lacks else []
            if recipe and not wrong:
                wrong = _together(estate, name, recipe, places)
                recipes |= {} if wrong else {name: recipe}
        findings += wrong
    return recipes, findings


def _cell(text: str) -> Cells:
    return take_apart(pd.Series([text], dtype=object))


def _figures(estate: Estate, rows: list[int]) -> tuple[Values, dict[str, str], list[Finding]]:
    """Figures of the rows of one recipe, the cell of each, and what is wrong with single cells."""
    table, styles = estate["recipes"], Styles(estate.settings.number_style, estate.settings.date_style)
    spelt = {fold(figure.header): figure for figure in recipe_figures().values()}
    values: Values = {}
    places: dict[str, str] = {}
    wrong: list[Finding] = []
    for row in rows:
        what, text = (table[column].iloc[row] for column in ("what", "value"))
        figure = spelt.get(fold(str(what)))
        if figure is None:
            titles = [known.header for known in spelt.values()]
            hint = nearest(str(what), titles) or f"Figures are: {', '.join(titles)}."
            wrong.append(Finding(estate.place("recipes", row, "what"), str(what), "is no figure of a recipe.", hint))
            continue
        place = places[figure.name] = estate.place("recipes", row, "value")
        values[figure.name], faults = read_one(figure, _cell(str(text)), styles)
        wrong += [Finding(place, str(text), fault.rule, fault.remedy) for fault in faults]
    return values, places, wrong


def _recipe(name: str, values: Values) -> tuple[Recipe | None, list[str]]:
    """The recipe of these figures, and those that it lacks."""
    recipe, lacks = None, []
    try:
        recipe = Recipe.model_validate({"cuvee": name, **usual_figures(), **values})
    except ValidationError as refused:
        lacks = [recipe_figures()[str(fault["loc"][0])].header for fault in refused.errors()]
    if values.get("reserve_share", 0.0) > 0 and "reserve_value_per_litre" not in values:
        lacks.append("reserve value per litre")
    if not any(size in values for size in SIZES):
        lacks.append("kilograms, bottles or litres")
    return recipe, lacks


def _together(estate: Estate, name: str, recipe: Recipe, places: dict[str, str]) -> list[Finding]:
    """Figures that contradict each other."""
    wrong = []
    sizes = [size for size in SIZES if size in places]
    if len(sizes) > 1:
        rule = f"stands beside {sizes[0]}: recipe '{name}' is as large as one of them says."
        value = f"{getattr(recipe, sizes[1]):g}"
        wrong.append(Finding(places[sizes[1]], value, rule, f"Keep one of: {', '.join(sizes)}."))
    if (recipe.tirage_date - recipe.harvest_date).days < LEAST_DAYS:
        rule = f"is less than {LEAST_DAYS} days after the harvest of {recipe.harvest_date}."
        wrong.append(Finding(places["tirage_date"], str(recipe.tirage_date), rule, "Correct one of the two dates."))
    origin = {"variety": recipe.variety, "village": recipe.village}
    for attribute, bound in against_bounds(estate, recipe.cuvee, origin):
        rule = f"is another {attribute} than cuvée '{recipe.cuvee}' is made from, {bound} (Cuvées, Only from)."
        wrong.append(Finding(places[attribute], str(origin[attribute]), rule, "Enter that one, or another cuvée."))
    return wrong
