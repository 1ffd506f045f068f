"""What happened to the value of stock between two dates: cost of goods sold, other exits, losses, and the
roll-forward by stage.

    opening + put in + time charges + capital + from other stages
    − to other stages − sold and other exits − losses = closing

A cost incurred after bottles had gone is cost of goods sold on the day it was incurred. Stages are those in
which wine is held; a batch (press load, bottling, disgorgement, dispatch) belongs to the stage of its
operation.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.engine.shares import LOST
from costing.graph.arrays import OPERATIONS, STAGES, Floats, Flow, Ints, codes
from costing.inputs.schema import operations
from costing.results.results import Results
from costing.results.stock import (
    Dates,
    day_numbers,
    late_postings,
    late_worth,
    open_states,
    values_at,
)


def exits(results: Results, start: Dates, end: Dates) -> pd.DataFrame:
    """Cost of what left from the start to the end of a period (both days included): way out, channel,
    quantity, cost.

    Sales are cost of goods sold; samples, hospitality, staff, theft, sales in bulk and distillation have
    lines of their own; so have losses beyond the norm, by what they were lost in.
    """
    first, last = day_numbers(results, start)[0], day_numbers(results, end)[0]
    shares, flows = results.shares, results.chain.flows
    before, after = _left_by(results, first - 1), _left_by(results, last)
    amount = after - before
    way, through = _ways_out(results)
    day = flows.day[shares.exit_flow]
    quantity = np.where((day >= first) & (day <= last) & (shares.exit_reason != LOST), flows.out[shares.exit_flow], 0.0)
    frame = pd.DataFrame({"way_out": way, "channel": through, "quantity": quantity, "cost": amount})
    frame = frame[(frame["cost"] != 0) | (frame["quantity"] != 0)]
    return frame.groupby(["way_out", "channel"], as_index=False, sort=True)[["quantity", "cost"]].sum()


def _left_by(results: Results, day: int) -> Floats:
    """Cost that has left by each exit by the end of a day, late costs not yet incurred left out."""
    shares, flows = results.shares, results.chain.flows
    gone = flows.day[shares.exit_flow] <= day
    total = results.total
    late = late_postings(results, day)
    if len(late):
        total = total - late_worth(results, late)
    return np.where(gone, shares.exit_share * total[shares.exit_source], 0.0)


def _ways_out(results: Results) -> tuple[np.ndarray, np.ndarray]:
    estate, flows, shares = results.estate, results.chain.flows, results.shares
    flow = shares.exit_flow
    way, through = np.full(len(flow), "", dtype=object), np.full(len(flow), "", dtype=object)
    sent = estate["dispatches"]["channel"]
    names = pd.Index(sent.cat.categories)
    channels = estate["channels"].drop_duplicates("channel", keep="last").set_index("channel")["way_out"]
    of_name = np.append(channels.reindex(names).astype(object).fillna("sale").to_numpy(), "sale")
    dispatched = flows.kind[flow] == Flow.DISPATCH
    channel = codes(sent, names)[flows.row[flow[dispatched]]]
    way[dispatched] = of_name[channel]
    through[dispatched] = np.append(names.to_numpy(dtype=object), "")[channel]
    bulk = flows.kind[flow] == Flow.MOVEMENT
    exit_of = np.array([row.exit or "" for row in operations().values()] + [""], dtype=object)
    bulk &= shares.exit_reason != LOST
    way[bulk] = exit_of[flows.operation[flow[bulk]]]
    lost = shares.exit_reason == LOST
    way[lost] = "loss beyond the norm"
    done = np.array([*OPERATIONS, "gauging or count"], dtype=object)
    through[lost] = done[flows.operation[flow[lost]]]
    return way, through


def expensed_at_once(results: Results, start: Dates, end: Dates) -> pd.DataFrame:
    """Amounts of a period that never entered the wine, by stage and element: storage outside the window, idle
    pools.
    """
    first, last = day_numbers(results, start)[0], day_numbers(results, end)[0]
    charges, states = results.charges, results.chain.states
    apart = charges.expensed
    inside = (apart.incurred >= first) & (apart.incurred <= last)
    rows = [(apart.stage[inside], apart.element[inside], apart.amount[inside])]
    for part in charges.accrued:
        if part.expensed:
            begin = np.clip(first, states.start[part.states], states.end[part.states])
            stop = np.clip(last + 1, begin, states.end[part.states])
            amount = part.charge.curve.amount(begin, stop) * states.quantity[part.states]
            rows.append((states.stage[part.states], np.full(len(amount), part.charge.element), amount))
    stage, element, amount = (np.concatenate(column) for column in zip(*rows, strict=True))
    frame = pd.DataFrame(
        {
            "stage": np.array(STAGES, dtype=object)[stage],
            "element": results.charges.elements.to_numpy(dtype=object)[element],
            "amount": amount,
        }
    )
    summed = frame.groupby(["stage", "element"], as_index=False)[["amount"]].sum()
    return summed[summed["amount"] != 0]


def roll_forward(results: Results, start: Dates, end: Dates) -> pd.DataFrame:
    """Value of stock by stage from the end of one day to the end of another; every row closes, the last one
    totals.

    Columns: opening, put_in (purchases, work, dry goods), time_charges, capital, from_stages, to_stages,
    exits, losses, closing, difference.
    """
    first, last = day_numbers(results, start)[0], day_numbers(results, end)[0]
    n = len(STAGES)
    opening, closing = _by_stage(results, first), _by_stage(results, last)
    put_in, timed, capital = np.zeros(n), np.zeros(n), np.zeros(n)
    arriving, leaving, gone, lost = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)
    for sign, day in ((-1.0, first), (1.0, last)):
        done = _until(results, day)
        for total, part in zip((put_in, timed, capital, arriving, leaving, gone, lost), done, strict=True):
            total += sign * part
    frame = pd.DataFrame(
        {
            "stage": STAGES,
            "opening": opening,
            "put_in": put_in,
            "time_charges": timed,
            "capital": capital,
            "from_stages": arriving,
            "to_stages": -leaving,
            "exits": -gone,
            "losses": -lost,
            "closing": closing,
        }
    )
    frame.loc[len(frame)] = ["total", *frame.drop(columns="stage").sum()]
    moved = ["opening", "put_in", "time_charges", "capital", "from_stages", "to_stages", "exits", "losses"]
    frame["difference"] = frame[moved].sum(axis=1) - frame["closing"]
    return frame


def _binned(stage: Ints, amount: Floats) -> Floats:
    return np.asarray(np.bincount(stage, amount, len(STAGES)), dtype=np.float64)


def _by_stage(results: Results, day: int) -> Floats:
    state = open_states(results, day)
    value = values_at(results, state, day).sum(axis=1)
    return _binned(results.chain.states.stage[state], value)


def _until(results: Results, day: int) -> tuple[Floats, ...]:
    """Everything by stage from the beginning of the records to the end of a day."""
    states, charges, shares = results.chain.states, results.charges, results.shares
    n = len(STAGES)
    begun = states.start <= day
    postings = charges.postings
    known = begun[postings.state] & (postings.incurred <= day)
    put_in = _binned(states.stage[postings.state[known]], postings.amount[known])
    timed = np.zeros(n)
    for part in charges.accrued:
        if not part.expensed:
            stop = np.clip(day, states.start[part.states], states.end[part.states])
            amount = part.charge.curve.amount(states.start[part.states], stop) * states.quantity[part.states]
            timed += _binned(states.stage[part.states], amount)
    worth = results.solution.worth
    late = late_postings(results, day)
    if len(late):
        worth = worth - late_worth(results, late)
    source, target = _edge_ends(results)
    passed = shares.edge_share * worth[source]
    over = begun[target]
    arriving = _binned(states.stage[target[over]], passed[over])
    leaving = _binned(states.stage[source[over]], passed[over])
    within = _binned(
        states.stage[target[over]],
        np.where(states.stage[source[over]] == states.stage[target[over]], passed[over], 0.0),
    )
    gone_by = _left_by(results, day)
    stage = states.stage[shares.exit_source]
    is_lost = shares.exit_reason == LOST
    gone, lost = _binned(stage[~is_lost], gone_by[~is_lost]), _binned(stage[is_lost], gone_by[is_lost])
    capital = _capital_until(results, day, late)
    return put_in, timed, capital, arriving - within, leaving - within, gone, lost


def _capital_until(results: Results, day: int, late: Ints) -> Floats:
    """Capital charged by stage up to the end of a day: in full where a state has ended, in part where it is
    open.
    """
    chain, charges, solution = results.chain, results.charges, results.solution
    states, n = chain.states, len(STAGES)
    if charges.curve is None:
        return np.zeros(n)
    capital, arrived = solution.capital, solution.arrived
    if len(late):
        worth = late_worth(results, late)
        onward = results.shares.matrix @ worth
        amounts = np.bincount(charges.postings.state[late], charges.postings.amount[late], len(states))
        capital, arrived = capital - (worth - onward - amounts), arrived - onward
    lots = np.arange(len(chain.lots.names))
    present = chain.state_on(lots, np.full(len(lots), day))
    present = present[present >= 0]
    ended = states.start <= day
    ended[present] = False
    by_stage = _binned(states.stage[ended], capital[ended])
    held = present[states.quantity[present] > 0]
    part = np.zeros(len(states))
    part[held] = values_at(results, held, day).sum(axis=1) - arrived[held]
    postings = charges.postings
    known = postings.incurred <= day
    part -= np.bincount(postings.state[known], postings.amount[known], len(states))
    for charge in charges.accrued:
        if not charge.expensed:
            stop = np.clip(day, states.start[charge.states], states.end[charge.states])
            amount = charge.charge.curve.amount(states.start[charge.states], stop)
            part[charge.states] -= amount * states.quantity[charge.states]
    return by_stage + _binned(states.stage[held], part[held])


def _edge_ends(results: Results) -> tuple[Ints, Ints]:
    edges = results.chain.edges
    return edges.source[results.shares.edge], edges.target[results.shares.edge]
