"""Derivatives of the cost per bottle of releases by every quantity of the workbook, later rows following.

    q̇ = T·q̇ + s        λ = Tᵀ·λ + ∂C/∂q        dC/dθ = (∂C/∂out + …)·∂out/∂θ + …

q̇: change of what each lot-state holds. A row takes the same share of its lot as in the records
(`decisions.changes.replay`), so every later quantity is linear in the earlier ones: T holds what part of a change in
one state passes on to the next. One solve with the transpose gives the change of cost by every quantity at once:
through what is charged by it (`decisions.changes.driven_money`), through the shares S, through losses beyond their
norm, and through the bottles by which the cost is divided. How a row's figures give its quantities and its abnormal
loss is read off the rows themselves, all rows of a column a small step up and down.

What it does not do: speak at a kink (NaN: a row draws its lot to the last drop and would draw more, a gauging finds
just what its norm expects), of figures that are blank or 0, or of dates.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import csr_matrix

from costing.array_types import Floats, Ints
from costing.decisions.changes.driven_money import Driven, driven_money, ratio
from costing.decisions.changes.gradients import Gradients, Reached, split_by
from costing.decisions.changes.replay import recorded_touches
from costing.engine.solve import Triangular
from costing.graph.arrays import STAGES, TABLES, Flow
from costing.graph.balance import COUNT, IN, IN_PLACE, LOSS, OUT, Allowances, Balance, Touches, allowances, work_begins
from costing.graph.flows import Flows, flows_of, yearly_norms
from costing.results.results import Results

QUANTITY_COLUMNS: dict[str, tuple[str, ...]] = {
    "opening_stock": ("quantity",),
    "deliveries": ("quantity",),
    "pressings": ("weight_kg", "volume_l"),
    "movements": ("out_l", "out_bottles", "in_l", "in_bottles", "added_l"),
    "tirage": ("wine_l", "liqueur_l", "bottles"),
    "disgorgements": ("bottles_in", "bottles_out", "liqueur_l"),
    "dispatches": ("bottles",),
    "stocktakes": ("quantity",),
}
_STEP = 1e-5


@dataclass(frozen=True, eq=False)
class _Records:
    """The touches of every lot in time order, their states, and what passes from state to state."""

    results: Results
    touches: Touches
    balance: Balance
    state: Ints
    previous: Ints
    abnormal: Floats
    passes: Triangular

    @classmethod
    def of(cls, results: Results) -> _Records:
        chain = results.chain
        flows, states = chain.flows, chain.states
        touches = recorded_touches(results.estate, chain)
        state = chain.by_lot  # states of lots stand as the touches do
        before, after = states.before[state], states.quantity[state]
        abnormal = results.basis.abnormal_share(flows.abnormal)
        previous = states.previous[state]
        balance = Balance(before, after, np.minimum(flows.out[touches.flow], before))
        passes = Triangular(_passed_on(results, touches, balance, state, previous))
        return cls(results, touches, balance, state, previous, abnormal, passes)


def quantity_gradients(reached: Reached) -> Gradients:
    """Derivatives of the cost per bottle of sets of disgorgements by every quantity, loss norm and normal capacity:
    (table, column) -> [sets, rows]; 0 where the value is blank or 0, NaN at a kink.

    reached: sets of the batch states of disgorgements that put out bottles.
    """
    results, sets = reached.results, reached.sets
    records = _Records.of(results)
    slopes = [_slopes(records, states, grown) for states, grown in zip(sets, reached.grown, strict=True)]
    by_column: Gradients = {}
    for table, columns in QUANTITY_COLUMNS.items():
        for column in columns:
            by_column[table, column] = _by_row(records, slopes, table, column)
    by_column["pressings", "volume_l"] += split_by(reached, "volume_l")
    flows = results.chain.flows
    opening = np.flatnonzero(flows.kind == Flow.OPENING)
    allowed = np.zeros((len(sets), len(results.estate["opening_stock"])))
    allowed[:, flows.row[opening]] = [slope.allowance[opening] for slope in slopes]
    given = np.nan_to_num(results.estate["opening_stock"]["loss_allowance"].to_numpy(dtype=np.float64)) != 0
    by_column["opening_stock", "loss_allowance"] = np.where(given, allowed, 0.0)
    by_column["loss_norms", "percent"] = _norms(records, slopes)
    by_column["pools", "normal_capacity"] = np.vstack([slope.driven.capacity for slope in slopes])
    bottles = np.array([_bottles_out(results, states).sum() for states in sets])
    return {cells: by_row / bottles[:, np.newaxis] for cells, by_row in by_column.items()}


def _bottles_out(results: Results, states: Ints) -> Floats:
    """Bottles that disgorgements put out [flows]; 0 for the flows of others."""
    flows = results.chain.flows
    chosen = (flows.kind == Flow.DISGORGEMENT) & np.isin(flows.batch, results.chain.states.batch[states])
    return np.where(chosen, flows.into, 0.0)


def _passed_on(results: Results, touches: Touches, balance: Balance, state: Ints, previous: Ints) -> csr_matrix:
    """T [states, states]: what part of a change in one state is in another."""
    chain = results.chain
    flows, states = chain.flows, chain.states
    flow, role = touches.flow, touches.role
    out, into = flows.out[flow], flows.into[flow]
    before, after = balance.before, balance.after
    some = before > 0
    part_out = np.divide(out, before, out=np.zeros(len(flow)), where=some)
    part_in = np.divide(into, before, out=np.zeros(len(flow)), where=some)
    stays = np.ones(len(flow))
    draws = (role == OUT) | (role == LOSS)
    stays[draws] = np.where(after[draws] <= 0, 0.0, 1.0 - part_out[draws])
    stays[role == IN_PLACE] = 1.0 + (part_in - part_out)[role == IN_PLACE]
    stays[role == COUNT] = part_in[role == COUNT]
    kept = np.flatnonzero(previous >= 0)
    drawn = np.flatnonzero((role == OUT) & (previous >= 0))
    pressed = drawn[flows.kind[flow[drawn]] == Flow.PRESS_IN]
    load = states.batch_state[flows.batch[flow[pressed]]]
    moved = drawn[(chain.target_state[flow[drawn]] >= 0)]
    given = np.flatnonzero((flows.kind == Flow.PRESS_OUT) & (chain.target_state >= 0))
    from_load = states.batch_state[flows.batch[given]]
    weight = states.quantity[from_load]
    to = [state[kept], load, chain.target_state[flow[moved]], chain.target_state[given]]
    by = [previous[kept], previous[pressed], previous[moved], from_load]
    part = [stays[kept], part_out[pressed], part_in[moved], ratio(flows.into[given], weight)]
    n = len(states)
    return csr_matrix((np.concatenate(part), (np.concatenate(to), np.concatenate(by))), shape=(n, n))


@dataclass(frozen=True, eq=False)
class _Slopes:
    """Derivatives of the cost of one set, later rows following: by what each flow draws and receives, by its abnormal
    share, by the allowance that each opening flow brings [flows], and by the yearly norm of each stage [stages].
    at_norm [flows]: whether a gauging found just what the norm expects.
    """

    driven: Driven
    out: Floats
    into: Floats
    abnormal: Floats
    allowance: Floats
    yearly: Floats
    at_norm: np.ndarray


def _slopes(records: _Records, chosen: Ints, grown: Floats) -> _Slopes:
    """Derivatives of the cost of one set less its cost per bottle for each bottle put out."""
    results, touches = records.results, records.touches
    chain, solution = results.chain, results.solution
    flows, states = chain.flows, chain.states
    driven = driven_money(results, grown)
    out, into, on_hand = driven.out.copy(), driven.into.copy(), driven.on_hand.copy()
    bottles = _bottles_out(results, chosen)
    into[bottles > 0] -= solution.worth[chosen].sum() / bottles.sum()

    flow, role, state, previous = touches.flow, touches.role, records.state, records.previous
    before = records.balance.before
    arrives = grown * solution.growth  # by worth that comes into a state
    begins = work_begins(touches, records.balance, flows)
    worth = np.append(solution.worth, 0.0)[previous[begins]]
    drawn = np.flatnonzero(((role == OUT) | (role == IN_PLACE)) & (before > 0))
    by, held_first = flow[drawn], before[begins[drawn]]
    whole = ratio(records.balance.drawn[drawn], held_first)
    through = np.append(states.batch_state, -1)[flows.batch[by]]
    goes_to = np.where(flows.batch[by] >= 0, through, chain.target_state[by])
    leaves = np.where(goes_to >= 0, arrives[goes_to], 0.0) * worth[drawn]
    by_share = leaves * (1.0 - records.abnormal[by]) - arrives[state[drawn]] * worth[drawn]
    abnormal = np.zeros(len(flows))
    abnormal[by] = -leaves * whole
    _work_lost(records, grown, abnormal)
    direct_out, direct_into = np.zeros(len(flows)), np.zeros(len(flows))
    direct_out[by] = by_share / held_first
    later = np.flatnonzero(begins[drawn] != drawn)  # rows of a work in parts: each takes its part of the lot by then
    follows = by_share[later] * whole[later]
    np.add.at(on_hand, previous[drawn[later]], follows / before[drawn[later]])
    np.subtract.at(on_hand, previous[begins[drawn[later]]], follows / held_first[later])

    beyond = _judged(records, arrives, on_hand)
    follows = np.flatnonzero(((role == OUT) | (role == IN_PLACE) | (role == LOSS)) & (before > 0))
    by = flow[follows]
    np.add.at(on_hand, previous[follows], (out[by] * flows.out[by] + into[by] * flows.into[by]) / before[follows])
    given = np.flatnonzero(flows.kind == Flow.PRESS_OUT)
    load = states.batch_state[flows.batch[given]]
    np.add.at(on_hand, load, into[given] * ratio(flows.into[given], states.quantity[load]))
    passed = records.passes.backward(on_hand)

    taken = np.flatnonzero((role == OUT) | (role == IN_PLACE) | (role == LOSS))
    direct_out[flow[taken]] -= passed[state[taken]]
    comes = np.flatnonzero((role == IN) | (role == IN_PLACE) | (role == COUNT))
    direct_into[flow[comes]] += passed[state[comes]]
    return _Slopes(driven, out + direct_out, into + direct_into, abnormal, *beyond)


def _work_lost(records: _Records, grown: Floats, abnormal: Floats) -> None:
    """Add what the abnormal share of each flow takes of the work done on what was lost [flows]."""
    results, postings = records.results, records.results.charges.postings
    worked = np.flatnonzero(postings.worked_on >= 0)
    flow = postings.worked_on[worked]
    brought = grown[postings.state[worked]] * results.charges.worth[worked]
    np.subtract.at(abnormal, flow, ratio(brought, 1.0 - records.abnormal[flow]))


def _judged(records: _Records, arrives: Floats, on_hand: Floats) -> tuple[Floats, Floats, np.ndarray]:
    """Through losses beyond their yearly norm: by the allowance of each opening flow, by the norm of each stage, and
    which gaugings found just what it expects; what quantities held do is added to `on_hand`.

        x = 1 − after/(before − allowance)
    """
    results, touches, balance = records.results, records.touches, records.balance
    flows, states, solution = results.chain.flows, results.chain.states, results.solution
    by_flow, by_stage, at_norm = np.zeros(len(flows)), np.zeros(len(STAGES)), np.zeros(len(flows), dtype=bool)
    if results.basis.abnormal_loss == "survivors":
        return by_flow, by_stage, at_norm
    norm = yearly_norms(results.estate)
    stage_before = np.where(records.previous >= 0, states.stage[records.previous], 0)
    known = allowances(touches, balance, flows, stage_before, norm)
    judged = known.judged
    before, after = balance.before[judged], balance.after[judged]
    expected = np.maximum(before - known.left, 0.0)
    beyond = (flows.kind[touches.flow[judged]] != Flow.CUT) & (after > 0) & (expected > 0)
    beyond &= (after < expected) | results.basis.abnormal_gains
    carried = np.where(
        beyond, arrives[records.state[judged]] * np.append(solution.worth, 0.0)[records.previous[judged]], 0.0
    )
    by_after, by_expected = ratio(carried, expected), -ratio(carried * after, expected**2)
    np.add.at(on_hand, records.state[judged], by_after)
    np.add.at(on_hand, records.previous[judged], by_expected)
    accrued, lost = _allowed(known, -by_expected)
    real = known.lost > 0
    np.add.at(on_hand, records.previous[judged], np.where(real, lost, 0.0))
    np.add.at(on_hand, records.state[judged], np.where(real, -lost, 0.0))
    held_years = _from_segment(known, accrued, len(touches.lot)) * known.held_years
    inside = np.flatnonzero(records.previous >= 0)
    np.add.at(on_hand, records.previous[inside], (held_years * norm[stage_before])[inside])
    np.add.at(by_stage, stage_before, held_years * balance.before)
    np.add.at(by_flow, touches.flow[known.segment], accrued)
    at_norm[touches.flow[judged[np.abs(after - expected) <= 1e-9 * before]]] = not results.basis.abnormal_gains
    return by_flow, by_stage, at_norm


def _allowed(known: Allowances, by_left: Floats) -> tuple[Floats, Floats]:
    """Derivatives by the allowance accrued and by the loss of each judged touch, given those by what was left.

    left = accrued − used before        used = min(used before + loss, accrued)
    """
    n = len(known.judged)
    follows = np.r_[False, known.segment[1:] == known.segment[:-1]]
    by_left = np.where(known.left > 0, by_left, 0.0)
    full = known.lost > known.left  # the allowance is used up
    goes_on = np.flatnonzero(follows & ~full)
    chain = Triangular(csr_matrix((np.ones(len(goes_on)), (goes_on, goes_on - 1)), shape=(n, n)))
    used = np.zeros(n)
    used[:-1] = np.where(follows[1:], -by_left[1:], 0.0)
    used = chain.backward(used)
    return by_left + np.where(full, used, 0.0), np.where(full, 0.0, used)


def _from_segment(known: Allowances, accrued: Floats, touches: int) -> Floats:
    """Derivative by what the allowance grew before each touch: of every later judged touch of its segment."""
    change = np.zeros(touches + 1)
    np.add.at(change, known.segment, accrued)
    np.subtract.at(change, known.judged + 1, accrued)
    return np.cumsum(change)[:-1]


@dataclass(frozen=True, eq=False)
class _Moved:
    """What one unit more of a row's figure does to the quantities and the abnormal share of its flows [flows]."""

    out: Floats
    into: Floats
    abnormal: Floats


def _moved(results: Results, table: str, column: str, rows: Ints) -> _Moved:
    """By small steps of the rows' figures, all at once."""
    frame, lots = results.estate[table], results.chain.lots
    values = frame[column].to_numpy(dtype=np.float64)
    step = np.zeros(len(frame))
    step[rows] = _STEP * np.abs(values[rows])
    more = np.minimum(step, 1.0 - values) if table == "loss_norms" else step  # a norm of 100 % can't rise
    ends: list[Flows] = []
    for moved in (values + more, values - step):
        estate = replace(results.estate, tables={**results.estate.tables, table: frame.assign(**{column: moved})})
        ends.append(flows_of(estate, lots))
    flows, apart = results.chain.flows, more + step
    if table == "loss_norms":
        width = np.full(len(flows), apart[rows[0]])
    else:
        width = np.where(np.isin(flows.kind, _kinds(table)), apart[np.minimum(flows.row, len(frame) - 1)], 0.0)
    up, down = ends
    beyond = [results.basis.abnormal_share(moved_by.abnormal) for moved_by in ends]
    changes = (up.out - down.out, up.into - down.into, beyond[0] - beyond[1])
    return _Moved(*(np.divide(moved_by, width, out=np.zeros(len(flows)), where=width > 0) for moved_by in changes))


def _kinds(table: str) -> list[int]:
    return [kind for kind, name in enumerate(TABLES) if name == table]


def _by_flow(records: _Records, slopes: _Slopes, moved: _Moved) -> Floats:
    """Derivative through each flow; NaN where it would draw more than the last drop, or lose more than the norm."""
    touches = records.touches
    worth = slopes.out * moved.out + slopes.into * moved.into + slopes.abnormal * moved.abnormal
    last = ((touches.role == OUT) | (touches.role == LOSS)) & (records.balance.after <= 0)
    empties = np.zeros(len(worth), dtype=bool)
    empties[touches.flow[last]] = True
    kinked = (empties & (moved.out != 0)) | (slopes.at_norm & (moved.into != 0))
    return np.where(kinked, np.nan, worth)


def _by_row(records: _Records, slopes: Sequence[_Slopes], table: str, column: str) -> Floats:
    """Derivatives by the rows of a column of quantities [sets, rows]."""
    results = records.results
    values = np.nan_to_num(results.estate[table][column].to_numpy(dtype=np.float64))
    rows, n = np.flatnonzero(values != 0), len(values)
    if not len(rows):
        return np.zeros((len(slopes), n))
    moved = _moved(results, table, column, rows)
    flows = results.chain.flows
    here = np.isin(flows.kind, _kinds(table))
    return np.vstack([np.bincount(flows.row[here], _by_flow(records, slope, moved)[here], n) for slope in slopes])


def _norms(records: _Records, slopes: Sequence[_Slopes]) -> Floats:
    """Derivatives by the rows of Loss norms [sets, rows]."""
    results = records.results
    frame = results.estate["loss_norms"]
    by_row = np.zeros((len(slopes), len(frame)))
    of_stage = {
        stage: row for row, stage in enumerate(frame["applies_to"]) if frame["time_base"].iloc[row] == "per year"
    }
    for row in np.flatnonzero(frame["percent"].to_numpy() != 0):
        stage = frame["applies_to"].iloc[row]
        if of_stage.get(stage) == row and stage in STAGES:
            by_row[:, row] = [slope.yearly[STAGES.index(stage)] for slope in slopes]
        elif frame["time_base"].iloc[row] == "per movement":
            moved = _moved(results, "loss_norms", "percent", np.array([row]))
            by_row[:, row] = [_by_flow(records, slope, moved).sum() for slope in slopes]
    return by_row
