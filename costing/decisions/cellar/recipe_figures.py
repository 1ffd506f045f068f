"""The figures of a recipe: what the Recipes sheet may say of a cuvée not made yet.

    figure                          unit      left out
    harvest date                    date      required
    kilograms, or bottles, or litres          one of the three is required: grapes, bottles filled, wine bottled
    grape price per kg              money     required
    picking per kg                  money     0
    must per kg                     L         required; 0.6375 is 102 L from 160 kg
    first pressing share            %         100; the second pressing is left over, in a lot of its own
    vinification loss               %         the norms of settling, fermentation, racking, fining
    reserve share                   %         0; of the blend
    reserve value per litre         money     required with a reserve share; on the day of blending
    reserve age                     years     1; from its harvest to this one
    tirage date                     date      required
    tirage sugar                    g/L       24; per litre of mixture
    format                          name      bottle
    months on lees                  months    required
    riddling                        name      machine riddling
    dosage                          g/L       0
    dry goods at tirage per bottle  money     the Dry goods sheet
    dry goods at release per bottle money     the Dry goods sheet: closures and dressing
    location                        name      none; whose pools the stack bears
    variety, village                name      none
    cuvée                           name      the name of the recipe; whose cost it is set against

Conventions: percentages are in percent points, with or without the sign. Numbers and dates follow the styles of
the Settings sheet. 102 L from 160 kg: decree 2010-1441 of 22 November 2010 (AOC Champagne), annex, VIII-5.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from costing.errors import Finding, nearest
from costing.inputs.cells import fold
from costing.inputs.columns import read_date, read_number
from costing.inputs.cuvee_bounds import against_bounds
from costing.inputs.estate import Estate
from costing.units import FORMATS_L

RIDDLING = ("machine riddling", "hand riddling")


@dataclass(frozen=True, slots=True)
class RecipeFigure:
    """One figure. kind: date, number, integer, percent, name; bounds in the unit in which it is entered."""

    name: str
    kind: str = "number"
    required: bool = False
    default: Any = None
    lower: float = 0.0
    upper: float = np.inf
    choices: tuple[str, ...] = ()


FIGURES: dict[str, RecipeFigure] = {
    figure.name: figure
    for figure in (
        RecipeFigure("harvest date", "date", required=True),
        RecipeFigure("kilograms", lower=1.0),
        RecipeFigure("bottles", lower=1.0),
        RecipeFigure("litres", lower=1.0),
        RecipeFigure("grape price per kg", required=True),
        RecipeFigure("picking per kg", default=0.0),
        RecipeFigure("must per kg", required=True, lower=0.1, upper=0.9),
        RecipeFigure("first pressing share", "percent", default=1.0, lower=1.0, upper=100.0),
        RecipeFigure("vinification loss", "percent", upper=50.0),
        RecipeFigure("reserve share", "percent", default=0.0, upper=95.0),
        RecipeFigure("reserve value per litre"),
        RecipeFigure("reserve age", "integer", default=1.0, upper=100.0),
        RecipeFigure("tirage date", "date", required=True),
        RecipeFigure("tirage sugar", default=24.0, upper=60.0),
        RecipeFigure("format", "name", default="bottle", choices=tuple(FORMATS_L)),
        RecipeFigure("months on lees", "integer", required=True, lower=1.0, upper=600.0),
        RecipeFigure("riddling", "name", default=RIDDLING[0], choices=RIDDLING),
        RecipeFigure("dosage", default=0.0, upper=120.0),
        RecipeFigure("dry goods at tirage per bottle"),
        RecipeFigure("dry goods at release per bottle"),
        RecipeFigure("location", "name", default=""),
        RecipeFigure("variety", "name", default=""),
        RecipeFigure("village", "name", default=""),
        RecipeFigure("cuvée", "name"),
    )
}
SIZES = ("kilograms", "bottles", "litres")
LEAST_DAYS = 30
"""Days from harvest to tirage that the steps of the cellar need."""

Recipe = dict[str, Any]
"""Figures by name: numbers, fractions for percentages, dates, names; None where left out."""


def read_recipes(estate: Estate) -> tuple[dict[str, Recipe], list[Finding]]:
    """Recipes that make sense, by name, and every finding on the Recipes sheet."""
    table = estate["recipes"]
    recipes: dict[str, Recipe] = {}
    findings: list[Finding] = []
    for name in table["recipe"].dropna().unique():
        rows = np.flatnonzero((table["recipe"] == name).to_numpy()).tolist()
        recipe, at, wrong = _figures(estate, rows)
        if not wrong:
            wrong = [*_missing(estate, str(name), recipe, rows[0]), *_together(estate, str(name), recipe, at)]
        findings += wrong
        if not wrong:
            recipe["cuvée"] = recipe["cuvée"] or str(name)
            recipes[str(name)] = recipe
    return recipes, findings


def _figures(estate: Estate, rows: list[int]) -> tuple[Recipe, dict[str, int], list[Finding]]:
    """Figures of the rows of one recipe, the row of each, and what is wrong with single cells."""
    table = estate["recipes"]
    spelt = {fold(name): name for name in FIGURES}
    recipe: Recipe = {name: figure.default for name, figure in FIGURES.items()}
    at: dict[str, int] = {}
    wrong: list[Finding] = []
    for row in rows:
        what, value = (table[column].iloc[row] for column in ("what", "value"))
        if pd.isna(what) or pd.isna(value):
            continue  # blank cells are named when the sheet is read
        name = spelt.get(fold(str(what)))
        if name is None:
            hint = nearest(str(what), FIGURES) or f"Figures are: {', '.join(FIGURES)}."
            wrong.append(Finding(estate.place("recipes", row, "what"), str(what), "is no figure of a recipe.", hint))
            continue
        figure = FIGURES[name]
        read, fault = _value(figure, str(value), estate)
        if fault:
            remedy = f"Enter {_expected(figure)}."
            wrong.append(Finding(estate.place("recipes", row, "value"), str(value), fault, remedy))
            continue
        recipe[name], at[name] = read, row
    return recipe, at, wrong


def _value(figure: RecipeFigure, text: str, estate: Estate) -> tuple[Any, str]:
    """Value of a cell, or what is wrong with it."""
    settings = estate.settings
    if figure.kind == "name":
        spelt = {fold(choice): choice for choice in figure.choices}
        if figure.choices and fold(text) not in spelt:
            return None, f"is no {figure.name}."
        return spelt.get(fold(text), text), ""
    if figure.kind == "date":
        day, fault = read_date(text.split(" ")[0] if text.endswith("00:00:00") else text, settings.date_style)
        return day, fault
    bare = text.removesuffix("%").rstrip() if figure.kind == "percent" else text
    number, fault = read_number(bare, settings.number_style)
    if fault:
        return None, fault
    if not figure.lower <= number <= figure.upper:
        side = "below the least" if number < figure.lower else "above the most"
        limit = figure.lower if number < figure.lower else figure.upper
        return None, f"is {side} allowed, {limit:g}."
    if figure.kind == "integer" and number != round(number):
        return None, "is no whole number."
    return number / 100.0 if figure.kind == "percent" else number, ""


def _expected(figure: RecipeFigure) -> str:
    if figure.choices:
        return f"one of: {', '.join(figure.choices)}"
    upper = "" if np.isinf(figure.upper) else f" to {figure.upper:g}"
    within = f" from {figure.lower:g}{upper}" if figure.lower or upper else " of 0 or more"
    what = "a whole number" if figure.kind == "integer" else "a number"
    points = ", in percent points" if figure.kind == "percent" else ""
    return {"date": "a date such as 2026-09-15", "name": "a name"}.get(figure.kind, f"{what}{within}{points}")


def _missing(estate: Estate, name: str, recipe: Recipe, row: int) -> list[Finding]:
    """What a recipe does not say and must."""
    place = estate.place("recipes", row, "recipe")
    lacks = [figure.name for figure in FIGURES.values() if figure.required and recipe[figure.name] is None]
    if recipe["reserve share"] > 0 and recipe["reserve value per litre"] is None:
        lacks.append("reserve value per litre")
    if all(recipe[size] is None for size in SIZES):
        lacks.append("kilograms, bottles or litres")
    rule = "has no figure for: " + ", ".join(lacks) + "."
    return [Finding(place, name, rule, "Add a row for each.")] if lacks else []


def _together(estate: Estate, name: str, recipe: Recipe, at: dict[str, int]) -> list[Finding]:
    """Figures that contradict each other."""
    wrong = []
    sizes = [size for size in SIZES if size in at]
    if len(sizes) > 1:
        place = estate.place("recipes", at[sizes[1]], "value")
        rule = f"stands beside {sizes[0]}: recipe '{name}' is as large as one of them says."
        wrong.append(Finding(place, f"{recipe[sizes[1]]:g}", rule, f"Keep one of: {', '.join(sizes)}."))
    harvest: date | None = recipe["harvest date"]
    tirage: date | None = recipe["tirage date"]
    if harvest and tirage and (tirage - harvest).days < LEAST_DAYS:
        place = estate.place("recipes", at["tirage date"], "value")
        rule = f"is less than {LEAST_DAYS} days after the harvest of {harvest}."
        wrong.append(Finding(place, str(tirage), rule, "Correct one of the two dates."))
    given = {name: recipe[name] for name in ("variety", "village")}
    for key, value in against_bounds(estate, recipe["cuvée"], given):
        place = estate.place("recipes", at[key], "value")
        rule = f"is another {key} than cuvée '{recipe['cuvée']}' is made from, {value} (Cuvées, Only from)."
        wrong.append(Finding(place, recipe[key], rule, "Enter that one, or another cuvée."))
    if recipe["tirage sugar"] >= estate.settings.tirage_liqueur_g_per_l:
        place = estate.place("recipes", at.get("tirage sugar", at["tirage date"]), "value")
        rule = "is as much sugar as the tirage liqueur of the Settings has."
        wrong.append(Finding(place, f"{recipe['tirage sugar']:g}", rule, "Correct one of the two."))
    return wrong
