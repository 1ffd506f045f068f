"""What a row leaves to the wine itself: all that is left of a lot, and the bottles of a tirage of several wines.

    rest = balance of the lot at that moment        bottles of a wine = bottles filled · its litres / litres of all

A quantity drawn may be typed as a word (`REST`, held as infinity until the rows before it are followed). A bottling of
several wines has a row for each: one says how many bottles were filled, the others leave them blank; liqueur goes
with the row on which it stands.

What it does not do: judge whether what was drawn fits what arrived (`inputs.cellar_checks`).
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace

import numpy as np
import pandas as pd

from costing.array_types import Floats
from costing.errors import Finding
from costing.graph.arrays import TABLES, Flow, Lots, codes, number_lots
from costing.graph.balance import empty_below
from costing.graph.flows import Flows, flows_of, movement_norms
from costing.graph.places import Places, place_of
from costing.graph.sequence import order_flows
from costing.inputs.cellar_checks import bottlings_in_parts
from costing.inputs.estate import Estate
from costing.inputs.schema import sheets
from costing.units import FORMATS_L

DRAWN = {
    sheet.name: columns
    for sheet in sheets().values()
    if (columns := tuple(column.name for column in sheet.columns if column.words))
}
"""Columns in which a word may stand for all that is left."""


def settled(estate: Estate) -> tuple[Estate, list[Finding]]:
    """The estate with every such quantity in numbers, and a finding where nothing was left to draw."""
    findings: list[Finding] = []
    if any(np.isinf(estate[table][column].to_numpy()).any() for table, columns in DRAWN.items() for column in columns):
        estate, findings = _with_rests(estate)
    return _with_bottles(estate), findings


def _with_rests(estate: Estate) -> tuple[Estate, list[Finding]]:
    """All that is left, in numbers; rows that move wine in a circle are told where they are sorted."""
    lots = number_lots(estate)
    flows = flows_of(replace(estate, tables={**estate.tables, "tirage": _blank_as_none(estate["tirage"])}), lots)
    place = place_of(estate, flows, lots)
    order, loops = order_flows(flows, len(lots.names), place)
    drawn, findings = _followed(estate, flows, lots, order, place)
    tables = dict(estate.tables)
    for table, columns in DRAWN.items():
        of_row = {int(flows.row[flow]): amount for flow, amount in drawn.items() if TABLES[flows.kind[flow]] == table}
        frame = tables[table].copy()
        for column in columns:
            values = frame[column].to_numpy(dtype=np.float64, copy=True)
            for row in np.flatnonzero(np.isinf(values)).tolist():
                values[row] = of_row.get(row, 0.0)
            frame[column] = values
        tables[table] = frame
    return replace(estate, tables=tables), [] if loops else findings


def _blank_as_none(tirage: pd.DataFrame) -> pd.DataFrame:
    return tirage.assign(bottles=np.nan_to_num(tirage["bottles"].to_numpy()))


def _followed(
    estate: Estate, flows: Flows, lots: Lots, order: np.ndarray, place: Places
) -> tuple[dict[int, float], list[Finding]]:
    """What each row that says `rest` draws, the lots that such rows draw from followed in time."""
    rests = np.isinf(flows.out)
    wanted = np.zeros(len(lots.names) + 1, dtype=bool)
    wanted[flows.source[rests]] = True
    norms, per_unit = movement_norms(estate), np.append(lots.litres_per_unit, 1.0)
    slack = empty_below(estate)[lots.unit]
    on_hand: defaultdict[int, float] = defaultdict(float)
    drawn: dict[int, float] = {}
    findings = []
    met = order[rests[order] | wanted[flows.source[order]] | wanted[flows.target[order]]]
    for flow in met.tolist():
        source, target, out, into = (
            int(flows.source[flow]),
            int(flows.target[flow]),
            float(flows.out[flow]),
            float(flows.into[flow]),
        )
        if flows.kind[flow] == Flow.STOCKTAKE:
            on_hand[target] = into
        if flows.kind[flow] >= Flow.COST:
            continue
        if rests[flow]:
            out = drawn[flow] = max(on_hand[source], 0.0)
            if not out > 0:
                day = np.datetime64(int(flows.day[flow]), "D")
                rule = f"stands for all that is left of {place.lot(source)}, which holds nothing on {day}."
                remedy = "Check the lot and the date, or enter what filled it before."
                findings.append(Finding(place(flow, "out"), "rest", rule, remedy))
        if np.isinf(into):  # blank: what was drawn less the norm
            litres = (1.0 - norms[flows.operation[flow]]) * out * per_unit[source] + flows.added[flow]
            into = litres / per_unit[target]
        if source >= 0:
            left = on_hand[source] - out
            on_hand[source] = 0.0 if abs(left) <= max(slack[source], 1e-9 * on_hand[source]) else left
        if target >= 0:
            on_hand[target] += into
    return drawn, findings


def _with_bottles(estate: Estate) -> Estate:
    """Tirages of several wines with the bottles that each wine filled."""
    frame = estate["tirage"]
    bottles = frame["bottles"].to_numpy(dtype=np.float64, copy=True)
    if not np.isnan(bottles).any():
        return estate
    wine, liqueur = frame["wine_l"].to_numpy(dtype=np.float64, copy=True), np.nan_to_num(frame["liqueur_l"].to_numpy())
    size = np.append(np.array(list(FORMATS_L.values())), np.nan)[codes(frame["format"], tuple(FORMATS_L))]
    for rows in bottlings_in_parts(frame):
        filled = float(np.nansum(bottles[rows]))
        if np.isnan(wine[rows]).sum() == 1:
            wine[rows[np.isnan(wine[rows])]] = filled * size[rows[0]] - np.nansum(wine[rows]) - liqueur[rows].sum()
        litres = np.nan_to_num(wine[rows]) + liqueur[rows]
        bottles[rows] = _to_the_last(filled, litres) if litres.sum() > 0 else np.nan_to_num(bottles[rows])
    return replace(estate, tables={**estate.tables, "tirage": frame.assign(bottles=bottles, wine_l=wine)})


def _to_the_last(filled: float, litres: Floats) -> Floats:
    """Bottles by litres; the parts add up to the bottles filled exactly."""
    ends = filled * np.cumsum(litres) / litres.sum()
    ends[-1] = filled
    return np.diff(ends, prepend=0.0)
