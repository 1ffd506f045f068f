"""Scenarios: named changes to the estate, run again, side by side.

    change per bottle = cost under the scenario − cost of the records, release by release

The rows of one scenario are applied in their order, then the later rows of the cellar follow
(`decisions.changes.replay`), then everything is run again through the ordinary path. The last run, a budget and a
standard are scenarios too: `side_by_side` takes any results by name, matched by release.

What it does not do: say why a figure moved (`decisions.changes.why`) or how likely a scenario is
(`decisions.changes.uncertainty`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from costing.answers import catalogue
from costing.answers.answer import Answer
from costing.answers.kinds import about
from costing.decisions.changes.changes import Change, apply_changes, read_change
from costing.decisions.changes.reruns import rerun
from costing.errors import Finding, InputError, caution, errors_in
from costing.inputs.basis import ECONOMIC, Basis
from costing.inputs.estate import Estate
from costing.model import Runs
from costing.once import asked_once
from costing.results.costs import by_cuvee, cost_per_bottle
from costing.results.results import Results
from costing.results.stock import stock_values

RECORDS = catalogue.column("recorded_total").header
_KEYS = ["release", "cuvee", "format", "disgorged", "planned", "bottles"]


def scenario_changes(estate: Estate) -> tuple[dict[str, list[Change]], list[Finding]]:
    """Changes of every scenario of the Scenarios sheet, in their order, and what is wrong with its rows."""
    by_scenario: dict[str, list[Change]] = {}
    findings: list[Finding] = []
    for row, name in enumerate(estate["scenarios"]["scenario"]):
        change, wrong = read_change(estate, row)
        findings += wrong
        if change is not None:
            by_scenario.setdefault(str(name), []).append(change)
    return by_scenario, findings


def run_scenarios(runs: Runs, basis: Basis = ECONOMIC) -> tuple[dict[str, Results], list[Finding]]:
    """Results of every scenario of the sheet; findings on rows that name nothing, scenarios that can't be run
    (errors), and rows that had to be scaled (cautions).
    """
    estate = runs.estate
    scenarios, findings = scenario_changes(estate)
    spoilt = {estate["scenarios"]["scenario"].iloc[row] for row in _rows_at_fault(estate, errors_in(findings))}
    results: dict[str, Results] = {}
    for name, changes in scenarios.items():
        if name in spoilt:
            continue
        row = int(np.flatnonzero((estate["scenarios"]["scenario"] == name).to_numpy())[0])
        place = estate.place("scenarios", row, "scenario")
        try:
            changed, short = rerun(runs, apply_changes(estate, changes))
            results[name] = changed.on(basis)
        except InputError as wrong:
            first = next(str(finding) for finding in wrong.findings if finding.severity == "error")
            findings.append(Finding(place, name, f"leads to records that make no sense: {first}", "Change less."))
            continue
        if short:
            rows = "1 later row: it takes" if short == 1 else f"{short:,} later rows: they take"
            rule = f"leaves too little for {rows} what is there."
            findings.append(caution(place, name, rule, "Read its quantities of bottles beside its costs."))
    return results, findings


def _rows_at_fault(estate: Estate, findings: list[Finding]) -> list[int]:
    places = {finding.place for finding in findings}
    columns = estate["scenarios"].columns
    rows = range(len(estate["scenarios"]))
    return [row for row in rows if any(estate.place("scenarios", row, column) in places for column in columns)]


def side_by_side(results: Mapping[str, Results]) -> pd.DataFrame:
    """Cost per bottle of every release under each of the results, and its change against the first.

    Columns: release, cuvee, format, disgorged, planned, bottles (of the first that has the release),
    recorded_per_bottle for the first, then `scenario:` and `change:` with each other name. NaN where a release is not
    in a result.
    """
    frames = {name: cost_per_bottle(result).astype({"release": str}) for name, result in results.items()}
    costs = {name: frame.set_index("release")["per_bottle"] for name, frame in frames.items()}
    all_releases = pd.concat([frame[_KEYS] for frame in frames.values()])
    table = all_releases.drop_duplicates("release", ignore_index=True)
    base, *others = costs
    table["recorded_per_bottle"] = table["release"].map(costs[base])
    for name in others:
        table[f"scenario:{name}"] = table["release"].map(costs[name])
    for name in others:
        table[f"change:{name}"] = table[f"scenario:{name}"] - table["recorded_per_bottle"]
    return table


def stock_side_by_side(results: Mapping[str, Results]) -> pd.DataFrame:
    """Value of stock at the valuation date by kind of goods: recorded_total for the first of the results, then
    `scenario_total:` with each other name.
    """
    base = next(iter(results))
    parts = {
        "recorded_total" if name == base else f"scenario_total:{name}": stock_values(result)
        .groupby("kind")["value"]
        .sum()
        for name, result in results.items()
    }
    table = pd.DataFrame(parts).fillna(0.0)
    return table.rename_axis("kind").reset_index()


@asked_once
def scenarios_answer(runs: Runs, others: Mapping[str, Runs] | None = None) -> Answer:
    """All scenarios beside the records: the latest release made of each cuvée and format and every planned one, the
    change of the latest of each cuvée in bottles, and stock.

    others: whole estates run by themselves (a budget, the last run), by name.
    """
    results, findings = run_scenarios(runs)
    return _beside(runs, {**results, **{name: other.economic for name, other in (others or {}).items()}}, findings)


def estates_compared(runs: Runs, others: Mapping[str, Runs]) -> Answer:
    """Whole estates beside this one, by name: cost per bottle and stock."""
    return _beside(runs, {name: other.economic for name, other in others.items()}, [])


def _beside(runs: Runs, results: Mapping[str, Results], findings: Sequence[Finding]) -> Answer:
    all_results = {RECORDS: runs.economic, **results}
    facts, empty = {"currency": runs.currency}, "The Scenarios sheet is empty."
    if len(all_results) == 1:
        return Answer({"scenarios_per_bottle": pd.DataFrame(columns=_KEYS)}, tuple(findings), (), facts, empty)
    table = side_by_side(all_results)
    made = by_cuvee(runs.economic)["release"].astype(str)
    table = table[table["planned"].astype(bool) | table["release"].isin(set(made))].reset_index(drop=True)
    latest = table[~table["planned"].astype(bool) & (table["format"].astype(str) == "bottle")]
    changes = ["cuvee", *(column for column in table.columns if column.startswith("change:"))]
    tables = {"scenarios_per_bottle": table, "scenario_changes_latest": latest[changes].reset_index(drop=True)}
    empty = "No release to compare: none is disgorged or planned. Stock stands beside it."
    stock = stock_side_by_side(all_results)
    says = _moved_most(tables["scenario_changes_latest"], stock, runs.currency)
    says += () if findings else ("Each scenario is the whole estate run again; later rows follow.",)
    return Answer({**tables, "scenarios_stock": stock}, tuple(findings), says, facts, empty)


def _moved_most(latest: pd.DataFrame, stock: pd.DataFrame, currency: str) -> tuple[str, ...]:
    """Which scenario moves stock most, and which the latest release of a cuvée; those that move nothing aside."""
    total = stock.set_index("kind").sum()
    moves = (total.iloc[1:] - total.iloc[0]).rename(lambda column: str(column).partition(":")[2])
    says = []
    if len(moves) and moves.abs().max() >= 1.0:
        name = moves.abs().idxmax()
        says.append(f"Stock moves most under {name}: {'+' if moves[name] > 0 else ''}{about(moves[name])} {currency}.")
    bottles = latest.set_index("cuvee").to_numpy(dtype=float)
    if bottles.size and (known := np.nan_to_num(bottles)).any():
        row, column = np.unravel_index(np.abs(known).argmax(), known.shape)
        scenario, amount = str(latest.columns[1 + column]).partition(":")[2], known[row, column]
        says.append(f"A bottle moves most under {scenario}: {amount:+.2f} {currency} on {latest['cuvee'].iloc[row]}.")
    return tuple(says)
