"""Result sheets of prices and margins: release prices, the way from cellar to shelf and back, what changes of
price do, cuvées side by side.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from costing.answers.charts import Chart
from costing.decisions.prices.margins import MARGINS, margins, reversals
from costing.decisions.prices.price_chains import DOWN, UP
from costing.decisions.prices.price_changes import price_tables
from costing.decisions.prices.price_tables import MONEY_PER_BOTTLE, PRICES
from costing.results.results import Results
from costing.workbook.pages.result_sheet import ResultSheet, ResultTable

NOTE = (
    "Rates, excise and margins are yours and dated; excise and labelling follow local rules, to be confirmed with a "
    "licensed professional."
)
CHANGES = {
    "cuvee": "Cuvée",
    "format": "Format",
    "channel": "Channel",
    "release": "Release",
    "element": "Cost element",
    "presentation": "Presentation",
    "net_price": "Net price at list",
    "spent": "Spent per bottle",
    "again": "To make again",
    "cost_rise": "Rise of cost",
    "same_margin": "Net price, same margin",
    "same_money": "Net price, same money",
    "increase": "Increase",
    "from_list": "From list price",
    "new_list": "To list price",
    "list_currency": "List currency",
    "extra": "Gained at the same volume",
    "bearable_loss": "Volume that may be lost",
    "expected_bottles": "Expected bottles",
    "expected_extra": "Expected gain",
    "best_price": "Net price of highest gain",
    "rise": "Rise per bottle",
    "part": "Part of the rise",
    "contribution": "Contribution per bottle",
    "share": "Contribution of net receipt",
    "equivalent": "Bottles of 75 cl in it",
    "parity_price": "Price of so many bottles",
    "extra_price": "Price beyond them",
    "extra_cost": "Cost beyond them",
    "extra_contribution": "Earned beyond them",
    "cost": "Dry goods per bottle",
    "price_that_pays": "Net price that pays for it",
    "brought": "Net price that it brought",
    "planned": "Bottles planned",
    "at_least": "At least",
    "at_most": "At most",
    "allocated": "Bottles for most contribution",
    "planned_total": "Contribution as planned",
    "allocated_total": "Contribution at most",
    "one_more": "One bottle more",
}
_KEYS = ("release", "cuvee", "format", "channel")
_ASKED = (
    *(*_KEYS, "state", "ready", "bottles", "floor", "book", "economic", "replacement", "selling", "target"),
    *(
        "target_price",
        "list_needed",
        "advised_list",
        "list_price",
        "net_price",
        "margin",
        "margin_percent",
        "rate",
        "gap",
    ),
)
_BEHIND = (
    *(*_KEYS, "stock", "sold", "price_for_margin", "price_for_return", "cost_plus", "contribution", "currency"),
    *("advised_in_market", "list_currency", "list_as_given", "target_per_75cl"),
)
_PER_BOTTLE = (
    *("Cuvée and format", "margin_total", "of_all", "margin", "rate", "bottles", "net_price", "selling"),
    *("book_cost", "economic_cost", "margin_percent"),
)
_WHOLE = ("bottles", "margin_total", "stock", "planned", "at_least", "at_most", "allocated")
_PERCENT = (
    *(
        "margin_percent",
        "of_all",
        "rate",
        "cost_rise",
        "increase",
        "bearable_loss",
        "part",
        "share",
        "per_capital",
        "traced",
    ),
    "Share of the shelf price",
)
_FACTORS = ("equivalent", "grapes_kg", "cellar_years")
_TEXT = (
    *("release", "cuvee", "format", "channel", "state", "sold", "target", "currency", "list_currency", "element"),
    *("presentation", "step"),
)


def price_sheets(book: Results, economic: Results, replacement: Results) -> list[ResultSheet]:
    """Sheets Release prices, Price build-up, Price changes and Margins; those for which the workbook says
    something.
    """
    currency = economic.estate.settings.currency
    found = []
    tables = price_tables(book, economic, replacement)
    if len(tables["release prices"]):
        found.append(_release_prices(tables, currency))
        found += _chains(tables["cellar to shelf"], tables["shelf to cellar"])
        found.append(_changes(tables, currency))
    return found + _margins(book, economic, replacement, currency)


def result_table(
    name: str, frame: pd.DataFrame, names: Mapping[str, str], title: str = "", totals: tuple[str, ...] = ()
) -> ResultTable:
    """A frame under its headers, with the number format that each column asks for; other columns are money."""
    formats = {}
    for column in frame.columns:
        header = names.get(column, column)
        if column in _PERCENT or header in _PERCENT or str(column).startswith("at "):
            formats[header] = "percent"
        elif column in _WHOLE:
            formats[header] = "integer"
        elif column == "ready":
            formats[header] = "date"
        elif column not in _TEXT and header not in ("Cuvée and format", "Step"):
            formats[header] = "quantity" if column in _FACTORS else "money"
    shown = frame.rename(columns=names)
    return ResultTable(name, shown, formats, tuple(names.get(total, total) for total in totals), title=title)


def _release_prices(tables: Mapping[str, pd.DataFrame], currency: str) -> ResultSheet:
    scarce = {name: header for name, header in CHANGES.items() if name != "contribution"}
    return ResultSheet(
        "Release prices",
        f"Floor, cost, target and list price of every release to sell ({currency} per bottle)",
        (
            "Target: the return or margin of the Targets sheet, else the hurdle. A return counts from the first "
            "grapes to the last receipt; a margin is left after commission, selling cost and book cost.",
            "Selling cost: work at dispatch, presentation of planned dispatches, and the channel's selling cost.",
            "Floor: what is avoidable from now on; pools are spent anyway. Advised list prices are rounded up to the "
            "price step. A list price in another currency counts at its rate less the buffer.",
            NOTE,
        ),
        (
            result_table("release_prices", tables["release prices"][list(_ASKED)], PRICES),
            result_table(
                "release_prices_behind", tables["release prices"][list(_BEHIND)], PRICES, "How they came about"
            ),
            result_table(
                "release_prices_75cl",
                tables["per 75 cl"][[*_KEYS, *MONEY_PER_BOTTLE]],
                PRICES,
                "The same per 75 cl",
            ),
            result_table(
                "scarce_bottles",
                tables["scarce bottles"],
                scarce | {"contribution": "Contribution today"},
                "Scarce bottles: where they bring most, within the floors and caps of Channels for each release",
            ),
        ),
    )


def _chains(up: pd.DataFrame, down: pd.DataFrame) -> list[ResultSheet]:
    if not (up["amount"] != 0).any():  # wine that cost nothing has no chain to show
        return []
    steps_of = up[up["amount"] != 0].groupby(["cuvee", "format", "channel"], sort=False, as_index=False).size()
    longest = steps_of.sort_values("size", ascending=False, kind="stable").iloc[0]
    channel, cuvee, size = str(longest["channel"]), str(longest["cuvee"]), str(longest["format"])
    one = up[(up["channel"] == channel) & (up["cuvee"] == cuvee) & (up["format"] == size) & (up["amount"] != 0)]
    steps = pd.DataFrame(
        {
            "Step": [*one["step"], "shelf price"],
            "Base": [*np.minimum(one["running"], one["running"] - one["amount"]), 0.0],
            "Amount": [*one["amount"].abs(), one["running"].iloc[-1]],
        }
    )
    money = one["currency"].iloc[0]
    return [
        ResultSheet(
            "Price build-up",
            "From the cellar to the shelf, and back",
            (
                "Amounts are in the market's currency. Walked back from the unrounded shelf price the net price is "
                "met again; the second table starts from the rounded price that buyers see.",
                NOTE,
            ),
            (
                result_table("price_steps", steps, {"Step": "Step"}, f"{cuvee}, {size}, {channel} ({money})"),
                result_table("price_chains", up[up["amount"] != 0], UP, "From the cellar to the shelf"),
                result_table("price_chains_back", down[down["amount"] != 0], DOWN, "From the shelf back to the cellar"),
            ),
            (
                Chart(
                    "waterfall",
                    f"{cuvee}, {size}: from the cellar to the shelf, {channel}",
                    "price_steps",
                    "Step",
                    ("Base", "Amount"),
                    "Step",
                    f"{money} per bottle",
                ),
            ),
        )
    ]


def _changes(tables: Mapping[str, pd.DataFrame], currency: str) -> ResultSheet:
    parts = (
        ("price_increases", "increases", "Increase that follows the cost of making the bottle again"),
        ("cost_rises", "cost rises", "What the increase rests on: each cost element, spent and to make again"),
        ("promotions", "promotions", "More volume that a discount on the net price needs to leave the contribution"),
        ("format_parities", "formats", "Other formats against the same wine in bottles of 75 cl"),
        ("presentations", "presentations", "Gift boxes and other presentations"),
    )
    return ResultSheet(
        "Price changes",
        f"Increases, promotions, formats and presentations ({currency} per bottle)",
        (
            "Of each cuvée, format and channel the first release to sell. Costs to make again come from Price indices.",
            "A blank promotion takes the whole contribution: no volume makes up for it.",
        ),
        tuple(result_table(name, tables[key], CHANGES, title) for name, key, title in parts if len(tables[key])),
    )


def _margins(book: Results, economic: Results, replacement: Results, currency: str) -> list[ResultSheet]:
    table = margins(book, economic, replacement)
    if not len(table):
        return []
    named = (table["cuvee"] + " " + table["format"]).rename("Cuvée and format")
    shown = pd.concat([named, table], axis=1)
    yardsticks = [name for name in shown.columns if name not in _PER_BOTTLE or name == "rate"]
    by_capital = shown.sort_values("per_capital", ascending=False, ignore_index=True)
    points = pd.DataFrame({"Cuvée and format": named, MARGINS["capital"]: table["capital"]})
    for at, name in enumerate(named):  # one series a point, so that the legend names it
        points[name] = np.where(np.arange(len(named)) == at, table["margin"], np.nan)
    capital, per_bottle, a_year = MARGINS["capital"], MARGINS["margin"], MARGINS["per_capital"]
    return [
        ResultSheet(
            "Margins",
            f"Cuvées side by side: realised sales up to the valuation date ({currency})",
            (
                *reversals(table),
                "Average capital: what selling one bottle every year keeps tied up, the capital already charged "
                "included. Returns are internal rates of the dated flows, shown only where one rate answers.",
                "Kilos of grapes count wine traced to a press. At list: at the list price of the day of sale.",
            ),
            (
                result_table("margins", shown[list(_PER_BOTTLE)], MARGINS, totals=("margin_total", "bottles")),
                result_table(
                    "margins_by_capital",
                    by_capital[["Cuvée and format", *yardsticks]],
                    MARGINS,
                    "By every yardstick, the one that a unit of capital earns most with on top",
                ),
                result_table("margin_points", points, {}, "Margin per bottle by capital tied up"),
            ),
            (
                Chart(
                    "bar",
                    "Margin per bottle",
                    "margins",
                    "Cuvée and format",
                    (per_bottle,),
                    "Cuvée and format",
                    f"{currency} per bottle",
                ),
                Chart(
                    "bar",
                    "Margin a year per unit of capital",
                    "margins_by_capital",
                    "Cuvée and format",
                    (a_year,),
                    "Cuvée and format",
                    f"{currency} a year per {currency} tied up",
                    "0%",
                ),
                Chart(
                    "scatter",
                    "Margin per bottle against capital tied up",
                    "margin_points",
                    capital,
                    tuple(named),
                    f"{capital} ({currency})",
                    f"{per_bottle} ({currency})",
                ),
            ),
        )
    ]
