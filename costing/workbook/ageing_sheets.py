"""Result sheet of hold or release: the verdict of every stack, every candidate date, the curves of the
largest stacks, the best split where the market binds, and what a place in the cellar is worth.
"""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from costing.answers.charts import Chart
from costing.decisions.ageing import HoldOrRelease
from costing.decisions.ageing_tables import BY_DATE, VERDICTS, Holding, ageing_findings, hold_or_release_tables, holding
from costing.decisions.scarcity_tables import (
    FULL_CELLAR,
    PLACES,
    SPLITS,
    best_splits,
    cellar_places,
    full_cellar,
)
from costing.results.results import Results
from costing.workbook.write import ResultSheet, ResultTable

CURVES = 6
"""Stacks whose curves are drawn: those with the most bottles that have a candidate date."""
# the last column is the reason of a bar, so that the wide column of the verdicts has words in both tables
_NOT_SHOWN = ("cuvee", "format", "average_capital", "gain_per_bottle_year")


def ageing_sheets(economic: Results) -> list[ResultSheet]:
    """Sheet Hold or release; none where nothing lies on lees or no price by age is given."""
    held = holding(economic)
    verdicts, by_date, found = hold_or_release_tables(economic, held)
    if found is None or by_date["price"].isna().all():
        return []
    currency = economic.estate.settings.currency
    drawn = verdicts.dropna(subset=["release"]).nlargest(CURVES, "bottles")["lot"]
    chosen = by_date[by_date["lot"].isin(drawn)]
    worth = chosen.assign(per_bottle=chosen["npv"] / chosen.groupby("lot")["bottles"].transform("first"))
    curve = worth.pivot_table("per_bottle", "date", "lot").reset_index()
    returns = chosen.pivot_table("year_return", "date", "lot").reset_index()
    headers = own_headers([str(lot) for lot in drawn], ("Release", "Hurdle"))
    curve, returns = curve.rename(columns=headers), returns.rename(columns=headers)
    returns["Hurdle"] = returns["date"].map(chosen.groupby("date")["hurdle"].max())
    curve, returns = curve.rename(columns={"date": "Release"}), returns.rename(columns={"date": "Release"})
    lots = tuple(str(column) for column in curve.columns[1:])
    paid = tuple(str(column) for column in returns.columns[1:])
    for table in (curve, returns):
        table.columns = pd.Index([str(column) for column in table.columns])
        table["Release"] = table["Release"].dt.strftime("%Y-%m")
    money = {"Gain over releasing first": "money", "Peak capital": "money", "Release": "date"}
    tables = (
        ResultTable(
            "hold_or_release",
            verdicts.rename(columns=VERDICTS),
            {
                "Bottles": "integer",
                "Months on lees": "integer",
                "Economic cost per bottle on lees": "money4",
                "Best release": "date",
                "Gain over releasing first": "money",
                "Gain per bottle-year": "money4",
                "Hurdle that flips it": "percent",
                "Storage that flips it": "money4",
                "Price that flips it": "money4",
                "Peak capital": "money",
                "Average capital": "money",
                "Chance that holding wins": "percent",
            },
            title="Verdicts",
        ),
        ResultTable(
            "worth_by_release",
            curve,
            dict.fromkeys(lots, "money"),
            title=f"Net present value per bottle of today, by release ({currency})",
        ),
        ResultTable(
            "return_by_release",
            returns,
            dict.fromkeys(paid, "percent"),
            title="The year's return on proceeds foregone, against the hurdle",
        ),
        ResultTable(
            "candidate_dates",
            by_date.drop(columns=list(_NOT_SHOWN)).rename(columns=BY_DATE),
            {
                **money,
                "Months on lees": "integer",
                "Bottles": "quantity",
                "Months to sell": "quantity",
                **dict.fromkeys(("Price", "Finishing", "Break-even price"), "money4"),
                **dict.fromkeys(("Net worth then", "Net present value"), "money"),
                **dict.fromkeys(("The year's return", "Hurdle", "Price growth needed"), "percent"),
            },
            title="Every candidate date",
        ),
        *_scarce_tables(economic, held, found),
    )
    charts = (
        Chart(
            "line",
            "Net present value per bottle by release",
            "worth_by_release",
            "Release",
            lots,
            "Release",
            f"{currency} per bottle",
        ),
        Chart(
            "line",
            "The year's return against the hurdle",
            "return_by_release",
            "Release",
            paid,
            "Release",
            "Return a year",
            "0%",
        ),
    )
    notes = (
        "Decide year by year: hold while the year's return is above the hurdle, not on an average return. Prices by "
        "age are yours and are never extrapolated; rule sets of place are dated.",
        "Prices are per bottle sold, finishing per bottle put to disgorging. Capital of a held stack is what its "
        "release would have brought, and what has been spent on it since.",
        *(str(finding) for finding in ageing_findings(economic, held)),
    )
    return [ResultSheet("Hold or release", "Hold or release, stack by stack", notes, tables, charts if lots else ())]


def own_headers(names: Sequence[str], taken: Sequence[str]) -> dict[str, str]:
    """Header for each name of a lot or trial that stands as a column beside the headers `taken`: itself, with a
    dash and a number where a spreadsheet, deaf to capitals, would take it for another.
    """
    known = {header.casefold() for header in taken}
    found = {}
    for name in names:
        header, number = name, 2
        while header.casefold() in known:
            header, number = f"{name} - {number}", number + 1
        known.add(header.casefold())
        found[name] = header
    return found


def _scarce_tables(economic: Results, held: Holding, found: HoldOrRelease) -> tuple[ResultTable, ...]:
    """Tables of a market or a cellar that binds; those that hold something."""
    splits, places = best_splits(economic, held), cellar_places(economic)
    once = ("Economic cost per bottle at tirage", "Net present value, once", "Worth of a place")
    tables = [
        ResultTable(
            "best_splits",
            splits.rename(columns=SPLITS),
            {
                "Release": "date",
                "Bottles of today drawn": "integer",
                "Bottles released": "integer",
                "Worth of one bottle more that the market took": "money4",
            },
            title="Best split over dates where the market binds",
        )
    ]
    if len(places):
        stacks = full_cellar(held, found, places)
        tables += [
            ResultTable(
                "full_cellar",
                stacks.rename(columns=FULL_CELLAR),
                {
                    "Best release": "date",
                    "Best release if the cellar is full": "date",
                    "Worth of a place": "money",
                },
                title="If the cellar is full: a place freed is filled with the same cuvée again",
            ),
            ResultTable(
                "cellar_places",
                places.rename(columns=PLACES),
                {
                    **dict.fromkeys(once, "money4"),
                    "Best months, once": "integer",
                    "Best months, again and again": "integer",
                    "Yearly rise of its money": "percent",
                },
                title="A place in the cellar: one cycle, and cycle after cycle",
            ),
        ]
    return tuple(table for table in tables if len(table.frame))
