"""Result sheets of prices and margins: release prices, the build-up from cellar to shelf, cuvées side by
side.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.charts import Chart
from costing.decisions.margins import MARGINS, margins
from costing.decisions.price_tables import PRICES, price_chains, release_prices
from costing.results.results import Results
from costing.workbook.write import ResultSheet, ResultTable

CHAIN = {
    "cuvee": "Cuvée",
    "format": "Format",
    "channel": "Channel",
    "step": "Step",
    "amount": "Amount",
    "running": "Running price",
    "shelf_rounded": "Shelf price, rounded",
    "back_at_cellar": "Back at the cellar",
}
NOTE = (
    "Rates, excise and margins are yours and dated; excise and labelling follow local rules, to be confirmed with a "
    "licensed professional."
)


def price_sheets(book: Results, economic: Results, replacement: Results) -> list[ResultSheet]:
    """Sheets Release prices, Price build-up and Margins; those for which the workbook says something."""
    currency = economic.estate.settings.currency
    found = []
    prices = release_prices(book, economic, replacement)
    if len(prices):
        formats = dict.fromkeys(("Floor", "Book cost", "Economic cost", "Replacement cost"), "money")
        formats |= dict.fromkeys(
            (
                *("Target price, net", "Advised list price", "List price in force", "Net price at list"),
                *("Margin per bottle", "List over advised", "Target price per 75 cl"),
            ),
            "money",
        )
        found.append(
            ResultSheet(
                "Release prices",
                f"Floor, cost, target and list price of every release to sell ({currency} per bottle)",
                (
                    "Target: the return or margin of the Targets sheet, else the hurdle; advised list prices are "
                    "rounded up to the price step.",
                    NOTE,
                ),
                (
                    ResultTable(
                        "release_prices",
                        prices.rename(columns=PRICES),
                        {**formats, "Bottles to sell": "integer", "Margin": "percent"},
                    ),
                ),
            )
        )
        found += _chains(economic, prices)
    return found + _margins(book, economic, currency)


def _chains(economic: Results, prices: pd.DataFrame) -> list[ResultSheet]:
    chains = price_chains(economic.estate, prices, economic.chain.valuation_day)
    if not len(chains):
        return []
    longest = chains[chains["amount"].abs() > 0].groupby(["channel", "cuvee", "format"]).size()
    channel, cuvee, size = longest.sort_values(kind="stable").index[-1]
    one = chains[(chains["channel"] == channel) & (chains["cuvee"] == cuvee) & (chains["format"] == size)]
    one = one[one["amount"] != 0]
    steps = pd.DataFrame(
        {
            "Step": one["step"],
            "Base": np.minimum(one["running"], one["running"] - one["amount"]),
            "Amount": one["amount"].abs(),
        }
    )
    money = dict.fromkeys(("Amount", "Running price", "Shelf price, rounded", "Back at the cellar"), "money")
    return [
        ResultSheet(
            "Price build-up",
            "From the cellar to the shelf, and back",
            ("Amounts are in the market's currency; 'Back at the cellar' walks from the unrounded shelf price.", NOTE),
            (
                ResultTable(
                    "price_steps",
                    steps,
                    {"Base": "money", "Amount": "money"},
                    title=f"{cuvee}, {size}, {channel}",
                ),
                ResultTable("price_chains", chains.rename(columns=CHAIN), money, title="Every cuvée and channel"),
            ),
            (
                Chart(
                    "waterfall",
                    f"{cuvee}, {size}: from the cellar to the shelf, {channel}",
                    "price_steps",
                    "Step",
                    ("Base", "Amount"),
                    "Step",
                    "Market currency per bottle",
                ),
            ),
        )
    ]


def _margins(book: Results, economic: Results, currency: str) -> list[ResultSheet]:
    table = margins(book, economic)
    if not len(table):
        return []
    shown = table.rename(columns=MARGINS)
    shown.insert(0, "Cuvée and format", table["cuvee"] + " " + table["format"])
    percent = dict.fromkeys(("Margin", "Margin a year per unit of capital", "Return a year"), "percent")
    whole = dict.fromkeys(("Bottles sold", "Rank per bottle", "Rank by return"), "integer")
    money = {
        name: "money"
        for name in shown.columns
        if name not in percent and name not in whole and name not in ("Cuvée and format", "Cuvée", "Format")
    }
    return [
        ResultSheet(
            "Margins",
            f"Cuvées side by side: realised sales up to the valuation date ({currency})",
            (
                "What looks best per bottle may earn least on the money tied up: compare the two ranks. Returns are "
                "internal rates of the dated flows, shown only where one rate answers.",
            ),
            (ResultTable("margins", shown, {**percent, **whole, **money}, ("Bottles sold",)),),
            (
                Chart(
                    "bar",
                    "Margin per bottle",
                    "margins",
                    "Cuvée and format",
                    ("Margin per bottle",),
                    "Cuvée and format",
                    f"{currency} per bottle",
                ),
                Chart(
                    "scatter",
                    "Margin per bottle against capital tied up",
                    "margins",
                    "Average capital per bottle",
                    ("Margin per bottle",),
                    f"Average capital per bottle ({currency})",
                    f"Margin per bottle ({currency})",
                ),
            ),
        )
    ]
