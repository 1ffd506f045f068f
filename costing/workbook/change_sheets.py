"""Result sheet of doubt: how sure the figures are."""

from __future__ import annotations

import pandas as pd

from costing.answers.charts import Chart
from costing.decisions.uncertainty import Forecast
from costing.decisions.uncertainty_tables import uncertainty_tables
from costing.results.results import Results
from costing.workbook.result_sheet import ResultSheet, ResultTable


def uncertainty_sheets(found: Forecast, economic: Results, prices: pd.DataFrame | None = None) -> list[ResultSheet]:
    """Sheet How sure: percentiles of cost per bottle and of target prices, where the doubt comes from, how sure each
    verdict is. prices: `release_prices` of the estate.
    """
    if not found.figures:
        return []
    currency = economic.estate.settings.currency
    tables = uncertainty_tables(found, economic, prices)
    costs, shares, verdicts = tables["costs"], tables["shares"], tables["verdicts"]
    costs = costs.assign(Planned=costs["Planned"].map({True: "planned", False: "made"}))
    money = ("As recorded", "Mean", "Standard deviation", *(name for name in costs.columns if name.endswith("% below")))
    cuvees = tuple(map(str, shares.columns[1:]))
    gains = ("Gain of holding as planned", "Mean gain", "5 % below", "Half below", "95 % below")
    chances = ("Draws in which holding wins", "Draws in which the verdict holds")
    parts = [
        ResultTable("draws_notes", tables["notes"], title="How the draws were made"),
        ResultTable(
            "costs_drawn",
            costs,
            {"Disgorged": "date", **dict.fromkeys(money, "money4")},
            title=f"Cost per bottle over the draws ({currency})",
        ),
        ResultTable(
            "doubt_by_figure",
            shares,
            dict.fromkeys(cuvees, "percent"),
            title="First-order share of each figure in the variance of the economic cost",
        ),
        ResultTable(
            "figures_drawn",
            tables["figures"],
            {"Cells": "integer", **dict.fromkeys(("Mean draw", "5 % below", "95 % below"), "factor")},
            title="The figures and their draws",
        ),
    ]
    charts = [
        Chart(
            "stacked column",
            "Where the doubt comes from",
            "doubt_by_cuvee",
            "Cuvée",
            tuple(shares["Figure"].astype(str)),
            "Cuvée",
            "Share of the variance",
            "0%",
        )
    ]
    turned = shares.set_index("Figure").T.rename_axis("Cuvée").reset_index()
    parts.insert(
        3,
        ResultTable(
            "doubt_by_cuvee", turned, dict.fromkeys(map(str, turned.columns[1:]), "percent"), title="The same by cuvée"
        ),
    )
    if len(tables["prices"]):
        reaches = "Draws in which the list price reaches it"
        numbers = ("Target price, net", "5 % below", "50 % below", "95 % below", "List price in force")
        formats = {**dict.fromkeys(numbers, "money"), reaches: "percent"}
        parts.append(
            ResultTable("prices_drawn", tables["prices"], formats, title=f"Target prices over the draws ({currency})")
        )
    if len(verdicts):
        formats = {"Bottles": "integer", "First possible date": "date", "Best later date": "date"}
        formats |= dict.fromkeys(gains, "money") | dict.fromkeys(chances, "percent")
        parts.append(
            ResultTable("verdicts_drawn", verdicts, formats, title=f"Hold or release over the draws ({currency})")
        )
        charts.append(
            Chart(
                "column",
                "Draws in which the verdict holds",
                "verdicts_drawn",
                "Lot",
                ("Draws in which the verdict holds",),
                "Lot",
                "Share of the draws",
                "0%",
            )
        )
    notes = ("Every release and every stack sees the same draws. The sheet Uncertainty says what is in doubt.",)
    return [ResultSheet("How sure", "How sure the figures are", notes, tuple(parts), tuple(charts))]
