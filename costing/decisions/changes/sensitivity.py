"""What moves the cost of a bottle: its derivative by every figure of the workbook that it depends on, ranked.

    change per unit = dc/dθ      change per 1 % = dc/dθ · θ/100

Exact, from one backward solve: prices, amounts, rates, interest and what a press load is split by
(`decisions.changes.gradients`); quantities, norms and normal capacities, in which the later rows follow
(`decisions.changes.quantity_gradients`). Nothing is claimed at a kink, where one unit more and one unit less are not
opposites. In the tornado the figures that move wine are run again 1 % lower and 1 % higher, and labelled so: a whole
column moves there, kinks and all.

What it does not do: say how likely a change is (`decisions.changes.uncertainty`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from costing.answers.answer import Answer
from costing.array_types import Flags, Floats, Ints
from costing.decisions.changes.changes import Change, ChangedCells, apply_changes, outside_bounds
from costing.decisions.changes.figures import costed_figure, release_named
from costing.decisions.changes.gradients import Gradients, Reached, gradients
from costing.decisions.changes.quantity_gradients import quantity_gradients
from costing.decisions.changes.reruns import rerun
from costing.errors import InputError
from costing.inputs.estate import text_of
from costing.inputs.schema import Column, sheets
from costing.model import Runs
from costing.once import asked_once
from costing.results.costs import releases
from costing.results.origins import release_states
from costing.results.results import Results

EXACT, DIFFERENCE = "exact", "recalculated"
CELL_COLUMNS = ["place", "sheet", "sheet_column", "what", "value", "change_per_unit", "change_per_percent"]
FIGURE_COLUMNS = ["figure", "percent_less", "percent_more", "method"]
CELLS_SHOWN, FIGURES_SHOWN = 20, 12
MOVES_WINE = (
    ("deliveries", "quantity"),
    ("pressings", "volume_l"),
    ("movements", "in_l"),
    ("tirage", "bottles"),
    ("disgorgements", "bottles_out"),
    ("loss_norms", "percent"),
)
"""Columns of the tornado that are run again."""

_KINDS = {
    "operation_rates": "element",
    "pools": "pool",
    "costs": "element",
    "opening_costs": "element",
    "dry_goods": "item",
    "pressings": "fraction",
    "market_values": "what",
}
"""Column that tells the figures of a sheet apart in the tornado."""

_ROWS = {
    "opening_stock": "lot",
    "grape_prices": "variety",
    "deliveries": "variety",
    "movements": "operation",
    "stocktakes": "lot",
    "tirage": "to_lot",
    "disgorgements": "release_lot",
    "dispatches": "release_lot",
    "loss_norms": "applies_to",
    **_KINDS,
}
"""Column that says what a cell is about."""


@asked_once
def sensitivity(runs: Runs, release: str | None = None) -> Answer:
    """What moves the cost of a bottle: 1 % less and 1 % more of each figure, and the most telling cells.

    release: a release lot, or a cuvée for its latest release in bottles of 75 cl; by default the latest release of
    every cuvée in such bottles. CostingError where there is none of that name.
    """
    names = [release] if release else _latest_in_bottles(runs.economic)
    derivatives = derivatives_of(runs.economic, names)
    figures, cells = tornados(derivatives, FIGURES_SHOWN), cell_tables(derivatives)
    lots = dict(zip(derivatives.names, derivatives.lots, strict=True))
    parts = [table.assign(release=lots[name]) for name, table in figures.items()]
    rows = [table.head(CELLS_SHOWN).assign(release=lots[name]) for name, table in cells.items()]
    tables = {
        "tornado": pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=FIGURE_COLUMNS),
        "cells_that_move_most": pd.concat(rows, ignore_index=True) if rows else pd.DataFrame(columns=CELL_COLUMNS),
    }
    says = (
        *_said(tables["tornado"], runs.currency),
        "Exact: computed in one step; a quantity changes together with the later rows that follow it. Recalculated: "
        "the estate run again with 1 % less and 1 % more of every row.",
    )
    return Answer(tables, says=says, facts={"currency": runs.currency}, empty="No figure moves this cost.")


def _said(tornado: pd.DataFrame, currency: str) -> Iterator[str]:
    """Of each release the two figures that move it most."""
    for release, rows in tornado.groupby("release", sort=False) if len(tornado) else ():
        moves = rows[["percent_less", "percent_more"]].abs().max(axis=1)
        (first, most), *others = zip(rows["figure"], moves, strict=True)
        then = "".join(f", then '{figure}' ({less:,.2f})" for figure, less in others[:1])
        yield f"A bottle of {release} moves most with '{first}': {most:,.2f} {currency} for 1 % of it{then}."


def _latest_in_bottles(results: Results) -> list[str]:
    """Latest release made of every cuvée in bottles of 75 cl."""
    frame = releases(results)
    frame = frame[~frame["planned"] & (frame["format"].astype(str) == "bottle")]
    return list(frame.drop_duplicates("cuvee", keep="last")["release"].astype(str))


@dataclass(frozen=True, eq=False)
class Derivatives:
    """Derivatives of the cost per bottle of releases by every cell: money's, and those of what moves wine; names: as
    the releases were asked for.
    """

    results: Results
    names: tuple[str, ...]
    lots: tuple[str, ...]
    money: Gradients
    quantities: Gradients


def derivatives_of(results: Results, names: Sequence[str]) -> Derivatives:
    """One backward solve for each release. names: release lots, or cuvées (their latest release made)."""
    chosen = [release_named(results, name) for name in names]
    lots = tuple(str(release["release"]) for release in chosen)
    if not names:
        return Derivatives(results, (), (), {}, {})
    sets = [release_states(results, lot) for lot in lots]
    bottles = np.array([[float(release["bottles"])] for release in chosen])
    reached = Reached.by(results, sets)
    money = {cells: slope / bottles for cells, slope in gradients(reached).items()}
    return Derivatives(results, tuple(names), lots, money, quantity_gradients(reached))


def cell_tables(derivatives: Derivatives) -> dict[str, pd.DataFrame]:
    """Every cell that the cost per bottle of each release depends on, largest per 1 % first, by the name asked for.

    Columns: `CELL_COLUMNS`; percent values stand as percent points.
    """
    tables = {}
    for position, name in enumerate(derivatives.names):
        slopes = {**derivatives.money, **derivatives.quantities}
        parts = [
            _cells(derivatives.results, table, column, slope[position]) for (table, column), slope in slopes.items()
        ]
        frame = pd.concat([part for part in parts if len(part)] or parts[:1], ignore_index=True)
        size = frame["change_per_percent"].abs().to_numpy()
        size = np.round(size / size.max(initial=1e-300), 12)  # less is rounding: it sets no order, and is no figure
        order = np.argsort(-size, kind="stable")
        tables[name] = frame.iloc[order[size[order] > 0]].reset_index(drop=True)
    return tables


def _cells(results: Results, table: str, column: str, slope: np.ndarray) -> pd.DataFrame:
    rows = np.flatnonzero(np.nan_to_num(slope))
    described = sheets()[table].column(column)
    scale = 100.0 if described.type == "percent" else 1.0
    value = _values(results, table, column)[rows]
    return pd.DataFrame(
        {
            "place": [results.estate.place(table, int(row), column) for row in rows],
            "sheet": sheets()[table].title,
            "sheet_column": described.title,
            "what": _what(results, table, rows, _ROWS),
            "value": value * scale,
            "change_per_unit": slope[rows] / scale,
            "change_per_percent": slope[rows] * value / 100.0,
        }
    )


def _values(results: Results, table: str, column: str) -> Floats:
    return results.estate[table][column].to_numpy(dtype=np.float64)


def _what(results: Results, table: str, rows: Ints, labels: Mapping[str, str]) -> np.ndarray:
    """Label of rows: element, item, fraction, lot and so on; blank where the sheet has none."""
    if table not in labels:
        return np.full(len(rows), "", dtype=object)
    return text_of(results.estate[table][labels[table]])[rows]


def _reruns(results: Results, target: ChangedCells) -> tuple[Results, Results]:
    """Results with the cells of a target 1 % less and 1 % more, later rows following. InputError where that makes no
    sense.
    """
    recorded, ends = Runs(results.estate, results.chain, results.charges.common), []
    for factor in (0.99, 1.01):
        changed = apply_changes(results.estate, [Change(target, "multiply", factor)])
        ends.append(rerun(recorded, changed)[0].on(results.basis))
    return ends[0], ends[1]


def _may_rise(column: Column, values: Floats) -> Flags:
    """Whether each value of a column may be 1 % more: a norm of 100 % may not."""
    return ~outside_bounds(column, 1.01 * values)


def tornados(derivatives: Derivatives, most: int) -> dict[str, pd.DataFrame]:
    """What 1 % less and 1 % more of each figure does to the cost per bottle of each release, largest first, by the name
    asked for, with one set of runs.

    A figure is a column of a sheet, by element, item, pool or fraction where it has them; all its rows move
    together. Columns: `FIGURE_COLUMNS`.
    """
    results = derivatives.results
    lines: list[list[list[object]]] = [[] for _ in derivatives.names]
    for (table, column), slope in derivatives.money.items():
        by_percent = slope * np.nan_to_num(_values(results, table, column)) / 100.0
        labels = _what(results, table, np.arange(slope.shape[1]), _KINDS)
        for label in dict.fromkeys(labels[by_percent.any(axis=0)]):
            more = by_percent[:, labels == label].sum(axis=1)
            for position, change in enumerate(more.tolist()):
                lines[position].append([_figure(table, column, str(label)), -change, change, EXACT])
    now = [costed_figure(results, lot) for lot in derivatives.lots]
    for table, column in MOVES_WINE if derivatives.names else ():
        values = _values(results, table, column)
        filled = (np.nan_to_num(values) != 0) & _may_rise(sheets()[table].column(column), values)
        labels = _what(results, table, np.arange(len(filled)), _KINDS)
        for label in dict.fromkeys(labels[filled]):
            rows = np.flatnonzero(filled & (labels == label))
            try:
                ends = _reruns(results, ChangedCells(table, column, rows, 1.0))
            except InputError:  # by 1 % it can't be changed
                continue
            for position, lot in enumerate(derivatives.lots):
                less, more = (costed_figure(end, lot) - now[position] for end in ends)
                lines[position].append([_figure(table, column, str(label)), less, more, DIFFERENCE])
    return {name: _largest(listed, most) for name, listed in zip(derivatives.names, lines, strict=True)}


def _largest(lines: list[list[object]], most: int) -> pd.DataFrame:
    frame = pd.DataFrame(lines, columns=FIGURE_COLUMNS).astype({"percent_less": float, "percent_more": float})
    size = frame[["percent_less", "percent_more"]].abs().max(axis=1).to_numpy()
    kept = np.argsort(-size, kind="stable")[:most]
    return frame.iloc[kept[size[kept] > 1e-9]].reset_index(drop=True)


def _figure(table: str, column: str, label: str) -> str:
    sheet = sheets()[table]
    return f"{sheet.title}: {sheet.column(column).title}" + (f", {label}" if label else "")
