"""Result sheets of change and doubt: scenarios side by side, why a bottle costs what it does, what moves it most, how
sure it is.
"""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from costing.answers.charts import Chart
from costing.decisions.figures import STOCK
from costing.decisions.scenarios import SCENARIOS, scenario_tables
from costing.decisions.sensitivity import SENSITIVITIES, TORNADO, cell_tables, derivatives_of, tornados
from costing.decisions.uncertainty import Forecast
from costing.decisions.uncertainty_tables import uncertainty_tables
from costing.decisions.why import WHY
from costing.decisions.years import YEARS, between_releases, pairs_of_years
from costing.results.costs import releases
from costing.results.results import Results
from costing.workbook.write import ResultSheet, ResultTable

CELLS_SHOWN = 20
TORNADO_SHOWN = 12


def scenario_sheets(economic: Results, others: Mapping[str, Results] | None = None) -> list[ResultSheet]:
    """Sheet Scenarios side by side; none where the Scenarios sheet is empty and there are no other estates.

    others: whole estates run by themselves, by name.
    """
    if not len(economic.estate["scenarios"]) and not others:
        return []
    currency = economic.estate.settings.currency
    tables, findings = scenario_tables(economic.estate, economic, others)
    shown = tables["releases"].rename(columns=SCENARIOS)
    names = list(shown.columns[len(SCENARIOS) :])
    stock = tables["stock"].rename(columns={"kind": "Kind"})
    if not names:
        return [ResultSheet("Scenarios side by side", "Scenarios side by side", tuple(map(str, findings)))]
    shown["Planned"] = shown["Planned"].map({True: "planned", False: "made"})
    latest = shown[(shown["Planned"] == "made") & (shown["Format"] == "bottle")]
    changes = tuple(name for name in names if name.endswith(": change"))
    formats = {"Disgorged": "date", "Bottles": "integer", **dict.fromkeys(names, "money4")}
    stock_names = tuple(stock.columns[1:])
    parts = (
        ResultTable("scenarios_per_bottle", shown, formats, title=f"Economic cost per bottle ({currency})"),
        ResultTable(
            "scenario_changes_latest",
            latest[["Cuvée", *changes]],
            dict.fromkeys(changes, "money4"),
            title="Change of the latest release of each cuvée",
        ),
        ResultTable(
            "scenarios_stock", stock, dict.fromkeys(stock_names, "money"), stock_names, title=f"Stock ({currency})"
        ),
    )
    chart = Chart(
        "column",
        "Scenarios: change of cost per bottle, latest releases",
        "scenario_changes_latest",
        "Cuvée",
        changes,
        "Cuvée",
        f"{currency} per bottle",
    )
    notes = tuple(map(str, findings)) or ("Each scenario is the whole estate run again; later rows follow.",)
    return [ResultSheet("Scenarios side by side", "Scenarios side by side", notes, parts, (chart,) if changes else ())]


def why_sheets(economic: Results, moved: Mapping[str, pd.DataFrame] | None = None) -> list[ResultSheet]:
    """Sheet Why it moved: the latest release of every cuvée against one of the year before, in six lines; and, where
    given, `why_it_moved` tables against another estate, by the name of the figure.
    """
    currency = economic.estate.settings.currency
    years, steps = [], []
    for cuvee, first, second in pairs_of_years(economic):
        table = between_releases(economic, first, second).rename(columns=YEARS)
        table.insert(0, "From", first)
        table.insert(1, "To", second)
        table.insert(0, "Cuvée", cuvee)
        years.append(table)
    for name, table in (moved or {}).items():
        steps.append(table.rename(columns=WHY).assign(**{"Figure": "stock" if name == STOCK else name}))
    parts, charts = [], list[Chart]()
    if years:
        every = pd.concat(years, ignore_index=True)
        wide = every[every["What moved"] != "cost per bottle"].pivot_table(
            "Change per bottle", "Cuvée", "What moved", sort=False
        )
        formats = {"First": "money4", "Second": "money4", "Change per bottle": "money"}
        parts.append(
            ResultTable("why_by_year", every, formats, title=f"From one year's release to the next ({currency})")
        )
        parts.append(
            ResultTable(
                "why_by_family",
                wide.reset_index(),
                dict.fromkeys(map(str, wide.columns), "money"),
                title="The same, cuvées side by side",
            )
        )
        charts.append(
            Chart(
                "stacked column",
                "Why the latest release costs what it does",
                "why_by_family",
                "Cuvée",
                tuple(map(str, wide.columns)),
                "Cuvée",
                f"Change, {currency} per bottle",
            )
        )
    if steps:
        every = pd.concat(steps, ignore_index=True)[["Figure", *WHY.values()]]
        formats = {"Change": "money4", "Figure after it": "money4"}
        parts.insert(0, ResultTable("why_it_moved", every, formats, title=f"Against the other estate ({currency})"))
    if not parts:
        return []
    notes = ("One family is replaced at a time, in this order; another order gives other parts with the same sum.",)
    return [ResultSheet("Why it moved", "Why the cost of a bottle moved", notes, tuple(parts), tuple(charts))]


def sensitivity_sheets(economic: Results) -> list[ResultSheet]:
    """Sheet Sensitivity: tornado of the latest release of every cuvée in bottles, and its most telling cells."""
    frame = releases(economic)
    frame = frame[~frame["planned"] & (frame["format"].astype(str) == "bottle") & (frame["bottles"] > 0)]
    latest = frame.drop_duplicates("cuvee", keep="last")
    if not len(latest):
        return []
    currency = economic.estate.settings.currency
    names = dict(zip(latest["release"].astype(str), latest["cuvee"].astype(str), strict=True))
    found = derivatives_of(economic, list(names))
    cells, drawn = cell_tables(found), tornados(found, TORNADO_SHOWN)
    parts, charts = [], []
    for number, (release, table) in enumerate(drawn.items(), start=1):
        shown = table.rename(columns=TORNADO)
        title = f"{names[release]}, {release}: change of cost per bottle ({currency})"
        parts.append(
            ResultTable(f"tornado_{number}", shown, dict.fromkeys(("1 % less", "1 % more"), "money4"), title=title)
        )
        charts.append(
            Chart(
                "bar",
                f"{names[release]}: 1 % less and 1 % more of each figure",
                f"tornado_{number}",
                "Figure",
                ("1 % less", "1 % more"),
                "Figure",
                f"Change, {currency} per bottle",
                "0.00",
            )
        )
    top = pd.concat(
        [table.head(CELLS_SHOWN).assign(release=release) for release, table in cells.items()], ignore_index=True
    ).rename(columns={**SENSITIVITIES, "release": "Release"})
    formats = {"Value": "number", "Change per unit": "money4", "Change per 1 %": "money4"}
    columns = ["Release", *SENSITIVITIES.values()]
    parts.append(
        ResultTable(
            "cells_that_move_most", top[columns], formats, links={"Cell": "Cell"}, title="The most telling cells"
        )
    )
    notes = (
        "Exact: by one solve backward; a quantity changes with the later rows following. Two reruns: the estate run "
        "again with 1 % less and 1 % more of every row.",
    )
    return [ResultSheet("Sensitivity", "What moves the cost of a bottle most", notes, tuple(parts), tuple(charts))]


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
