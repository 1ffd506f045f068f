"""Margins as an answer: what was sold, cuvée by cuvée, channel by channel, year by year, and by every yardstick.

A bottle that leaves most can be the worst use of money: the sentences say where. Arithmetic:
`decisions.prices.realised`.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.answers.answer import Answer
from costing.answers.kinds import about
from costing.decisions.prices.realised import margins_by, margins_by_cuvee
from costing.graph.arrays import days
from costing.model import Runs
from costing.once import asked_once

YARDSTICKS = (
    *("cuvee_format", "margin_per_capital", "average_capital_per_bottle", "return_a_year", "margin_after_capital"),
    *("margin_per_bottle_year", "contribution_per_bottle_year", "years_to_sale", "contribution_per_bottle"),
    *("margin_per_kilo", "margin_per_litre", "grapes_kg", "wine_traced", "margin_at_list", "net_receipt_at_list"),
    "replacement_per_bottle",
)
_SHOWN_TWICE = ("cuvee_format", "return_a_year")


@asked_once
def margins(runs: Runs) -> Answer:
    """Realised margins by cuvée and format, channel and year, and what each earns on the capital that it ties up."""
    empty = "No priced sales up to the valuation date."
    facts = runs.facts
    table = margins_by_cuvee(runs)
    if not len(table):
        return Answer({"margins": table}, (), (), facts, empty)
    table = table.assign(cuvee_format=table["cuvee"] + " " + table["format"])
    by_capital = table.sort_values("margin_per_capital", ascending=False, ignore_index=True, kind="stable")
    order = list(table["cuvee_format"])
    tables = {
        "margins": table.drop(columns=[name for name in YARDSTICKS if name not in _SHOWN_TWICE]),
        "margins_by_channel": margins_by(runs, ("channel",)).sort_values(
            "margin_total", ascending=False, ignore_index=True
        ),
        "margins_by_year": margins_by(runs, ("year",)),
        "margin_by_cuvee_and_channel": _side_by_side(runs, "channel", order),
        "margin_by_cuvee_and_year": _side_by_side(runs, "year", order),
        "margins_by_capital": by_capital[list(YARDSTICKS)],
    }
    return Answer(tables, says=(_best(table, runs), *reversals(table)), facts=facts, empty=empty)


def _side_by_side(runs: Runs, by: str, order: list[str]) -> pd.DataFrame:
    """Margin in money of each cuvée and format, a column for each channel or year."""
    frame = margins_by(runs, ("cuvee", "format", by))
    named = frame.assign(cuvee_format=frame["cuvee"] + " " + frame["format"])
    wide = named.pivot_table("margin_total", "cuvee_format", by, aggfunc="sum").reindex(order)
    return wide.add_prefix(f"margin_in_{by}:").rename_axis(None, axis=1).reset_index()


def _best(table: pd.DataFrame, runs: Runs) -> str:
    """What was earned in all, by whom most, and what a bottle of 75 cl leaves on average."""
    whole, first = table["margin_total"].sum(), table.iloc[0]
    since = int(days(runs.estate["dispatches"]["on_date"]).min())
    share = f"; {first['cuvee_format']} brings {first['share_of_margin']:.0%} of it" if whole > 0 else ""
    each = whole / table["bottles_sold_75cl"].sum()
    return (
        f"Sales since {np.datetime64(since, 'D')} left {about(whole)} {runs.currency} after book cost, "
        f"{each:,.2f} per 75 cl{share}."
    )


def reversals(table: pd.DataFrame) -> list[str]:
    """Sentences on cuvées that are first of their format per bottle and last per unit of capital, with the reason."""
    sentences = []
    for size in dict.fromkeys(table["format"]):
        rows = table[(table["format"] == size) & table["margin_per_capital"].notna()]
        by_bottle = rows.sort_values("margin_per_bottle", ascending=False).to_dict("records")
        by_capital = rows.sort_values("margin_per_capital", ascending=False).to_dict("records")
        if len(rows) < 2 or by_bottle[0]["cuvee"] != by_capital[-1]["cuvee"]:
            continue
        best, top = by_bottle[0], by_capital[0]
        sentences.append(
            f"{best['cuvee']} ({size}) looks best per bottle ({best['margin_per_bottle']:,.2f}) and is worst per unit "
            f"of capital among its format: sold {best['years_to_sale']:.1f} years after tirage, one bottle a year "
            f"keeps {best['average_capital_per_bottle']:,.0f} tied up and earns {best['margin_per_capital']:.1%} "
            f"a year on it; {top['cuvee']} earns {top['margin_per_bottle']:,.2f} on "
            f"{top['average_capital_per_bottle']:,.0f}, {top['margin_per_capital']:.1%} a year."
        )
    return sentences
