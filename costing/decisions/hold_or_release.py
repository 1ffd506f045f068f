"""Hold or release: every stack on lees taken alone, beside what the plan of all lots does with it.

A stack alone has the market, the cellar and the line to itself; where the plan does something else, other lots share
them. The chance that holding wins is that of the forecast (`decisions.changes.uncertain_ageing`). Arithmetic:
`decisions.plan.ageing`; tables: `decisions.plan.ageing_tables`.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.answers.answer import Answer
from costing.answers.kinds import about
from costing.decisions.changes.uncertain_ageing import holding_chances
from costing.decisions.plan.ageing_tables import ageing_findings, hold_or_release_tables
from costing.decisions.plan.views import what_the_plan_does
from costing.model import Runs
from costing.once import asked_once

CURVES = 6
"""Cuvées whose curves are drawn."""


@asked_once
def ageing(runs: Runs) -> Answer:
    """Every stack on lees taken alone: hold or release, beside what the plan of all lots does with it, its candidate
    dates, and the curves of the largest stacks.
    """
    verdicts, by_date, cautions = hold_or_release_tables(runs.economic)
    order = np.argsort(-np.nan_to_num(verdicts["gain"].to_numpy(dtype=float)), kind="stable")
    chance = verdicts["lot"].map(holding_chances(runs)).astype(float)
    verdicts = verdicts.assign(probability_holding=chance)
    tables = {"hold_or_release": verdicts.iloc[order].reset_index(drop=True)}
    if cautions is not None and not by_date["price"].isna().all():
        planned = what_the_plan_does(runs)
        tables["hold_or_release"]["plan_does"] = tables["hold_or_release"]["lot"].map(planned).fillna("")
        tables |= {**_curves(verdicts, by_date), "candidate_dates": by_date}
    findings = tuple(ageing_findings(runs.economic))
    empty = "Nothing lies on lees at the valuation date."
    says = _said(tables["hold_or_release"], runs.currency)
    return Answer(tables, findings, says, {"currency": runs.currency}, empty)


def _said(verdicts: pd.DataFrame, currency: str) -> tuple[str, ...]:
    """How many stacks are held, how many released, and where most money lies in it."""
    judged = verdicts[verdicts["gain"].notna()]
    if not len(judged):
        return ()
    held = judged[judged["verdict"].astype(str).str.startswith("hold")]
    stacks = f"{len(judged)} stacks" if len(judged) > 1 else "one stack"
    said = f"Of {stacks} on lees hold {len(held)} and release {len(judged) - len(held)} at the first date"
    if not len(held):
        return (f"{said}.",)
    most, gain = held.iloc[0], f"{about(held['gain'].sum())} {currency} more than releasing all of them then"
    return (f"{said}: {gain}, {about(most['gain'])} of it on {most['lot']} ({most['verdict']}).",)


def _curves(verdicts: pd.DataFrame, by_date: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Of the largest stack of each cuvée: what each date gains over releasing first, per bottle, the best one marked,
    and the year's return on each date.
    """
    priced = verdicts.dropna(subset=["best_release_date"]).sort_values("bottles", ascending=False, kind="stable")
    drawn = list(priced.drop_duplicates("cuvee")["lot"].astype(str).head(CURVES))
    chosen = by_date[by_date["lot"].isin(drawn)]
    if not len(chosen):
        return {}
    month = chosen["releases_on"].dt.strftime("%Y-%m")
    gain = chosen["gain"] / chosen.groupby("lot")["bottles"].transform("first")
    best = gain.groupby(chosen["lot"].astype(str)).transform("max")
    curves = chosen[["lot"]].assign(month=month, gain_per_bottle=gain, best_gain=gain.where(gain == best))
    order = curves["lot"].astype(str).map(drawn.index)
    curves = curves.iloc[np.lexsort((curves["month"], order))].dropna(subset=["gain_per_bottle"])
    returns = chosen.assign(month=month).pivot_table("year_return", "month", "lot")
    hurdle = chosen.assign(month=month).groupby("month")["hurdle"].max()
    return {
        "gain_by_date": curves.reset_index(drop=True),
        "return_by_date": returns.add_prefix("return_by_lot:").join(hurdle).rename_axis(None, axis=1).reset_index(),
    }
