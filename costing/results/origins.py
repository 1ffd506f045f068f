"""Where the cost of a release came from: every posting behind it, with the cell it stands in.

    own share = amount · s        capital = amount · B(end of release)/B(paid) · s − amount · s

s is the part of a posting's state that reached the release, from one solve with the transpose; where capital
does not accrue everywhere the growth on the way has a solve of its own. Lines add up to the cost of the
release. Charges for time (storage, time pools) have one line per rate and lot.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from costing.errors import CostingError, nearest
from costing.graph.arrays import STAGES, Floats, Flow, Ints
from costing.inputs.schema import sheets
from costing.money.charges import accrues_in
from costing.money.postings import TABLE_NAMES
from costing.results.lots import as_dates
from costing.results.results import Results

AMOUNT_COLUMN = {
    "opening_costs": "amount",
    "deliveries": "price_per_unit",
    "grape_prices": "price_per_kg",
    "costs": "amount",
    "operation_rates": "amount",
    "dry_goods": "unit_price",
    "pools": "amount",
    "pressings": "credit",
}
"""Column that holds the money of each table."""


def release_states(results: Results, lot: str) -> Ints:
    """Batch states of the disgorgements into a lot; for a lot that was never disgorged, its state at the
    valuation date.

    CostingError with the nearest name if there is no such lot.
    """
    chain = results.chain
    if lot not in chain.lots.names:
        message = f"there is no lot '{lot}'. {nearest(lot, chain.lots.names)}".strip()
        raise CostingError(message)
    number = chain.lots.names.get_loc(lot)
    flows = chain.flows
    rows = np.flatnonzero((flows.kind == Flow.DISGORGEMENT) & (flows.target == number))
    if len(rows):
        return chain.states.batch_state[flows.batch[rows]]
    state = chain.state_on(np.array([number]), np.array([chain.valuation_day]))
    if state[0] < 0 or chain.states.quantity[state[0]] <= 0:
        message = f"lot '{lot}' holds nothing on the valuation date"
        raise CostingError(message)
    if chain.flows.kind[chain.states.flow[state[0]]] == Flow.CUT:  # its cost runs on: the one before ends on that date
        state = chain.states.previous[state]
    return state


def weights(results: Results, states: Ints) -> tuple[Floats, Floats]:
    """Part of each state's posting that reaches `states`: plain, and of its worth with capital [states]."""
    chosen = np.zeros(len(results.chain.states))
    chosen[states] = 1.0
    plain = results.solution.plain.backward(chosen)
    curve = results.charges.curve
    if curve is None:
        return plain, plain
    if results.solution.grown is not results.solution.plain:
        return plain, results.solution.grown.backward(chosen)
    first = np.int64(results.chain.states.start.min(initial=0))
    index = curve.growth(first, results.chain.states.end)
    # worth is V = B(end)·U and U obeys the plain equation, so a posting reaches V with B(release)/B(its own end)
    grown = results.solution.plain.backward(chosen * index)
    return plain, grown / index


def origins(results: Results, lot: str) -> pd.DataFrame:
    """Every posting behind a release (or a lot on hand), one row each; `total` adds up to its cost.

    Columns: place (`Sheet!cell`), sheet, incurred, paid, lot, supplier, village, vineyard, variety, vintage,
    stage, element, amount (the whole posting), own (its share in the release), capital (what that share went
    on to cost), total.
    """
    states = release_states(results, lot)
    if results.chain.states.lot[states[0]] >= 0:
        states = states[:1]
    plain, grown = weights(results, states)
    frame = pd.concat([_from_postings(results, plain, grown), _from_time(results, plain, grown)], ignore_index=True)
    frame["total"] = frame["own"] + frame["capital"]
    return frame.sort_values(["incurred", "place", "lot"], ignore_index=True)


def _from_postings(results: Results, plain: Floats, grown: Floats) -> pd.DataFrame:
    charges, states = results.charges, results.chain.states
    every = charges.postings
    postings = every.take(np.flatnonzero((plain[every.state] != 0) & (every.amount != 0)))
    own = postings.amount * plain[postings.state]
    capital = np.zeros(len(own))
    if charges.curve is not None:
        inside = accrues_in(results.basis)[states.stage[postings.state]]
        worth = postings.amount * charges.curve.growth(postings.paid, states.end[postings.state])
        capital = np.where(inside, worth, postings.amount) * grown[postings.state] - own
    frame = pd.DataFrame(
        {
            "place": _places(results, postings.table, postings.row),
            "sheet": _titles(postings.table),
            "incurred": as_dates(postings.incurred),
            "paid": as_dates(postings.paid),
            "lot": _names(results, postings.state),
        }
    )
    frame = pd.concat([frame, _grower(results, postings.flow)], axis=1)
    frame["stage"] = np.array(STAGES, dtype=object)[postings.stage]
    frame["element"] = charges.elements.to_numpy(dtype=object)[postings.element]
    frame["amount"], frame["own"], frame["capital"] = postings.amount, own, capital
    return frame


def _from_time(results: Results, plain: Floats, grown: Floats) -> pd.DataFrame:
    states = results.chain.states
    parts = []
    for part in results.charges.accrued:
        if part.expensed:
            continue
        kept = np.flatnonzero((plain[part.states] != 0) & (part.amount != 0))
        if not len(kept):
            continue
        at = part.states[kept]
        own = part.amount[kept] * plain[at]
        step = np.maximum(np.searchsorted(part.charge.since, states.start[at], side="right") - 1, 0)
        parts.append(
            pd.DataFrame(
                {
                    "table": part.charge.table,
                    "row": part.charge.rows[step],
                    "lot_number": states.lot[at],
                    "stage": states.stage[at],
                    "element": part.charge.element,
                    "incurred": states.start[at],
                    "paid": states.end[at],
                    "amount": part.amount[kept],
                    "own": own,
                    "capital": part.worth[kept] * grown[at] - own if results.charges.curve is not None else 0.0 * own,
                }
            )
        )
    if not parts:
        return pd.DataFrame()
    whole = pd.concat(parts, ignore_index=True)
    keys = ["table", "row", "lot_number", "stage", "element"]
    lines = whole.groupby(keys, as_index=False).agg(
        incurred=("incurred", "min"),
        paid=("paid", "max"),
        amount=("amount", "sum"),
        own=("own", "sum"),
        capital=("capital", "sum"),
    )
    blank = np.full(len(lines), "", dtype=object)
    return pd.DataFrame(
        {
            "place": _places(results, lines["table"].to_numpy(), lines["row"].to_numpy()),
            "sheet": _titles(lines["table"].to_numpy()),
            "incurred": as_dates(lines["incurred"].to_numpy()),
            "paid": as_dates(lines["paid"].to_numpy()),
            "lot": results.chain.lots.names.to_numpy(dtype=object)[lines["lot_number"]],
            **dict.fromkeys(GROWER, blank),
            "stage": np.array(STAGES, dtype=object)[lines["stage"]],
            "element": results.charges.elements.to_numpy(dtype=object)[lines["element"]],
            "amount": lines["amount"],
            "own": lines["own"],
            "capital": lines["capital"],
        }
    )


GROWER = ("supplier", "village", "vineyard", "variety", "vintage")


def _grower(results: Results, flow: Ints) -> pd.DataFrame:
    """Grower, village, vineyard, variety and vintage of the delivery or opening lot that caused a posting."""
    flows, estate = results.chain.flows, results.estate
    kind = np.where(flow >= 0, flows.kind[flow], -1)
    row = np.where(flow >= 0, flows.row[flow], 0)
    columns: dict[str, np.ndarray] = {}
    for name in GROWER:
        values = np.full(len(flow), "", dtype=object)
        for sort, table in ((Flow.DELIVERY, "deliveries"), (Flow.OPENING, "opening_stock")):
            if name in estate[table].columns:
                mine = kind == sort
                values[mine] = estate[table][name].astype(object).fillna("").to_numpy()[row[mine]]
        columns[name] = values
    blank = (columns["vintage"] == "") & (kind == Flow.DELIVERY)
    year = estate["deliveries"]["on_date"].dt.year.to_numpy()
    columns["vintage"][blank] = [str(int(one)) for one in year[row[blank]]]
    own = (columns["supplier"] == "") & (kind == Flow.DELIVERY)
    columns["supplier"][own] = "own vineyard"
    return pd.DataFrame(columns)


def _names(results: Results, state: Ints) -> np.ndarray:
    """Lot of each state; the lot a batch gives, or its press load."""
    chain = results.chain
    states, flows = chain.states, chain.flows
    names = chain.lots.names.to_numpy(dtype=object)
    opened = states.flow[state]
    given = np.where(flows.target[opened] >= 0, flows.target[opened], flows.source[opened])
    lot = np.where(states.lot[state] >= 0, states.lot[state], given)
    named = np.append(names, "")[lot]
    loads = (states.batch[state] >= 0) & (states.batch[state] < len(flows.load_names))
    named[loads] = flows.load_names.to_numpy(dtype=object)[states.batch[state][loads]]
    return named


def _titles(table: Ints) -> np.ndarray:
    titles = np.array([sheets()[name].title for name in TABLE_NAMES], dtype=object)
    return titles[table]


def _places(results: Results, table: Ints, row: Ints) -> np.ndarray:
    """`Sheet!cell` of the money of each posting."""
    estate = results.estate
    key = table * (int(row.max(initial=0)) + 1) + row
    distinct, back = np.unique(key, return_inverse=True)
    size = int(row.max(initial=0)) + 1
    found = []
    for one in distinct:
        number, at = divmod(int(one), size)
        name = TABLE_NAMES[number]
        column = AMOUNT_COLUMN[name]
        if name == "deliveries" and np.isnan(estate[name][column].to_numpy()[at]):
            column = "growing_cost_per_unit"
        found.append(estate.place(name, at, column))
    return np.array(found, dtype=object)[back] if found else np.zeros(0, dtype=object)


def grouped_origins(lines: pd.DataFrame, by: Sequence[str]) -> pd.DataFrame:
    """Origins added up by any of their columns: supplier, village, vintage, stage, element and so on."""
    return lines.groupby(list(by), as_index=False, dropna=False)[["own", "capital", "total"]].sum()
