"""Each figure of each rule set is met exactly, missed and passed by a millionth, on the days around those on which it
is in force: what is said of it is kept (`python -m tests.results.test_at_each_figure` keeps it anew; read what changes
before).
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from costing.calendar import add_months
from costing.errors import Finding
from costing.inputs.appellations import DAY_UNITS, RuleFigure, RuleSet, rule_set, rule_set_names
from costing.results import appellation as rules_of_place
from tests import kept_lines

KEPT = Path(__file__).parent
AROUND = np.array([1 - 1e-6, 1.0, 1 + 1e-10, 1 + 1e-6])
PLACES = [f"row {row}" for row in range(len(AROUND))]
DAYS_BESIDE = np.array([-1, 0, 1])
_BAR_AT_20_PER_G = 8 / 24  # what the page of rules of place says


def _days(figure: RuleFigure) -> list[np.datetime64]:
    first, last = np.datetime64(figure.in_force_from), np.datetime64(figure.in_force_to or "2060-12-31")
    return [first - 1, first, last, last + 1]


def _met(rules: RuleSet, figure: RuleFigure, day: np.datetime64) -> Iterator[Finding]:
    """What is said of rows that come as near to a figure as can be; nothing where no check reads its rule."""
    days, amounts = np.full(len(AROUND), day), figure.value * AROUND
    category = figure.applies_to[0] if figure.applies_to else ""
    match figure.rule:
        case "press yield" | "settling sediment":
            whole = rules.in_force("press yield", day.item())
            kilograms = 4_000.0 * (whole[0].per if whole else 1.0)
            litres = 4_000.0 * (whole[0].value if whole else 1.0) * AROUND
            yield from rules_of_place.press_yield(rules, days, [kilograms] * len(AROUND), litres, PLACES)
            more = litres * (1 + (figure.value / 100 if figure.rule == "settling sediment" else 0.0))
            yield from rules_of_place.press_yield(rules, days, [kilograms] * 4, more, PLACES, settled=False)
        case "earliest tirage":
            year = day.item().year
            first = np.datetime64(f"{year}-{figure.month_day}") + DAYS_BESIDE
            harvest = [year - DAY_UNITS[figure.unit]] * len(first)
            yield from rules_of_place.earliest_tirage(rules, first, harvest, PLACES, category)
        case "months on lees" | "days on lees" | "months to sale":
            judged = rules_of_place.months_to_sale if figure.rule == "months to sale" else rules_of_place.months_on_lees
            over = day + int(figure.value) if "days" in figure.rule else add_months([day], [figure.value])[0]
            yield from judged(rules, [day] * 3, over + DAYS_BESIDE, PLACES, category)
        case "vintage share":
            yield from rules_of_place.vintage_share(rules, days, amounts, [100.0] * 4, PLACES)
        case "named vintage":
            yield from rules_of_place.named_vintage(rules, days, amounts / 100, ["wine"] * 4, PLACES, category)
        case "alcohol gain by tirage":
            sugar = amounts * rules_of_place.SUGAR_PER_PERCENT_VOL[0]
            yield from rules_of_place.tirage_alcohol_gain(rules, days, sugar, PLACES)
        case "sugar minimum" | "sugar maximum" | "sugar added":
            for left in (0.0, 0.5):
                dosage = amounts - left
                yield from rules_of_place.sweetness_terms(rules, days, dosage, [category] * 4, PLACES, left)
        case "nominal volume" | "nominal volume from" | "nominal volume to":
            yield from rules_of_place.nominal_volume(rules, days, amounts / 1000, PLACES)
        case "pressure":
            for bottle_l in (0.2, 0.25):
                sugar, bottles = amounts / _BAR_AT_20_PER_G, [bottle_l] * 4
                yield from rules_of_place.least_pressure(rules, days, sugar, bottles, PLACES)
        case rule if rule.startswith("technical loss at "):
            stage = rule.removeprefix("technical loss at ")
            yield from rules_of_place.technical_loss(rules, stage, days, [100.0] * 4, 100 - amounts, PLACES)


def figures_of_all_sets() -> Iterator[str]:
    for name in rule_set_names():
        rules = rule_set(name)
        for figure in (one for one in rules.figures if one.rule_set == name):
            said = [list(_met(rules, figure, day)) for day in _days(figure)]
            rows = " ".join("".join(str(PLACES.index(found.place)) for found in on_day) or "-" for on_day in said)
            words = hashlib.sha256("\n".join(str(found) for on_day in said for found in on_day).encode()).hexdigest()
            category, value = "".join(figure.applies_to[:1]) or "all", figure.month_day or f"{figure.value:g}"
            yield f"{name}, {figure.rule}, {category}, {value}: {rows} {words[:10]}"


SECTIONS = kept_lines.by_name(figures_of_all_sets)


def test_what_is_said_at_each_figure_is_as_kept() -> None:
    """Rows that are flagged, by day, and a digest of the words."""
    assert kept_lines.found(SECTIONS, "figures_of_all_sets") == kept_lines.kept(KEPT, "figures_of_all_sets")


if __name__ == "__main__":
    kept_lines.keep(KEPT, SECTIONS)
