"""Result sheet of hold or release: the verdict of every stack, every candidate date, the curves of the
largest stacks.
"""

from __future__ import annotations

import pandas as pd

from costing.charts import Chart
from costing.decisions.ageing_tables import BY_DATE, VERDICTS, hold_or_release_tables
from costing.results.results import Results
from costing.workbook.write import ResultSheet, ResultTable

CURVES = 6
"""Stacks whose curves are drawn: those with the most bottles that have a candidate date."""


def ageing_sheets(economic: Results) -> list[ResultSheet]:
    """Sheet Hold or release; none where nothing lies on lees or no price by age is given."""
    verdicts, by_date, _ = hold_or_release_tables(economic)
    if not len(verdicts) or by_date["price"].isna().all():
        return []
    currency = economic.estate.settings.currency
    drawn = verdicts.dropna(subset=["release"]).nlargest(CURVES, "bottles")["lot"]
    chosen = by_date[by_date["lot"].isin(drawn)]
    worth = chosen.assign(per_bottle=chosen["npv"] / chosen.groupby("lot")["bottles"].transform("first"))
    curve = worth.pivot_table("per_bottle", "date", "lot").reset_index()
    returns = chosen.pivot_table("year_return", "date", "lot").reset_index()
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
                "Peak capital": "money",
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
            by_date.rename(columns=BY_DATE),
            {
                **money,
                "Months on lees": "integer",
                "Bottles": "quantity",
                **dict.fromkeys(("Price", "Finishing", "Break-even price"), "money4"),
                **dict.fromkeys(("Net worth then", "Net present value"), "money"),
                **dict.fromkeys(("The year's return", "Hurdle", "Price growth needed"), "percent"),
            },
            title="Every candidate date",
        ),
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
    )
    return [ResultSheet("Hold or release", "Hold or release, stack by stack", notes, tables, charts if lots else ())]
