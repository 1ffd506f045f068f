"""What happened to the value of stock between two dates: cost of goods sold, other exits, losses, and the
roll-forward by stage.

    opening + put in + time charges + capital + from other stages
    + to other stages + sold and other exits + losses = closing; what goes out stands with a minus

Everything is what had happened, and was known, by the end of one day less the same for another: a cost
incurred after bottles had gone is cost of goods sold on the day it was incurred. Stages are those in which
wine is held; a batch (press load, bottling, disgorgement, dispatch) belongs to the stage of its operation and
keeps nothing. Quantities: `costing.results.quantities`.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import pandas as pd

from costing.array_types import Floats, Ints
from costing.engine.shares import LOST
from costing.graph.arrays import BOTTLE, LITRE, OPERATIONS, STAGES, UNITS, Flow
from costing.money.postings import TABLE_NAMES
from costing.results.late import late_costs
from costing.results.results import Results
from costing.results.stock import Dates, chosen_days, pairs_of, values_of
from costing.results.ways_out import ABNORMAL, names_of_exits

BROUGHT = ("bulk sale", "distillation")
"""Exits whose proceeds stand on Movements."""


def exits(results: Results, start: Dates, end: Dates) -> pd.DataFrame:
    """Cost of what left from the start to the end of a period (both days included): exit, channel or
    operation, unit, quantity, cost, proceeds, result.

    proceeds: what sales in bulk and distillation brought, on the day of the movement; result: proceeds − cost, below 0
    at a loss. Both are NaN for other exits: what bottles brought stands in the margins.

    Sales are cost of goods sold; samples, hospitality, staff, theft, sales in bulk and distillation have
    lines of their own; so have losses beyond the norm, by what they were lost in (their quantity is in
    `costing.results.quantities`).
    """
    first, last = chosen_days(results, start)[0], chosen_days(results, end)[0]
    shares, flows = results.shares, results.chain.flows
    amount = _left_by(results, last) - _left_by(results, first - 1)
    flow = shares.exit_flow
    way, through = names_of_exits(results)
    inside = (flows.day[flow] >= first) & (flows.day[flow] <= last) & (shares.exit_reason != LOST)
    unit = UNITS[results.chain.lots.unit[flows.source[flow]]]
    frame = pd.DataFrame(
        {
            "way_out": way,
            "channel": through,
            "unit": np.where(shares.exit_reason == LOST, "", unit),
            "quantity": np.where(inside, flows.out[flow], 0.0),
            "cost": amount,
            "proceeds": np.where(inside, _proceeds(results), 0.0),
        }
    )
    frame = pd.concat([frame, _gone_before(results, first, last)], ignore_index=True)
    frame = frame[(frame["cost"] != 0) | (frame["quantity"] != 0) | (frame["proceeds"] != 0)]
    keys, figures = ["way_out", "channel", "unit"], ["quantity", "cost", "proceeds"]
    frame = frame.groupby(keys, as_index=False, sort=True)[figures].sum()
    frame["proceeds"] = frame["proceeds"].where(frame["way_out"].isin(BROUGHT))
    return frame.assign(result=frame["proceeds"] - frame["cost"])


def _proceeds(results: Results) -> Floats:
    """Proceeds of the movement behind each exit; 0 for every other."""
    flows, flow = results.chain.flows, results.shares.exit_flow
    brought = np.append(np.nan_to_num(results.estate["movements"]["proceeds"].to_numpy(dtype=float)), 0.0)
    moved = (flows.kind[flow] == Flow.MOVEMENT) & (results.shares.exit_reason != LOST)
    return np.asarray(brought[np.where(moved, flows.row[flow], -1)])


def _gone_before(results: Results, first: int, last: int) -> pd.DataFrame:
    """Costs incurred in a period on goods that had gone before the records begin, in the columns of `exits`."""
    costs, gone = results.estate["opening_costs"], results.had_gone
    gone = gone.take((gone.incurred >= first) & (gone.incurred <= last))
    way, through = (costs[name].astype(object).to_numpy()[gone.row] for name in ("way_out", "channel"))
    through = np.where(pd.isna(through), "", through)
    in_bulk = np.isin(through.astype(str), OPERATIONS)  # wine in litres; what a channel takes is bottles
    unit = np.where(way == ABNORMAL, "", np.where(in_bulk, UNITS[LITRE], UNITS[BOTTLE]))
    frame = pd.DataFrame({"way_out": way, "channel": through, "unit": unit})
    return frame.assign(quantity=0.0, cost=gone.amount, proceeds=0.0)


def expensed_at_once(results: Results, start: Dates, end: Dates) -> pd.DataFrame:
    """Amounts of a period (both days included) that never entered the wine: stage, element, idle_pool, amount.

    idle_pool: the pool whose capacity stayed idle; "" for storage outside the window of the basis, elements that
    it expenses, and work on wine of which nothing is left or that was lost beyond its norm.
    """
    first, last = chosen_days(results, start)[0], chosen_days(results, end)[0]
    charges, states = results.charges, results.chain.states
    apart = charges.expensed.take((charges.expensed.incurred >= first) & (charges.expensed.incurred <= last))
    apart = apart.take((apart.table != TABLE_NAMES.index("opening_costs")) | (apart.state >= 0))  # goods gone: exits
    idle = (apart.table == TABLE_NAMES.index("pools")) & (apart.state < 0)
    named = np.append(results.estate["pools"]["pool"].astype(object).to_numpy(), "")
    rows = [(apart.stage, apart.element, apart.amount, named[np.where(idle, apart.row, -1)])]
    for part in charges.accrued:
        if part.expensed:
            begin = np.clip(first - 1, states.start[part.states], states.end[part.states])
            stop = np.clip(last, begin, states.end[part.states])
            amount = part.charge.curve.amount(begin, stop) * states.quantity[part.states]
            blank = np.full(len(amount), "", dtype=object)
            rows.append((states.stage[part.states], np.full(len(amount), part.charge.element), amount, blank))
    stage, element, amount, pool = (np.concatenate(column) for column in zip(*rows, strict=True))
    frame = pd.DataFrame(
        {
            "stage": np.array(STAGES, dtype=object)[stage],
            "element": results.charges.elements.to_numpy(dtype=object)[element],
            "idle_pool": pool,
            "amount": amount,
        }
    )
    summed = frame.groupby(["stage", "element", "idle_pool"])[["amount"]].sum().reset_index()
    return summed[summed["amount"] != 0].reset_index(drop=True)


def _left_by(results: Results, day: int) -> Floats:
    """Cost that has left by each exit by the end of a day, late costs not yet incurred left out."""
    shares, flows = results.shares, results.chain.flows
    worth = results.solution.worth
    late = late_costs(results, day)
    if late is not None:
        worth = worth - late.onto(late.worth, len(worth))
    gone = flows.day[shares.exit_flow] <= day
    return np.where(gone, shares.exit_share * worth[shares.exit_source], 0.0)


@dataclass(frozen=True)
class _Sums:
    """Amounts by stage from the beginning of the records to the end of a day; closing: value then [stages]."""

    put_in: Floats
    time_charges: Floats
    capital: Floats
    from_stages: Floats
    to_stages: Floats
    exits: Floats
    losses: Floats
    closing: Floats


def roll_forward(results: Results, start: Dates, end: Dates) -> pd.DataFrame:
    """Value of stock by stage from the end of one day to the end of another; every row closes, the last one
    totals.

    Columns: opening, put_in (purchases, work, dry goods, pools by event), time_charges (storage and pools by
    time), capital, from_stages, to_stages, exits (cost of goods sold and other exits), losses (beyond the
    norm), closing, difference.
    """
    before, after = (_until(results, chosen_days(results, day)[0]) for day in (start, end))
    frame = pd.DataFrame({"stage": STAGES, "opening": before.closing})
    for part in fields(_Sums):
        sign = -1.0 if part.name in ("to_stages", "exits", "losses") else 1.0
        change = getattr(after, part.name) - getattr(before, part.name)
        frame[part.name] = after.closing if part.name == "closing" else sign * change + 0.0
    frame.loc[len(frame)] = ["total", *frame.drop(columns="stage").sum()]
    moved = [column for column in frame.columns if column not in ("stage", "closing")]
    frame["difference"] = frame[moved].sum(axis=1) - frame["closing"]
    return frame


def _binned(stage: Ints, amount: Floats) -> Floats:
    return np.asarray(np.bincount(stage, amount, len(STAGES)), dtype=np.float64)


def _until(results: Results, day: int) -> _Sums:
    """Everything by stage from the beginning of the records to the end of a day, as it was known then."""
    states, charges, shares, solution = results.chain.states, results.charges, results.shares, results.solution
    n, stage = len(states), states.stage
    begun = states.start <= day
    is_last = np.zeros(n, dtype=bool)
    is_last[results.final] = True
    open_then = begun & (states.lot >= 0) & ((states.end > day) | is_last)
    worth, arrived, charged = solution.worth, solution.arrived, solution.capital
    late = late_costs(results, day)
    if late is not None:
        worth, arrived = worth - late.onto(late.worth, n), arrived - late.onto(late.arrived, n)
        charged = charged - late.onto(late.capital, n)
    holding = np.flatnonzero(open_then & (states.quantity > 0))
    value = values_of(results, pairs_of(np.full(len(holding), day), holding, n))[:, 0]
    postings = charges.postings
    known = begun[postings.state] & (postings.incurred <= day)
    nominal = np.bincount(postings.state[known], postings.amount[known], n).astype(np.float64)
    timed = np.zeros(n)
    for part in charges.accrued:
        if part.expensed:
            continue
        over = begun[part.states] & ~open_then[part.states]
        timed[part.states[over]] += part.amount[over]
        now = part.states[open_then[part.states]]
        timed[now] += part.charge.curve.amount(states.start[now], np.full(len(now), day)) * states.quantity[now]
    capital = np.where(begun & ~open_then, charged, 0.0)
    if charges.curve is not None:
        capital[holding] = value - arrived[holding] - nominal[holding] - timed[holding]
    edges = results.chain.edges
    source, target = edges.source[shares.edge], edges.target[shares.edge]
    crosses = np.flatnonzero(begun[target] & (stage[source] != stage[target]))
    passed = shares.edge_share[crosses] * worth[source[crosses]]
    gone_by, gone_from = _left_by(results, day), stage[shares.exit_source]
    lost = shares.exit_reason == LOST
    before = results.had_gone.take(results.had_gone.incurred <= day)
    in_capital = charges.elements[before.element] == "capital"
    beyond = (results.estate["opening_costs"]["way_out"] == ABNORMAL).to_numpy()[before.row]
    gone = [before.take(which) for which in (~in_capital, in_capital, ~beyond, beyond)]
    spent, grown, sent, wasted = (_binned(part.stage, part.amount) for part in gone)
    return _Sums(
        _binned(stage, nominal) + spent,
        _binned(stage, timed),
        _binned(stage, capital) + grown,
        _binned(stage[target[crosses]], passed),
        _binned(stage[source[crosses]], passed),
        _binned(gone_from[~lost], gone_by[~lost]) + sent,
        _binned(gone_from[lost], gone_by[lost]) + wasted,
        _binned(stage[holding], value),
    )
