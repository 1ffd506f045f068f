"""What moves the cost of a bottle: its derivative by every figure of the workbook that it depends on, ranked.

    change per unit = dc/dθ      change per 1 % = dc/dθ · θ/100

Exact, from one backward solve (`costing.decisions.gradients`): prices, amounts, rates, and what a press load is
split by. By a central difference of two reruns, and labelled so: interest rates, and what moves wine itself
(quantities, bottles, norms), in which the later rows follow (`costing.decisions.replay`); a rerun is made for the
cell or column that is asked for alone. Nothing is claimed at the kink of a maximum.

What it does not do: say how likely a change is (`costing.decisions.uncertainty`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from costing.decisions.changes import Change, Target, apply_changes
from costing.decisions.figures import cost_through_rows, figure_of, release_named
from costing.decisions.gradients import Reached, gradients
from costing.decisions.replay import follow
from costing.errors import CostingError, InputError
from costing.graph.arrays import Ints
from costing.inputs.schema import sheets
from costing.model import run
from costing.results.origins import release_states
from costing.results.results import Results

EXACT, DIFFERENCE = "exact", "two reruns"
SENSITIVITIES = {
    "place": "Cell",
    "sheet": "Sheet",
    "column": "Column",
    "what": "What",
    "value": "Value",
    "per_unit": "Change per unit",
    "per_percent": "Change per 1 %",
    "method": "How",
}
TORNADO = {"figure": "Figure", "less": "1 % less", "more": "1 % more", "method": "How"}
MOVES_WINE = (
    ("deliveries", "quantity"),
    ("pressings", "volume_l"),
    ("movements", "in_l"),
    ("tirage", "bottles"),
    ("disgorgements", "bottles_out"),
    ("loss_norms", "percent"),
)
"""Columns of the tornado that are run again."""

QUANTITIES = (
    ("opening_stock", "quantity"),
    *(pair for pair in MOVES_WINE if pair[0] != "loss_norms"),
    ("disgorgements", "bottles_in"),
)
"""Cells whose derivative is taken by two reruns, of those through which most of the cost passed."""

_LABELS = {
    "operation_rates": "element",
    "pools": "pool",
    "costs": "element",
    "opening_costs": "element",
    "dry_goods": "item",
    "pressings": "fraction",
    "market_values": "what",
}
_STEP = 1e-4


def cell_sensitivities(results: Results, what: str) -> pd.DataFrame:
    """Every cell that the cost per bottle of a release depends on by money or by a split, largest per 1 % first.

    what: release lot, or a cuvée (its latest release made). Columns: see `SENSITIVITIES`; percent values stand as
    percent points.
    """
    return sensitivities_of(results, [what])[what]


def sensitivities_of(results: Results, names: Sequence[str]) -> dict[str, pd.DataFrame]:
    """`cell_sensitivities` of several releases, with one set of runs."""
    chosen = [release_named(results, name) for name in names]
    lots = [str(release["release"]) for release in chosen]
    found = gradients(Reached.by(results, [release_states(results, lot) for lot in lots])) if names else {}
    interest = _interest(results, lots)
    tables = {}
    for at, (name, release) in enumerate(zip(names, chosen, strict=True)):
        bottles = float(release["bottles"])
        parts = [_cells(results, table, column, slope[at], bottles) for (table, column), slope in found.items()]
        parts.append(interest[at])
        frame = pd.concat([part for part in parts if len(part)] or parts[:1], ignore_index=True)
        order = np.argsort(-frame["per_percent"].abs().to_numpy(), kind="stable")
        tables[name] = frame.iloc[order].reset_index(drop=True)
    return tables


def _cells(results: Results, table: str, column: str, slope: np.ndarray, bottles: float) -> pd.DataFrame:
    rows = np.flatnonzero(slope)
    described = sheets()[table].column(column)
    scale = 100.0 if described.type == "percent" else 1.0
    value = results.estate[table][column].to_numpy(dtype=np.float64)[rows]
    if table == "dry_goods":
        value = np.nan_to_num(value, nan=1.0)  # a blank quantity per bottle is one
    return pd.DataFrame(
        {
            "place": [results.estate.place(table, int(row), column) for row in rows],
            "sheet": sheets()[table].title,
            "column": described.title,
            "what": _what(results, table, rows),
            "value": value * scale,
            "per_unit": slope[rows] / bottles / scale,
            "per_percent": slope[rows] * value / 100.0 / bottles,
            "method": EXACT,
        }
    )


def _what(results: Results, table: str, rows: Ints) -> np.ndarray:
    """Label of rows: element, item, fraction and so on; blank where the sheet has none."""
    if table not in _LABELS:
        return np.full(len(rows), "", dtype=object)
    return np.asarray(results.estate[table][_LABELS[table]].astype(object).fillna("").to_numpy()[rows], dtype=object)


def _interest(results: Results, lots: Sequence[str]) -> list[pd.DataFrame]:
    """Rows of the interest rate that the basis charges, by release; the wine stays, so only money is run again."""
    basis, table = results.basis, results.estate["interest_rates"]
    column = "hurdle_rate" if basis.capital == "hurdle" else "borrowing_rate"
    lines: list[list[tuple[object, ...]]] = [[] for _ in lots]
    charged = basis.capital != "none" and basis.rate is None
    for row in np.flatnonzero(table[column].notna().to_numpy()) if charged else ():
        target = Target("interest_rates", column, np.array([row]), 0.01)
        up, down = (
            run(apply_changes(results.estate, [Change(target, "add", step)]), basis, results.chain)
            for step in (_STEP, -_STEP)
        )
        for at, lot in enumerate(lots):
            slope = (figure_of(up, lot) - figure_of(down, lot)) / (2.0 * _STEP)
            if slope:
                lines[at].append(_line(results, target, int(row), float(table[column].iloc[row]), slope))
    return [pd.DataFrame(one, columns=list(SENSITIVITIES)) for one in lines]


def _line(results: Results, target: Target, row: int, value: float, slope: float) -> tuple[object, ...]:
    described = sheets()[target.table].column(target.column)
    scale = 100.0 if described.type == "percent" else 1.0
    place = results.estate.place(target.table, row, target.column)
    label = str(_what(results, target.table, np.array([row]))[0])
    title = sheets()[target.table].title
    return (place, title, described.title, label, value * scale, slope / scale, slope * value / 100.0, DIFFERENCE)


def by_rerun(results: Results, what: str, target: Target) -> pd.DataFrame:
    """Derivative by the cells of a target, moved together in proportion, by two reruns; one line like those of
    `cell_sensitivities`.

    CostingError where the cells are blank or 0, or where one of the reruns makes no sense.
    """
    values = results.estate[target.table][target.column].to_numpy(dtype=np.float64)[target.rows]
    if not np.nan_to_num(values).any():
        message = f"{results.estate.place(target.table, int(target.rows[0]), target.column)} holds no figure to change"
        raise CostingError(message)
    less, more = (figure_of(one, what) for one in _reruns(results, target, _STEP))
    slope = (more - less) / (2.0 * _STEP)
    value = float(np.nansum(values))
    line = _line(results, target, int(target.rows[0]), value, slope / value if len(target.rows) == 1 else np.nan)
    frame = pd.DataFrame([line], columns=list(SENSITIVITIES))
    frame["per_percent"] = slope / 100.0
    return frame


def quantity_sensitivities(results: Results, what: str, most: int = 10) -> pd.DataFrame:
    """The quantity cells through which most of the cost of a release passed, each by two reruns, largest per 1 %
    first (columns of `SENSITIVITIES`).
    """
    through = cost_through_rows(results, str(release_named(results, what)["release"]))
    cells = []
    for table, column in QUANTITIES:
        values = np.nan_to_num(results.estate[table][column].to_numpy(dtype=np.float64))
        cells += [(through[table][row], table, column, int(row)) for row in np.flatnonzero(values * through[table])]
    lines = []
    for _, table, column, row in sorted(cells, key=lambda cell: -cell[0])[:most]:
        try:
            lines.append(by_rerun(results, what, Target(table, column, np.array([row]), 1.0)))
        except CostingError:
            continue
    frame = pd.concat(lines, ignore_index=True) if lines else pd.DataFrame(columns=list(SENSITIVITIES))
    order = np.argsort(-frame["per_percent"].astype(float).abs().to_numpy(), kind="stable")
    return frame.iloc[order].reset_index(drop=True)


def _reruns(results: Results, target: Target, share: float) -> tuple[Results, Results]:
    """Results with the cells of a target a share less and a share more, later rows following."""
    ends = []
    for factor in (1.0 - share, 1.0 + share):
        changed = apply_changes(results.estate, [Change(target, "multiply", factor)])
        try:
            moved, _ = follow(results.estate, results.chain, changed)
            ends.append(run(moved, results.basis))
        except InputError as wrong:
            place = results.estate.place(target.table, int(target.rows[0]), target.column)
            message = f"{place} can't be changed by {share:.2%}: {wrong}"
            raise CostingError(message) from wrong
    return ends[0], ends[1]


def tornado(results: Results, what: str, most: int = 15) -> pd.DataFrame:
    """What 1 % less and 1 % more of each figure does to the cost per bottle, largest first.

    A figure is a column of a sheet, by element, item, pool or fraction where it has them; all its rows move
    together. Columns: see `TORNADO`.
    """
    return tornados(results, [what], most)[what]


def tornados(
    results: Results, names: Sequence[str], most: int = 15, known: Mapping[str, pd.DataFrame] | None = None
) -> dict[str, pd.DataFrame]:
    """`tornado` of several releases, with one set of runs. known: `sensitivities_of` them, where they are at hand."""
    lots = [str(release_named(results, name)["release"]) for name in names]
    lines: list[list[list[object]]] = []
    for cells in (sensitivities_of(results, names) if known is None else known).values():
        titles = [_figure(*one) for one in zip(cells["sheet"], cells["column"], cells["what"], strict=True)]
        grouped = cells.assign(figure=titles).groupby("figure", sort=False)
        sums = grouped.agg(more=("per_percent", "sum"), method=("method", "first")).reset_index()
        lines.append(sums.assign(less=-sums["more"])[list(TORNADO)].to_numpy().tolist())
    now = [figure_of(results, lot) for lot in lots]
    for table, column in MOVES_WINE if names else ():
        frame = results.estate[table]
        filled = np.nan_to_num(frame[column].to_numpy(dtype=np.float64)) != 0
        labels = _what(results, table, np.arange(len(frame)))
        title = sheets()[table]
        for label in dict.fromkeys(labels[filled]):
            rows = np.flatnonzero(filled & (labels == label))
            try:
                ends = _reruns(results, Target(table, column, rows, 1.0), 0.01)
            except CostingError:
                continue
            figure = _figure(title.title, title.column(column).title, str(label))
            for at, lot in enumerate(lots):
                less, more = (figure_of(one, lot) - now[at] for one in ends)
                lines[at].append([figure, less, more, DIFFERENCE])
    return {name: _largest(found, most) for name, found in zip(names, lines, strict=True)}


def _largest(lines: list[list[object]], most: int) -> pd.DataFrame:
    frame = pd.DataFrame(lines, columns=list(TORNADO)).astype({"less": float, "more": float})
    size = frame[["less", "more"]].abs().max(axis=1).to_numpy()
    kept = np.argsort(-size, kind="stable")[:most]
    return frame.iloc[kept[size[kept] > 1e-9]].reset_index(drop=True)


def _figure(sheet: str, column: str, label: str) -> str:
    return f"{sheet}: {column}, {label}" if label else f"{sheet}: {column}"
