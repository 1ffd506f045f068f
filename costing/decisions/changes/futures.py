"""Named futures: the plan of all lots under every scenario, side by side.

    regret of a plan in a future = value of the best plan there − value of this plan there

A plan is kept in a future in one of two ways: `this quarter`, where only what it disgorges this quarter stands and all
that follows is decided anew once the future is known; `throughout`, where all its disgorgements stand. Sales are the
best ones in either case. What this quarter's decisions have in common is, lot by lot, what every future disgorges.

Conventions: futures are the records and the scenarios of the workbook; a scenario that moves nothing in the plan
is named and left out. A plan holds as far as the bottles of a future go. A regret below zero comes of a limit that the
plan breaks and the best one keeps: bottles beyond limits stand beside it.

What it does not do: give futures a chance of coming true, or make a plan for all of them at once: re-solved each
quarter, that is worth next to nothing.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from costing.answers.answer import Answer
from costing.answers.kinds import about
from costing.array_types import Floats
from costing.decisions.changes.changes import apply_changes
from costing.decisions.changes.reruns import rerun
from costing.decisions.changes.scenarios import RECORDS, scenario_changes
from costing.decisions.plan.facts import Facts
from costing.decisions.plan.from_estate import PlanInputs, plan_inputs
from costing.decisions.plan.planning import Plan, Search, value_of
from costing.decisions.plan.plans import BEST, as_far_as_there, near_steps, wanted_plans
from costing.errors import Finding, InputError
from costing.model import Runs
from costing.once import asked_once

QUARTER, THROUGHOUT = "this quarter", "throughout"
_SOME = 0.5
_SAME_BOTTLES = 6  # digits after the point to which two plans put the same bottles to disgorging


@dataclass(frozen=True, eq=False)
class Future:
    """A future by name: facts of its plan, the search for the best plan there, that plan and its value."""

    name: str
    inputs: PlanInputs
    search: Search
    plan: Plan
    value: float


@asked_once
def futures(runs: Runs, without: Collection[str] = (), own: pd.DataFrame | None = None) -> Answer:
    """What this quarter's decisions have in common over all futures, and the regret of every plan in each.

    without: kinds of limit left out; own: lot, day and bottles of a plan to compare.
    """
    plans_of_futures, findings, same = _futures(runs, without)
    facts = {"currency": runs.currency}
    if len(plans_of_futures) < 2:
        empty = "No scenario changes anything in the plan: enter some on Scenarios (Price by age, Tirage, Limits)."
        return Answer({"futures_quarter": pd.DataFrame(columns=["lot"])}, tuple(findings), (), facts, empty)
    common, regrets = _this_quarter(plans_of_futures), _regrets(runs, plans_of_futures, own)
    tables = {"futures_quarter": common, "futures_regret": regrets}
    return Answer(tables, tuple(findings), tuple(_says(plans_of_futures, common, regrets, same)), facts)


def _futures(runs: Runs, without: Collection[str]) -> tuple[list[Future], list[Finding], list[str]]:
    """The records and every scenario that can be run, findings, and the names of those that move nothing."""
    estate = runs.estate
    changes, findings = scenario_changes(estate)
    recorded = plan_inputs(runs, without)
    if not len(recorded.lots):
        return [], findings, []
    futures, same = [_future(RECORDS, recorded)], []
    for name, asked in changes.items():
        try:
            inputs = plan_inputs(rerun(runs, apply_changes(estate, asked))[0], without)
        except InputError as fault:
            row = int(np.flatnonzero((estate["scenarios"]["scenario"] == name).to_numpy())[0])
            first = next(str(finding) for finding in fault.findings if finding.severity == "error")
            rule = f"leads to records that make no sense: {first}"
            findings.append(Finding(estate.place("scenarios", row, "scenario"), name, rule, "Change less."))
            continue
        if _equal(inputs.facts, recorded.facts):
            same.append(name)
        else:
            futures.append(_future(name, inputs))
    return futures, findings, same


def _future(name: str, inputs: PlanInputs) -> Future:
    search = Search(inputs.facts)
    plan = search.plan()
    return Future(name, inputs, search, plan, value_of(inputs.facts, plan))


def _equal(left: Facts, right: Facts) -> bool:
    """Whether two plans are made from the same figures."""
    parts = ((getattr(left, name), getattr(right, name)) for name in ("dates", "stacks", "markets", "limits"))
    return all(
        np.shape(value) == np.shape(other) and np.array_equal(value, other, equal_nan=True)
        for part, theirs in parts
        for value, other in zip(vars(part).values(), vars(theirs).values(), strict=True)
    )


def _this_quarter(futures: list[Future]) -> pd.DataFrame:
    """Bottles that each future disgorges of each lot this quarter, and what is common to all."""
    columns = {}
    for future in futures:
        amount = future.plan.disgorged[:, near_steps(future.inputs.facts)].sum(axis=1)
        columns[future.name] = pd.Series(amount, index=future.inputs.lots["lot"])
    frame = pd.DataFrame(columns).fillna(0.0).rename_axis("lot")
    frame = frame[(frame > _SOME).any(axis=1)]
    least, most = frame.min(axis=1), frame.max(axis=1)
    words = [_word(low, high) for low, high in zip(least, most, strict=True)]
    table = frame.add_prefix("disgorged_in:").reset_index()
    table = table.assign(whatever_comes=words, bottles_common=least.to_numpy())
    order = np.lexsort((-most.to_numpy(), -least.to_numpy()))
    return table.iloc[order].reset_index(drop=True)


def _word(least: float, most: float) -> str:
    if most - least <= max(_SOME, 0.005 * most):
        return f"disgorge {most:,.0f}"
    return f"disgorge {least:,.0f} to {most:,.0f}" if least > _SOME else f"none or up to {most:,.0f}"


def _regrets(runs: Runs, futures: list[Future], own: pd.DataFrame | None) -> pd.DataFrame:
    """Every plan in every future: the best of each future kept this quarter or throughout, and the plans that are
    compared with the best one, throughout.
    """
    recorded = futures[0]
    plans: list[tuple[str, str, PlanInputs, Floats]] = []
    for future in futures:
        name = BEST if future is recorded else f"best if: {future.name}"
        near = np.where(near_steps(future.inputs.facts), future.plan.disgorged, np.nan)
        plans += [(name, QUARTER, future.inputs, near), (name, THROUGHOUT, future.inputs, future.plan.disgorged)]
    for name, wanted in wanted_plans(runs, recorded.inputs, own).items():
        plans.append((name, THROUGHOUT, recorded.inputs, as_far_as_there(recorded.inputs.facts, wanted)))
    rows = []
    known: dict[tuple[str, bytes], tuple[float, float]] = {}  # plans of some futures do the same
    for name, kept, inputs, wanted in plans:
        regret, beyond = {}, 0.0
        for future in futures:
            there = _there(future, inputs, wanted)
            key = future.name, there.round(_SAME_BOTTLES).tobytes()
            known[key] = lost, over = known.get(key) or _regret(future, there)
            regret[f"regret:{future.name}"] = lost
            beyond = max(beyond, over)
        rows.append(
            {"plan": name, "plan_kept": kept, "worst_regret": max(regret.values()), **regret, "beyond_limits": beyond}
        )
    table = pd.DataFrame(rows)
    return table.sort_values(["plan_kept", "worst_regret"], kind="stable", ascending=[True, True], ignore_index=True)


def _there(future: Future, inputs: PlanInputs, wanted: Floats) -> Floats:
    """What a plan disgorges of the lots of a future [S, T]; NaN: as it pleases."""
    facts = future.inputs.facts
    mapped = np.full_like(facts.stacks.price, np.nan)
    row = pd.Index(inputs.lots["lot"]).get_indexer(pd.Index(future.inputs.lots["lot"]))
    mapped[row >= 0] = wanted[row[row >= 0]]
    return as_far_as_there(facts, mapped)


def _regret(future: Future, disgorged: Floats) -> tuple[float, float]:
    """What a plan loses in a future, and by how many bottles it breaks limits that the best plan there keeps."""
    facts = future.inputs.facts
    plan = Search(facts, disgorged, start=future.search).plan()
    over = _beyond(plan) - _beyond(future.plan)
    return future.value - value_of(facts, plan), max(over, 0.0)


def _beyond(plan: Plan) -> float:
    return float(plan.over_places.sum() + plan.over_line.sum() + plan.short_supply.sum())


def _says(futures: list[Future], common: pd.DataFrame, regrets: pd.DataFrame, same: list[str]) -> list[str]:
    values: Mapping[str, float] = {future.name: future.value for future in futures}
    low, high = min(values, key=values.__getitem__), max(values, key=values.__getitem__)
    sentences = [
        f"Over {len(futures)} futures the plan is worth {about(values[low])} ({low}) to {about(values[high])} ({high})."
    ]
    shared, most = common["bottles_common"].sum(), common.filter(like="disgorged_in:").max(axis=1).sum()
    sentences.append(f"{shared:,.0f} bottles are disgorged this quarter in all of them, {most:,.0f} in one or another.")
    now = regrets[regrets["plan_kept"] == QUARTER].iloc[0]
    lost = about(max(now["worst_regret"], 0.0))
    sentences.append(f"Disgorging this quarter as '{now['plan']}' and deciding anew later loses {lost} at the worst.")
    gains = regrets[(regrets.filter(like="regret:") < -_SOME).any(axis=1)]
    if len(gains):
        worst = gains.sort_values("beyond_limits").iloc[-1]
        broken = f"'{worst['plan']}' most, by {worst['beyond_limits']:,.0f} bottles or places"
        sentences.append(
            f"A loss below 0 is no gain: that plan breaks limits or promises that the best one keeps; {broken}."
        )
    if same:
        sentences.append(f"Nothing in the plan changes with: {', '.join(same)}.")
    return sentences
