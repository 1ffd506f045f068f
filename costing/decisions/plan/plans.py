"""Plans to compare with the best one: the workbook's own dates, oldest first at the usual age, each stack alone, a plan
of one's own.

A plan fixes what is put to disgorging, as far as the bottles are there; its sales are then the best ones.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from costing.array_types import Flags, Floats
from costing.calendar import DAYS_A_MONTH
from costing.decisions.plan.ageing_tables import hold_or_release_tables
from costing.decisions.plan.campaigns import whole_campaigns
from costing.decisions.plan.facts import Facts
from costing.decisions.plan.from_estate import PlanInputs
from costing.decisions.plan.planning import Plan, Search, value_of
from costing.graph.arrays import days
from costing.model import Runs
from costing.results.costs import releases

BEST, TYPED, OLDEST, ALONE, OWN = (
    "best for all lots together",
    "dates of the workbook",
    "oldest first, at the usual age",
    "each stack alone",
    "your own",
)
QUARTER_DAYS = 92


@dataclass(frozen=True, eq=False)
class Compared:
    """A plan by name, and its value on the first date."""

    name: str
    plan: Plan
    value: float


def plans_to_compare(runs: Runs, inputs: PlanInputs, best: Plan, own: pd.DataFrame | None = None) -> list[Compared]:
    """The best plan and the others, in the order in which they are shown. own: lot, date, bottles of one's own plan."""
    facts = inputs.facts
    plans = [Compared(BEST, best, value_of(facts, best))]
    for name, bottles in wanted_plans(runs, inputs, own).items():
        given = as_far_as_there(facts, bottles)
        in_campaigns = facts.campaigns is not None and np.isnan(given).any()  # else every campaign stands fixed
        search = whole_campaigns(facts, given).search if in_campaigns else Search(facts, given)
        plan = search.plan()
        plans.append(Compared(name, plan, value_of(facts, plan)))
    return plans


def wanted_plans(runs: Runs, inputs: PlanInputs, own: pd.DataFrame | None = None) -> dict[str, Floats]:
    """Bottles that each plan other than the best wants put to disgorging, by its name [S, T]."""
    wanted: dict[str, Floats] = {}
    typed = runs.estate["disgorgements"]
    ahead = typed[days(typed["on_date"]) > runs.today]
    if len(ahead):
        rows = pd.DataFrame({"lot": ahead["from_lot"], "day": days(ahead["on_date"]), "bottles": ahead["bottles_in"]})
        wanted[TYPED] = _by_lot(inputs, rows)
    wanted[OLDEST] = _at_usual_age(runs, inputs)
    wanted[ALONE] = _alone(runs, inputs)
    if own is not None:
        named = inputs.lots["lot"].isin(own["lot"].astype(str)).to_numpy()
        wanted[OWN] = np.where(named[:, np.newaxis], _by_lot(inputs, own), np.nan)  # the others stay free
    return wanted


def near_steps(facts: Facts) -> Flags:
    """Steps of this quarter [T]."""
    return np.asarray(facts.dates.day[:-1] < facts.dates.day[0] + QUARTER_DAYS)


def as_far_as_there(facts: Facts, wanted: Floats) -> Floats:
    """Bottles put to disgorging as wanted, no more than have survived [S, T]; NaN stays free."""
    stacks = facts.stacks
    left = np.where(stacks.finished, 0.0, np.where(stacks.arrives == 0, stacks.bottles, 0.0))
    given = np.array(wanted, dtype=float)
    for step in range(given.shape[1]):
        if step:
            arrives = ~stacks.finished & (stacks.arrives == step)
            left = left * stacks.survival[:, step - 1] + np.where(arrives, stacks.bottles, 0.0)
        given[:, step] = np.where(np.isnan(given[:, step]), np.nan, np.minimum(given[:, step], left))
        left = left - np.nan_to_num(given[:, step])
    return given


def _by_lot(inputs: PlanInputs, rows: pd.DataFrame) -> Floats:
    """Rows of lot, day and bottles as bottles by lot and date; nothing else is disgorged."""
    wanted = np.zeros_like(inputs.facts.stacks.price)
    lot = pd.Index(inputs.lots["lot"]).get_indexer(pd.Index(rows["lot"].astype(str)))
    step = np.searchsorted(inputs.facts.dates.day[:-1], rows["day"].to_numpy(), side="right") - 1
    known = (lot >= 0) & (step >= 0)
    np.add.at(wanted, (lot[known], step[known]), rows["bottles"].to_numpy(dtype=float)[known])
    return wanted


def _whole_lots(inputs: PlanInputs, step_of: Mapping[int, int]) -> Floats:
    """All bottles of each lot on its date, none of the lots without one."""
    wanted = np.zeros_like(inputs.facts.stacks.price)
    for lot, step in step_of.items():
        wanted[lot, step] = np.inf
    return wanted


def _at_usual_age(runs: Runs, inputs: PlanInputs) -> Floats:
    """Each lot on the first date on which it may go and is as old as the latest releases of its cuvée and format."""
    made = releases(runs.economic)
    made = made[~made["planned"]].drop_duplicates(["cuvee", "format"], keep="last")
    usual = {
        (str(cuvee), str(size)): float(months)
        for cuvee, size, months in zip(made["cuvee"], made["format"], made["months_on_lees"], strict=True)
    }
    steps: dict[int, int] = {}
    day = inputs.facts.dates.day[:-1]
    lots = inputs.lots
    tirage = lots["tirage_day"].to_numpy(dtype=np.int64)
    for row, key in enumerate(zip(lots["cuvee"].astype(str), lots["format"].astype(str), strict=True)):
        old_enough = (day - tirage[row]) / DAYS_A_MONTH >= usual.get(key, 0.0)
        ready = np.flatnonzero(inputs.facts.stacks.may[row] & old_enough)
        if len(ready):
            steps[row] = int(ready[0])
    return _whole_lots(inputs, steps)


def _alone(runs: Runs, inputs: PlanInputs) -> Floats:
    """Each stack on lees on the date that its own verdict names; tirages to come as soon as they may."""
    verdicts, _, _ = hold_or_release_tables(runs.economic)
    best = dict(zip(verdicts["lot"].astype(str), days(verdicts["best_release_date"]), strict=True))
    steps: dict[int, int] = {}
    day = inputs.facts.dates.day[:-1]
    for row, name in enumerate(inputs.lots["lot"]):
        ready = np.flatnonzero(inputs.facts.stacks.may[row])
        named = best.get(str(name))
        if named is not None and named >= day[0]:
            steps[row] = int(np.searchsorted(day, named, side="right") - 1)
        elif len(ready):
            steps[row] = int(ready[0])
    return _whole_lots(inputs, steps)
