"""Result sheet of cuvées not made yet: standard cost of every recipe, by stage beside the actual of its cuvée."""

from __future__ import annotations

from costing.answers.charts import Chart
from costing.decisions.recipes import AGAINST_ACTUAL, STANDARD, recipe_findings, standard_costs
from costing.results.results import Results
from costing.workbook.write import ResultSheet, ResultTable


def recipe_sheets(book: Results, economic: Results) -> list[ResultSheet]:
    """Sheet Recipes costed; none where the Recipes sheet is empty. InputError where it makes no sense."""
    standard, by_stage = standard_costs(book, economic)
    if not len(standard):
        return []
    currency = book.estate.settings.currency
    per_bottle = ("Book per bottle", "Economic per bottle")
    money = (*per_bottle, "Economic per 75 cl", "Book over actual", "Economic over actual")
    tables = (
        ResultTable(
            "recipes_costed",
            standard.rename(columns=STANDARD),
            {
                **dict.fromkeys(money, "money4"),
                "Release": "date",
                "Kilograms": "quantity",
                "Good bottles": "integer",
            },
            title="Standard cost of every recipe",
        ),
        ResultTable(
            "standard_and_actual",
            by_stage.rename(columns=AGAINST_ACTUAL),
            dict.fromkeys(("Standard per bottle", "Actual per bottle", "Difference"), "money4"),
            title="By stage, beside the latest release of the cuvée and format",
        ),
    )
    chart = Chart(
        "column",
        "Recipes: standard cost per bottle",
        "recipes_costed",
        "Recipe",
        per_bottle,
        "Recipe",
        f"{currency} per bottle",
    )
    notes = (
        "A recipe is run alone, with the rates, norms, dry goods and pools of this workbook, each pool on its normal "
        "capacity. Its reserve wine counts at the value that the recipe gives it, in the stage reserve; in an actual "
        "cost the history of the reserve stands in the stages where it was spent.",
        *(str(finding) for finding in recipe_findings(book.estate)),
    )
    return [ResultSheet("Recipes costed", f"Cuvées not made yet ({currency})", notes, tables, (chart,))]
