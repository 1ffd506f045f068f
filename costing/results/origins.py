"""Where the cost of a release came from: every posting behind it, with the cell it stands in.

    own share = amount · s        capital = amount · B(end of release)/B(paid) · s − amount · s

s is the part of a posting's state that reached the release, from one solve with the transpose; where capital
does not accrue everywhere the growth on the way has a solve of its own. Lines add up to the cost of the
release; those of a lot on hand to its value on the valuation date, which leaves out what was incurred only
later. Charges for time (storage, time pools) have one line per row of the sheet and lot: a stay that spans
several rates is cut where they change. What a basis expenses is not in the bottle and has no line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.sparse import csr_matrix

from costing.array_types import Floats, Ints
from costing.errors import CostingError, nearest
from costing.graph.arrays import STAGES, Flow
from costing.inputs.estate import vintages
from costing.inputs.schema import sheets
from costing.money.charges import Accrued
from costing.money.postings import MONEY_COLUMNS
from costing.money.time_charges import TimeCharge
from costing.once import asked_once
from costing.results.lots import as_dates
from costing.results.results import Results

GROWER = ("supplier", "village", "vineyard", "variety", "vintage")
AMOUNTS = ("amount", "own", "capital")


def release_states(results: Results, lot: str) -> Ints:
    """Batch states of the disgorgements into a lot; for a lot that was never disgorged, its state at the
    valuation date.

    CostingError with the nearest name if there is no such lot, or if it holds nothing.
    """
    chain = results.chain
    batches = _disgorged_into(results, lot)
    if len(batches):
        return batches
    state = np.array([_held_state(results, lot)])
    if chain.flows.kind[chain.states.flow[state[0]]] == Flow.CUT:  # its cost runs on: the one before ends on that date
        state = chain.states.previous[state]
    return state


def _disgorged_into(results: Results, lot: str) -> Ints:
    """Batch states of the disgorgements into a lot."""
    chain = results.chain
    if lot not in chain.lots.names:
        message = f"there is no lot '{lot}'. {nearest(lot, chain.lots.names)}".strip()
        raise CostingError(message)
    rows, target = _disgorgements(results)
    first, last = np.searchsorted(target, np.asarray(chain.lots.names.get_loc(lot)) + np.arange(2))
    return chain.states.batch_state[chain.flows.batch[rows[first:last]]]


@asked_once
def _disgorgements(results: Results) -> tuple[Ints, Ints]:
    """Flows of all disgorgements and the lots into which they go, by lot."""
    flows = results.chain.flows
    rows = np.flatnonzero(flows.kind == Flow.DISGORGEMENT)
    rows = rows[np.argsort(flows.target[rows], kind="stable")]
    return rows, flows.target[rows]


def _held_state(results: Results, lot: str) -> int:
    """State of a lot when the valuation date is over; it began on that date, for the date cuts every lot."""
    chain = results.chain
    number = np.array([chain.lots.names.get_loc(lot)])
    state = int(chain.state_on(number, np.array([chain.valuation_day]))[0])
    if chain.states.quantity[state] <= 0:
        message = f"lot '{lot}' holds nothing on the valuation date"
        raise CostingError(message)
    return state


def weights(results: Results, states: Ints) -> tuple[Floats, Floats]:
    """Part of each state's posting that reaches `states`: plain, and of its worth with capital [states]."""
    chosen = _chosen(results, states)
    plain = results.solution.plain.backward(chosen)
    if results.charges.curve is None:
        return plain, plain
    if results.solution.grown is not results.solution.plain:
        return plain, results.solution.grown.backward(chosen)
    index = results.index_at_end
    # worth is V = B(end)·U and U obeys the plain equation, so a posting reaches V with B(release)/B(its own end)
    grown = results.solution.plain.backward(chosen * index)
    return plain, grown / index


def plain_weights(results: Results, states: Ints) -> Floats:
    """Part of each state's posting that reaches `states` [states]."""
    return results.solution.plain.backward(_chosen(results, states))


def reached_by(results: Results, sets: Sequence[Ints]) -> csr_matrix:
    """The same for several sets of states, of each those alone that something reaches it from [sets, states].

        W = E + W·S = E + E·S + E·S² + …,   E: the states of each set

    S leads forward in time alone, so the sum ends; what it takes grows with what reaches the sets, not with the estate.
    """
    size = [len(states) for states in sets]
    shape = len(sets), len(results.chain.states)
    number = np.repeat(np.arange(len(sets)), size)
    part, parts = csr_matrix((np.ones(len(number)), (number, np.concatenate(sets))), shape=shape), []
    while part.nnz:
        parts.append(part.tocoo())
        part = part @ results.shares.matrix
    share, row, state = (np.concatenate([getattr(one, name) for one in parts]) for name in ("data", "row", "col"))
    return csr_matrix((share, (row, state)), shape=shape)


def _chosen(results: Results, states: Ints) -> Floats:
    chosen = np.zeros(len(results.chain.states))
    chosen[states] = 1.0
    return chosen


def worth_of(results: Results, posted: Floats) -> Floats:
    """Worth of every state that postings worth so much at the end of their states give it [states(, sets)]."""
    solution = results.solution
    if solution.grown is not solution.plain:
        return solution.grown.forward(posted)
    index = results.index_at_end.reshape((-1,) + (1,) * (posted.ndim - 1))
    return np.asarray(solution.plain.forward(posted / index) * index)


@dataclass(frozen=True)
class _Reach:
    """What reaches a release: part of each state's posting, plain and of its worth with capital [states].

    Of a lot on hand (`held_state`, otherwise −1) only what was incurred by `until` counts.
    """

    plain: Floats
    grown: Floats
    held_state: int
    until: int


def _reach(results: Results, lot: str) -> _Reach:
    batches = _disgorged_into(results, lot)
    if len(batches):
        return _Reach(*weights(results, batches), -1, results.chain.horizon_day)
    state = _held_state(results, lot)
    plain, grown = weights(results, np.array([state]))
    # the state runs on after the valuation date, on which it began: what it earns in its interval is undone
    return _Reach(plain, grown / results.solution.growth[state], state, results.chain.valuation_day)


@asked_once
def origins(results: Results, lot: str) -> pd.DataFrame:
    """Every posting behind a release (or a lot on hand), one row each; `total` adds up to its cost.

    Columns: place (`Sheet!cell`), sheet, incurred, paid, lot (where it was posted; a press load by its own
    name), supplier, village, vineyard, variety, vintage (of the delivery or opening lot that caused it), stage,
    element, amount (the whole posting; a late invoice is one for each arrival that shares it), own (its share in the
    release), capital (what that share went on to cost), total. A charge for time runs from `incurred` to `paid`.
    """
    reach = _reach(results, lot)
    parts = [_from_postings(results, reach), *_from_time(results, reach)]
    frame = pd.concat([part for part in parts if len(part)] or parts[:1], ignore_index=True)
    frame["total"] = frame["own"] + frame["capital"]
    return frame.sort_values(["incurred", "place", "lot"], ignore_index=True, kind="stable")


def _from_postings(results: Results, reach: _Reach) -> pd.DataFrame:
    charges, whole = results.charges, results.charges.postings
    counts = (reach.plain[whole.state] != 0) & (whole.amount != 0)
    if reach.held_state >= 0:
        counts &= whole.incurred <= reach.until
    which = np.flatnonzero(counts)
    postings = whole.take(which)
    own = postings.amount * reach.plain[postings.state]
    capital = charges.worth[which] * reach.grown[postings.state] - own
    frame = pd.DataFrame(
        {
            **_cells(results, postings.column, postings.row),
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


def _from_time(results: Results, reach: _Reach) -> list[pd.DataFrame]:
    """Charges for time, one line per row of their sheet and lot; nothing where there is none."""
    charged = [_pieces(results, part, reach) for part in results.charges.accrued if not part.expensed]
    parts = [part for part in charged if part]
    if not parts:
        return []
    pieces = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    keys = [pieces[name] for name in ("element", "stage", "lot", "row", "column")]  # the last one counts first
    order = np.lexsort(keys)
    is_new = np.any([np.diff(key[order]) != 0 for key in keys], axis=0)
    begins = np.concatenate([[0], np.flatnonzero(is_new) + 1])
    line = {name: values[order[begins]] for name, values in pieces.items()}
    for name, over in (("incurred", np.minimum), ("paid", np.maximum), *((name, np.add) for name in AMOUNTS)):
        line[name] = over.reduceat(pieces[name][order], begins)
    frame = pd.DataFrame(
        {
            **_cells(results, line["column"], line["row"]),
            "incurred": as_dates(line["incurred"]),
            "paid": as_dates(line["paid"]),
            "lot": results.chain.lots.names.to_numpy(dtype=object)[line["lot"]],
            **dict.fromkeys(GROWER, np.full(len(begins), "", dtype=object)),
            "stage": np.array(STAGES, dtype=object)[line["stage"]],
            "element": results.charges.elements.to_numpy(dtype=object)[line["element"]],
            **{name: line[name] for name in AMOUNTS},
        }
    )
    return [frame]


def _pieces(results: Results, part: Accrued, reach: _Reach) -> dict[str, np.ndarray]:
    """One charge on the states that reach the release, cut where the row of its sheet changes: columns, none of
    them where it charges nothing.
    """
    states, capital = results.chain.states, results.charges.capital
    kept = np.flatnonzero((reach.plain[part.states] != 0) & (part.amount != 0) & (part.states != reach.held_state))
    if not len(kept):
        return {}
    borne = part.states[kept]
    which, step, start, end = charge_steps(part.charge, states.start[borne], states.end[borne])
    borne = borne[which]
    amount = part.charge.curve.amount(start, end) * states.quantity[borne]
    own, stage = amount * reach.plain[borne], states.stage[borne]
    grown = capital.accrued(part.charge.curve, stage, start, end) * capital.growth(stage, end, states.end[borne])
    earned = grown * states.quantity[borne] * reach.grown[borne] - own
    charged = np.flatnonzero(amount)
    n = len(charged)
    if not n:
        return {}
    return {
        "column": np.full(n, part.charge.column),
        "row": part.charge.rows[step][charged],
        "lot": states.lot[borne][charged],
        "stage": stage[charged],
        "element": np.full(n, part.charge.element),
        "incurred": start[charged],
        "paid": end[charged],
        "amount": amount[charged],
        "own": own[charged],
        "capital": earned[charged],
    }


def charge_steps(charge: TimeCharge, start: Ints, end: Ints) -> tuple[Ints, Ints, Ints, Ints]:
    """Intervals cut where the next row of a charge begins: interval, row among its rows, start and end."""
    first = np.maximum(np.searchsorted(charge.since, start, side="right") - 1, 0)
    last = np.maximum(np.searchsorted(charge.since, end, side="left") - 1, first)
    count = last - first + 1
    which = np.repeat(np.arange(len(start)), count)
    step = first[which] + np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count)
    begin = np.where(step > first[which], charge.since[step], start[which])
    following = charge.since[np.minimum(step + 1, len(charge.since) - 1)]
    return which, step, begin, np.where(step < last[which], following, end[which])


def _grower(results: Results, flow: Ints) -> pd.DataFrame:
    """Grower, village, vineyard, variety and vintage of the delivery or opening lot that caused a posting."""
    flows, estate = results.chain.flows, results.estate
    kind = np.where(flow >= 0, flows.kind[flow], -1)
    row = np.where(flow >= 0, flows.row[flow], 0)
    columns: dict[str, np.ndarray] = {}
    for name in GROWER:
        values = np.full(len(flow), "", dtype=object)
        for sort, table in ((Flow.DELIVERY, "deliveries"), (Flow.OPENING, "opening_stock")):
            frame, here = estate[table], kind == sort
            if name in frame.columns:
                dated = name == "vintage" and sort == Flow.DELIVERY
                names = vintages(frame) if dated else frame[name].astype(object)
                values[here] = names.fillna("").to_numpy()[row[here]]
        columns[name] = values
    own = (columns["supplier"] == "") & (kind == Flow.DELIVERY)
    columns["supplier"][own] = "own vineyard"
    return pd.DataFrame(columns)


def _names(results: Results, state: Ints) -> np.ndarray:
    """Lot of each state; of a batch the lot that it gives, or its press load."""
    chain = results.chain
    states, flows = chain.states, chain.flows
    opened = states.flow[state]
    given = np.where(flows.target[opened] >= 0, flows.target[opened], flows.source[opened])
    dosed = flows.kind[opened] == Flow.LIQUEUR  # the liqueur may be what completes a disgorgement
    given[dosed] = chain.lots.of_rows["disgorgements", "release_lot"][flows.row[opened[dosed]]]
    lot = np.where(states.lot[state] >= 0, states.lot[state], given)
    named = np.append(chain.lots.names.to_numpy(dtype=object), "")[lot]
    loads = (states.batch[state] >= 0) & (states.batch[state] < len(flows.load_names))
    named[loads] = flows.load_names.to_numpy(dtype=object)[states.batch[state][loads]]
    return named


def _cells(results: Results, column: Ints, row: Ints) -> dict[str, np.ndarray]:
    """Place (`Sheet!cell`) and sheet of the money of each posting. column: of `MONEY_COLUMNS`."""
    cell, cells = pd.MultiIndex.from_arrays([column, row]).factorize()
    named = [(*MONEY_COLUMNS[number], int(row_number)) for number, row_number in cells]
    places = [results.estate.place(table, row_number, name) for table, name, row_number in named]
    titles = np.array([sheets()[table].title for table, _ in MONEY_COLUMNS], dtype=object)
    return {"place": np.append(np.array(places, dtype=object), "")[cell], "sheet": titles[column]}


def grouped_origins(lines: pd.DataFrame, by: Sequence[str]) -> pd.DataFrame:
    """Origins added up by any of their columns: supplier (the grower), village, vintage, stage, element and so
    on.

    CostingError with the nearest name if there is no such column.
    """
    for name in by:
        if name not in lines.columns:
            message = f"origins have no column '{name}'. {nearest(name, lines.columns)}".strip()
            raise CostingError(message)
    return lines.groupby(list(by), as_index=False, dropna=False)[["own", "capital", "total"]].sum()
