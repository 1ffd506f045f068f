"""Result sheets of January: vats and reserves on hand, and the trial blends side by side."""

from __future__ import annotations

from costing.charts import Chart
from costing.decisions.blending import TRIALS, trial_blends
from costing.decisions.reserves import JANUARY, january_table
from costing.results.results import Results
from costing.workbook.write import ResultSheet, ResultTable


def blend_sheets(book: Results, economic: Results) -> list[ResultSheet]:
    """Sheets Vats in January and Trials costed; those for which there is something to say."""
    currency = economic.estate.settings.currency
    found = []
    vats = january_table(book, economic)
    if len(vats):
        money = dict.fromkeys(("Book per litre", "Economic per litre", "Market per litre"), "money4")
        money |= dict.fromkeys(("Cost of a year per litre", "Worth keeping at, per litre"), "money4")
        shares = {"Reserve": "percent", "Second pressing": "percent"}
        found.append(
            ResultSheet(
                "Vats in January",
                f"Every vat and reserve: use, keep or sell ({currency})",
                ("Keep a vat a year if you expect it to be worth more then than 'Worth keeping at'.",),
                (
                    ResultTable(
                        "vats",
                        vats.rename(columns=JANUARY),
                        {**money, **shares, "Litres": "quantity", "Gain if sold now": "money"},
                        ("Litres",),
                    ),
                ),
            )
        )
    trials, findings = trial_blends(book, economic)
    if len(trials):
        shown = trials.rename(columns=TRIALS)
        costs = ("Book per bottle at tirage", "Economic per bottle at tirage", "At market value per bottle")
        formats = {"Litres": "quantity", "Bottles": "integer", "Reserve": "percent", "Second pressing": "percent"}
        found.append(
            ResultSheet(
                "Trials costed",
                f"Candidate blends side by side ({currency} per 75 cl at tirage)",
                tuple(str(finding) for finding in findings) or ("Every trial draws no more than is there.",),
                (ResultTable("trial_blends_costed", shown, {**formats, **dict.fromkeys(costs, "money4")}),),
                (
                    Chart(
                        "column",
                        "Trial blends: cost per bottle at tirage",
                        "trial_blends_costed",
                        "Trial",
                        costs,
                        "Trial",
                        f"{currency} per 75 cl",
                    ),
                ),
            )
        )
    return found
