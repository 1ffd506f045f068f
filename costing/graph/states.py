"""Lot-states: every lot cut at each of its flows, with the balance it held in between.

    balance after = balance before − out + in;   a gauging or count sets it;   the difference is loss or gain

A withdrawal leaves at the moving weighted average of its moment, so the share of a state's cost that passes
on is quantity drawn over quantity held. A balance within tolerance of zero closes into the last withdrawal. A
lot at zero starts a new identity. States are numbered in time order: an edge always leads from a lower to a
higher number, which is what makes one triangular solve enough.

A batch (press load, bottling, disgorgement, dispatch, exit) is a state of no length between the lots it draws
on and those it fills. What a basis does with an abnormal share is not decided here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from costing.array_types import Floats, Ints
from costing.errors import Finding
from costing.graph.arrays import GIVES, KINDS, OPERATION_STAGE, STAGE_OF_KIND, Flow, Lots
from costing.graph.balance import (
    IN,
    IN_PLACE,
    OUT,
    Balance,
    Touches,
    ambiguous_refills,
    balances,
    judge_counts,
    touches_of,
    work_begins,
)
from costing.graph.flows import Flows
from costing.graph.places import Places
from costing.once import Once


@dataclass(frozen=True)
class States:
    """Lot-states and batch states, in time order; parallel arrays.

    lot (−1: batch), batch (−1: lot-state), flow that opened it, previous state of the same lot (−1), start
    and end day, quantity held in the unit of the lot (batches: quantity that passes), before: quantity just
    before the opening flow, stage, kind of goods.
    """

    lot: Ints
    batch: Ints
    flow: Ints
    previous: Ints
    start: Ints
    end: Ints
    quantity: Floats
    before: Floats
    stage: Ints
    kind: Ints
    last_of_lot: Ints
    batch_state: Ints

    def __len__(self) -> int:
        return len(self.lot)


@dataclass(frozen=True)
class Edges:
    """Shares of cost that pass from state to state.

    source, target: states (−1 as target: the wine has left); share: part of the source; abnormal: part of
    that share lost beyond the norm (negative: gained); flow; press_row: row of Pressings whose split sets the
    share (−1: share stands).
    """

    source: Ints
    target: Ints
    share: Floats
    abnormal: Floats
    flow: Ints
    press_row: Ints

    def shares_when_split(self, of_row: Floats) -> Floats:
        """Shares of all edges, those out of press loads as a split gives them. of_row: by row of Pressings."""
        return np.where(self.press_row >= 0, np.append(of_row, 0.0)[self.press_row], self.share)


@dataclass(frozen=True)
class Chain(Once):
    """The whole graph: numbered lots, flows, states and edges, and the last day it covers.

    source_state, target_state: state that each flow opened in the lot it drew from, and in the lot it filled
    (−1: none); by_lot: lot- states sorted by lot, then time; lot_start: where each lot begins in it; allowance_left:
    loss that each lot's yearly norm still allows at the valuation date; others: how other people's goods moved (None:
    there are none).
    """

    lots: Lots
    flows: Flows
    states: States
    edges: Edges
    valuation_day: int
    horizon_day: int
    source_state: Ints
    target_state: Ints
    by_lot: Ints
    lot_start: Ints
    allowance_left: Floats
    cautions: tuple[Finding, ...] = ()
    others: Chain | None = None

    @cached_property
    def _days(self) -> tuple[int, int, Ints]:
        """First day, number of days, and (lot, first day) as one number of each state in `by_lot`, ascending."""
        first = int(self.states.start.min(initial=0))
        span = int(self.horizon_day - first) + 2
        return first, span, self.states.lot[self.by_lot] * span + (self.states.start[self.by_lot] - first)

    def state_on(self, lot: Ints, day: Ints) -> Ints:
        """Last state of each lot that began on or before the end of that day (−1: none)."""
        first, span, key = self._days
        latest = np.searchsorted(key, lot * span + np.clip(day - first, -1, span - 1), side="right") - 1
        return np.where(latest >= self.lot_start[lot], self.by_lot[latest], -1)

    @cached_property
    def _last_filled(self) -> Ints:
        """Of each state: itself if it holds something, else the last earlier state of its lot that did (−1: none)."""
        filled = self.states.quantity[self.by_lot] > 0
        latest = np.maximum.accumulate(np.where(filled, np.arange(len(filled)), -1))
        lot = self.states.lot[self.by_lot]
        earlier = np.full(len(self.states), -1, dtype=np.int64)
        earlier[self.by_lot] = np.where(latest >= self.lot_start[lot], self.by_lot[latest], -1)
        return earlier

    def last_filled(self, state: Ints) -> Ints:
        """The state itself if it holds something, else the last earlier state of its lot that did (−1: none)."""
        return np.where(state >= 0, self._last_filled[state], -1) if len(self.states) else state


def build_states(
    lots: Lots,
    flows: Flows,
    order: Ints,
    tolerance: Floats,
    norm_per_year: Floats,
    valuation_day: int,
    place: Places,
) -> tuple[Chain, list[Finding]]:
    """Cut the lots at every flow and draw the edges between the states.

    order: flows, first to happen first; tolerance: per unit (kg, L, bottles); norm_per_year: per stage,
    fraction; place: flow, column -> cell. Findings name overdrawn lots, lots drawn before they were filled,
    and counts of empty lots.
    """
    touches = touches_of(flows, order)
    balance, findings = balances(touches, flows, lots, tolerance, place)
    numbers = _number(flows, order, touches)
    horizon = max(valuation_day, int(flows.day.max(initial=valuation_day)))
    states = _states(lots, flows, touches, balance, numbers, horizon)
    states = _with_kind(states, flows, lots, touches, balance, numbers)
    stage_before = np.roll(states.stage[numbers.touch], 1)
    counted, allowance = judge_counts(touches, balance, flows, stage_before, norm_per_year)
    edges = _edges(flows, touches, balance, numbers, states, counted)
    findings += ambiguous_refills(touches, balance, flows, tolerance, lots, place)
    left = np.zeros(len(lots.names))
    cut = flows.kind[touches.flow] == Flow.CUT
    left[touches.lot[cut]] = allowance[cut]
    chain = Chain(
        lots,
        flows,
        states,
        edges,
        valuation_day,
        horizon,
        source_state=numbers.source,
        target_state=numbers.target,
        by_lot=numbers.touch,
        lot_start=np.searchsorted(touches.lot, np.arange(len(lots.names) + 1)),
        allowance_left=left,
    )
    return chain, findings


@dataclass(frozen=True)
class _Numbers:
    """Which state each touch, flow and batch opens, in time order: a flow opens that of the lot it draws from, then its
    batch if it is the last to feed it, then that of the lot it fills.

    touch: by touch; source, target: by flow (−1: none); batch: by batch (−1: none); opens: flows that open a batch;
    count: of all states.
    """

    touch: Ints
    source: Ints
    target: Ints
    batch: Ints
    opens: Ints
    count: int


def _number(flows: Flows, order: Ints, touches: Touches) -> _Numbers:
    n = len(flows)
    draws, opens_batch, fills = (np.zeros(n, dtype=np.int64) for _ in range(3))
    draws[touches.flow[touches.is_out]] = 1
    fills[touches.flow[~touches.is_out]] = 1
    feeds = order[(flows.batch[order] >= 0) & (flows.kind[order] != Flow.PRESS_OUT)]
    last = np.full(flows.n_batches, -1, dtype=np.int64)
    last[flows.batch[feeds]] = feeds  # later entries overwrite earlier ones
    opens_batch[last[last >= 0]] = 1
    size = draws + opens_batch + fills
    first = np.zeros(n, dtype=np.int64)
    first[order] = np.cumsum(size[order]) - size[order]
    source = np.where(draws > 0, first, -1)
    target = np.where(fills > 0, first + draws + opens_batch, -1)
    opens = np.flatnonzero(opens_batch)
    batch = np.full(flows.n_batches, -1, dtype=np.int64)
    batch[flows.batch[opens]] = first[opens] + draws[opens]
    touch = np.where(touches.is_out, source[touches.flow], target[touches.flow])
    return _Numbers(touch, source, target, batch, opens, int(size.sum()))


def _states(lots: Lots, flows: Flows, touches: Touches, balance: Balance, numbers: _Numbers, horizon: int) -> States:
    """States without their kind and stage."""
    lot, batch, flow, previous, start, end = (np.full(numbers.count, -1, dtype=np.int64) for _ in range(6))
    quantity, before = np.zeros(numbers.count), np.zeros(numbers.count)
    here = numbers.touch
    lot[here], flow[here] = touches.lot, touches.flow
    start[here] = flows.day[touches.flow]
    end[here] = horizon
    quantity[here], before[here] = balance.after, balance.before
    follows = np.flatnonzero(~touches.first_of_lot)
    previous[here[follows]] = here[follows - 1]
    end[here[follows - 1]] = flows.day[touches.flow[follows]]
    opens = numbers.opens
    here = numbers.batch[flows.batch[opens]]
    batch[here], flow[here] = flows.batch[opens], opens
    start[here] = end[here] = flows.day[opens]
    pressed = flows.kind == Flow.PRESS_IN
    weight = np.bincount(flows.batch[pressed], flows.out[pressed], minlength=flows.n_batches)
    given = np.where(flows.target[opens] >= 0, flows.into[opens], flows.out[opens])
    quantity[here] = np.where(pressed[opens], weight[flows.batch[opens]], given)
    last = np.full(len(lots.names), -1, dtype=np.int64)
    last[touches.lot] = numbers.touch
    stage = np.zeros(numbers.count, dtype=np.int64)
    return States(lot, batch, flow, previous, start, end, quantity, before, stage, stage, last, numbers.batch)


def _with_kind(
    states: States, flows: Flows, lots: Lots, touches: Touches, balance: Balance, numbers: _Numbers
) -> States:
    """Set kind of goods and holding stage of every state.

    An operation that gives a kind sets it, work in place too; wine that enters an empty lot brings its own; otherwise
    the lot stays what it was. States follow an anchor within their lot, anchors follow the lot they were filled from.
    A batch stands in the stage of its operation.
    """
    given = np.where(flows.goods >= 0, flows.goods, np.append(GIVES, -1)[flows.operation])[touches.flow]
    arrives = (touches.role == IN) & (flows.into[touches.flow] > 0)
    sets = (arrives | (touches.role == IN_PLACE)) & (given >= 0)
    brings = arrives & ~sets & (balance.before <= 0)
    index = np.arange(len(touches.flow))
    anchor = np.maximum.accumulate(np.where(sets | brings | touches.first_of_lot, index, 0))
    parent = index.copy()
    fed = np.flatnonzero(brings & (flows.source[touches.flow] >= 0))
    drawn_from = states.previous[numbers.source[touches.flow[fed]]]
    fed, drawn_from = fed[drawn_from >= 0], drawn_from[drawn_from >= 0]
    touch_of = np.full(len(states), -1, dtype=np.int64)
    touch_of[numbers.touch] = index
    parent[fed] = anchor[touch_of[drawn_from]]
    while True:
        further = parent[parent[fed]]
        if (further == parent[fed]).all():
            break
        parent[fed] = further
    usual = np.array([KINDS.index("grapes"), KINDS.index("wine"), KINDS.index("on lees")])  # by unit: kg, L, bottles
    kind = np.where(sets, given, usual[lots.unit[touches.lot]])[parent][anchor]
    kinds, stage = np.full(len(states), -1, dtype=np.int64), np.zeros(len(states), dtype=np.int64)
    kinds[numbers.touch] = kind
    stage[numbers.touch] = STAGE_OF_KIND[kind]
    batches = states.batch_state[states.batch_state >= 0]
    stage[batches] = OPERATION_STAGE[flows.operation[states.flow[batches]]]
    return replace(states, kind=kinds, stage=stage)


def _returns(flows: Flows, touches: Touches, balance: Balance) -> tuple[Ints, Ints, Floats]:
    """Touches at which bottles come back to a lot that was sold out, the last one behind which it held something, and
    what comes back as a part of that. Back in a lot that holds something they are a draw below 0 like any other.
    """
    index = np.arange(len(touches.lot))
    last_held = np.maximum.accumulate(np.where(balance.after > 0, index, -1))
    last = np.r_[-1, last_held[:-1]] if len(last_held) else last_held
    begins = np.maximum.accumulate(np.where(touches.first_of_lot, index, 0))
    back = np.flatnonzero((balance.before <= 0) & (flows.out[touches.flow] < 0) & touches.is_out & (last >= begins))
    return back, last[back], -flows.out[touches.flow[back]] / balance.after[last[back]]


def _edges(
    flows: Flows,
    touches: Touches,
    balance: Balance,
    numbers: _Numbers,
    states: States,
    counted: Floats,
) -> Edges:
    flow, state, before = touches.flow, numbers.touch, balance.before
    some = before > 0
    begins = work_begins(touches, balance, flows)
    whole = np.divide(balance.drawn, before[begins], out=np.zeros(len(flow)), where=some)
    leaves = (touches.role == OUT) & some
    in_place = (touches.role == IN_PLACE) & some
    stays = some & ~touches.first_of_lot
    previous = states.previous[state]
    worked = np.bincount(begins, np.where(in_place, whole, 0.0), len(flow))  # by the first row of each work
    kept = np.where(leaves, 1.0 - whole, np.maximum(1.0 - worked, 0.0))
    back, last, came_back = _returns(flows, touches, balance)
    through = np.append(states.batch_state, -1)[flows.batch]
    goes_to = np.where(flows.batch[flow] >= 0, through[flow], numbers.target[flow])
    fills = np.flatnonzero(np.isin(flows.kind, (Flow.TIRAGE, Flow.DISGORGEMENT)))
    presses = np.flatnonzero((flows.kind == Flow.PRESS_OUT) & (flows.target >= 0))
    sent = np.flatnonzero((flows.kind == Flow.DISPATCH) | ((flows.kind == Flow.MOVEMENT) & (flows.batch >= 0)))
    lost = np.where(in_place, 0.0, counted)
    abnormal = flows.abnormal[flow]
    parts: list[tuple[Any, ...]] = [
        (previous[stays], state[stays], kept[stays], lost[stays], flow[stays], -1),
        (previous[begins[in_place]], state[begins[in_place]], whole[in_place], abnormal[in_place], flow[in_place], -1),
        (previous[leaves], goes_to[leaves], whole[leaves], abnormal[leaves], flow[leaves], -1),
        (through[fills], numbers.target[fills], 1.0, flows.into[fills] <= 0, fills, -1),
        (through[presses], numbers.target[presses], 1.0, 0.0, presses, flows.row[presses]),
        (through[sent], -1, 1.0, 0.0, sent, -1),
        (state[last], state[back], came_back, 0.0, flow[back], -1),
        (state[last], goes_to[back], -came_back, 0.0, flow[back], -1),
    ]
    source, target, share, lost, by, press_row = (
        np.concatenate([np.broadcast_to(part[number], len(part[0])) for part in parts]) for number in range(6)
    )
    real = share != 0
    return Edges(source[real], target[real], share[real], lost[real], by[real], press_row[real])
