"""A cuvée not made yet: a recipe becomes ordinary dated rows, is read and run as an estate of its own, and its
standard cost stands beside the actual one.

    estate of a recipe = its rows + the estate's own rates, dry goods, norms, pools, interest rates, indices,
                         cuvées and market values of kinds

Conventions: nothing else of the estate is in the run, so a recipe reprices nothing. Its own losses and dry goods
take the place of the estate's where it gives them. A pool costs its amount over its normal capacity, without one
over what the estate used in its period (a recipe alone would bear all of it), and a caution names it. The actual is
the latest release of the cuvée and format up to the valuation date. Reserve wine counts at the value that the recipe
gives it, in the stage reserve; in an actual cost its history stands in the stages where it was spent. The rows:
`decisions.cellar.recipe_rows`; the figures: `decisions.cellar.recipe_figures`.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from costing.answers.answer import Answer
from costing.array_types import Floats
from costing.decisions.cellar.recipe_figures import Recipe, read_recipes
from costing.decisions.cellar.recipe_rows import VINIFICATION, quantities, recipe_rows, vinification_losses
from costing.errors import Finding, InputError, caution
from costing.graph.arrays import STAGES
from costing.inputs.estate import Estate
from costing.inputs.frames import as_entered, settings_frame
from costing.inputs.load import read_inputs
from costing.model import Runs
from costing.once import asked_once
from costing.results.costs import releases
from costing.units import FORMATS_L, STANDARD_BOTTLE_L

_COLUMNS = (
    *("recipe", "cuvee", "format", "disgorged", "kilograms", "bottles_good", "book_per_bottle", "economic_per_bottle"),
    *("economic_per_75cl", "release_actual", "book_over_actual", "economic_over_actual"),
)
STAGE_COLUMNS = ("recipe", "basis", "stage", "standard_per_bottle", "actual_per_bottle", "difference")
MERGED = ("interest_rates", "price_indices", "operation_rates", "cuvees")
"""Sheets that a recipe takes from the estate as they are; others in part."""


def recipe_findings(estate: Estate) -> Iterator[Finding]:
    """Yield everything wrong on the Recipes sheet, and cautions on pools that stand on what was used."""
    recipes, wrong = _sound(estate)
    yield from wrong
    pools = estate["pools"]
    blank = (
        np.flatnonzero((~(pools["normal_capacity"] > 0) & pools["serves"].isna()).to_numpy()).tolist()
        if recipes
        else []
    )
    told: set[str] = set()
    for row in blank:
        name = str(pools["pool"].iloc[row])
        if name not in told:
            told.add(name)
            rule = f"no normal capacity: recipes bear pool '{name}' by what was used in its period."
            remedy = "Enter the driver of a normal period."
            yield caution(estate.place("pools", row, "normal_capacity"), "", rule, remedy)


@asked_once
def _sound(estate: Estate) -> tuple[dict[str, Recipe], list[Finding]]:
    """Recipes that fill bottles, and what is wrong with the others."""
    recipes, wrong = read_recipes(estate)
    sound = {}
    for name, recipe in recipes.items():
        made = quantities(estate, recipe)
        if made.bottles - made.lost >= 1:
            sound[name] = recipe
            continue
        row = int(np.flatnonzero((estate["recipes"]["recipe"] == name).to_numpy())[0])
        rule = f"makes no bottle that lives to be released ({made.bottles:g} filled)."
        wrong.append(Finding(estate.place("recipes", row, "recipe"), name, rule, "Enter more grapes or bottles."))
    return sound, wrong


def recipe_estate(estate: Estate, name: str, recipe: Recipe, capacity: Floats) -> Estate:
    """Read the rows of a recipe with what holds on the estate. InputError where they make no sense together.

    capacity: of each row of Pools, as `costing.money.pools.Pools.capacity` has it.
    """
    frames = {sheet: as_entered(sheet, estate[sheet]) for sheet in MERGED}
    frames["settings"] = settings_frame(estate)
    kinds = estate["market_values"]
    frames["market_values"] = as_entered("market_values", kinds[kinds["lot"].isna() & kinds["cuvee"].isna()])
    frames["loss_norms"] = _norms(estate, recipe)
    frames["dry_goods"] = _dry_goods(estate, recipe)
    frames["pools"] = _pools(estate, capacity)
    cuvees = frames["cuvees"]
    if recipe.cuvee not in set(estate["cuvees"]["cuvee"]):
        frames["cuvees"] = pd.concat([cuvees, pd.DataFrame([{"cuvee": recipe.cuvee}])], ignore_index=True)
    frames |= recipe_rows(estate, name, recipe)
    return read_inputs({sheet: frame for sheet, frame in frames.items() if len(frame)})


def _norms(estate: Estate, recipe: Recipe) -> pd.DataFrame:
    """Norms of the estate; those of vinification as the recipe has them."""
    norms = estate["loss_norms"]
    if recipe.vinification_loss is None:
        return as_entered("loss_norms", norms)
    others = as_entered("loss_norms", norms[~norms["applies_to"].isin(VINIFICATION)])
    own = vinification_losses(estate, recipe)
    given = pd.DataFrame({"applies_to": list(own), "percent": [100.0 * loss for loss in own.values()]})
    return pd.concat([others, given.assign(time_base="per movement")], ignore_index=True)


@asked_once
def _dry_goods(estate: Estate, recipe: Recipe) -> pd.DataFrame:
    """Dry goods of the estate, presentations left out; those that the recipe gives in their place."""
    goods = estate["dry_goods"]
    goods = goods[goods["presentation"].isna()]
    given = []
    for figure, stages in (
        ("dry_goods_at_tirage_per_bottle", ("tirage",)),
        ("dry_goods_at_release_per_bottle", ("finishing", "dressing")),
    ):
        if getattr(recipe, figure) is not None:
            goods = goods[~goods["stage"].isin(stages)]
            given.append({"from_date": recipe.harvest_date, "stage": stages[-1], "unit_price": getattr(recipe, figure)})
    own = pd.DataFrame(given).assign(item="as the recipe says") if given else pd.DataFrame()
    return pd.concat([as_entered("dry_goods", goods), own], ignore_index=True)


def _pools(estate: Estate, capacity: Floats) -> pd.DataFrame:
    """Pools of the estate, each on its capacity; those that nothing ever used are left out. A recipe beyond the last
    period bears its rate, as every plan does.
    """
    pools = estate["pools"]
    serves = pools["serves"].notna().to_numpy()
    kept = serves | (capacity > 0)
    return as_entered("pools", pools.assign(normal_capacity=np.where(serves, np.nan, capacity))[kept])


@asked_once
def recipes(runs: Runs) -> Answer:
    """Standard cost per bottle of every recipe, and by stage against the actual of its cuvée and format; the last line
    of each recipe and basis is the total.

    InputError with every finding on the Recipes sheet.
    """
    estate = runs.estate
    sound, wrong = _sound(estate)
    if wrong:
        raise InputError(wrong)
    rows: list[dict[str, object]] = []
    lines: list[dict[str, object]] = []
    actual = {"book": releases(runs.book), "economic": releases(runs.economic)}
    for name, recipe in sound.items():
        alone = Runs(recipe_estate(estate, name, recipe, runs.book.charges.pools.capacity()))
        standard = {results.basis.name: releases(results).iloc[0] for results in (alone.book, alone.economic)}
        row: dict[str, object] = {"recipe": name, "cuvee": recipe.cuvee, "format": recipe.format}
        row["disgorged"], row["bottles_good"] = standard["book"]["disgorged"], standard["book"]["bottles"]
        row["kilograms"] = quantities(estate, recipe).kilograms
        for basis, made in actual.items():
            cost = _by_stage(standard[basis])
            latest = _latest(made, recipe)
            row[f"{basis}_per_bottle"] = cost.sum()
            row["release_actual"] = "" if latest is None else latest["release"]
            real = pd.Series(np.nan, STAGES) if latest is None else _by_stage(latest)
            row[f"{basis}_over_actual"] = np.nan if latest is None else cost.sum() - real.sum()
            lines += _lines(name, basis, cost, real)
        of_75cl = STANDARD_BOTTLE_L / FORMATS_L[recipe.format]
        row["economic_per_75cl"] = _by_stage(standard["economic"]).sum() * of_75cl
        rows.append(row)
    tables = {
        "recipes_costed": pd.DataFrame(rows, columns=list(_COLUMNS)),
        "standard_and_actual": pd.DataFrame(lines, columns=list(STAGE_COLUMNS)),
    }
    findings = tuple(recipe_findings(estate))
    says = tuple(_said(tables["recipes_costed"], runs.currency))
    return Answer(tables, findings, says, {"currency": runs.currency}, "The Recipes sheet is empty.")


def _said(costed: pd.DataFrame, currency: str) -> Iterator[str]:
    """What each recipe would cost, against the latest release of its cuvée."""
    columns = (costed[name] for name in ("recipe", "economic_per_bottle", "economic_over_actual", "release_actual"))
    for recipe, cost, over, release in zip(*columns, strict=True):
        than = f", {abs(over):,.2f} {'more' if over > 0 else 'less'} than {release}" if over == over else ""
        yield f"{recipe} would cost {cost:,.2f} {currency} a bottle, economic{than}."


def _latest(made: pd.DataFrame, recipe: Recipe) -> pd.Series | None:
    """Latest actual release of the cuvée and format of a recipe."""
    of_cuvee = made[(made["cuvee"] == recipe.cuvee) & (made["format"] == recipe.format) & ~made["planned"]]
    return of_cuvee.iloc[-1] if len(of_cuvee) else None


def _by_stage(release: pd.Series) -> pd.Series:
    """Cost per bottle of a release by stage, all stages."""
    amounts = release.reindex(list(STAGES)).astype(float).fillna(0.0)
    return amounts / float(release["bottles"])


def _lines(name: str, basis: str, standard: pd.Series, actual: pd.Series) -> list[dict[str, object]]:
    """One line for each stage that costs anything, and the total."""
    known = bool(actual.notna().all())
    spent = (standard.abs() > 1e-12) | (actual.abs() > 1e-12)
    lines = [(stage, standard[stage], actual[stage]) for stage in STAGES if spent[stage]]
    lines.append(("total", standard.sum(), actual.sum() if known else np.nan))
    return [
        dict(zip(STAGE_COLUMNS, (name, basis, stage, by_standard, other, by_standard - other), strict=True))
        for stage, by_standard, other in lines
    ]
