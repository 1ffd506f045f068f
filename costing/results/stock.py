"""What every lot is worth on any date: quantity and value, without running again.

    value on t = what arrived at the start of the interval + postings of the interval + storage and capital up to t

A cost incurred after its wine had moved on enters at the last state in which the lot held wine; values dated
before it was incurred leave it out, here by one more solve for all such late costs of a date. A write-down to
net realisable value is an overlay, never a posting (IAS 2 Inventories, paragraphs 9 and 28 to 33).
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np
import pandas as pd

from costing.graph.arrays import BOTTLE, KINDS, STAGES, Floats, Ints
from costing.money.charges import accrues_in
from costing.results.costs import months_on_lees
from costing.results.lots import as_dates, lot_labels
from costing.results.results import Results

UNITS = np.array(["kg", "L", "bottles"], dtype=object)
Dates = date | str | np.datetime64 | Sequence[date] | Sequence[str] | Sequence[np.datetime64] | None


def stock_values(results: Results, on: Dates = None, by: str | None = None) -> pd.DataFrame:
    """Every lot that holds something at the end of each date (default: the valuation date).

    by: "stage" or "element" adds one column of value for each. Columns: date, lot, kind, stage, quantity,
    unit, format, cuvée, tirage date, months on lees, value (money) and value per unit.
    """
    chain = results.chain
    states, lots = chain.states, chain.lots
    labels = lot_labels(results.estate, chain)
    names = results.columns.get_level_values(by).to_numpy(dtype=object) if by else None
    parts = []
    for day in day_numbers(results, on):
        state = open_states(results, day)
        value = values_at(results, state, day)
        lot = states.lot[state]
        bottles = lots.unit[lot] == BOTTLE
        kind = states.kind[state]
        total = value.sum(axis=1)
        quantity = states.quantity[state]
        frame = pd.DataFrame(
            {
                "date": as_dates(np.full(len(state), day)),
                "lot": labels.name[lot],
                "kind": np.array(KINDS, dtype=object)[kind],
                "stage": np.array(STAGES, dtype=object)[states.stage[state]],
                "quantity": quantity,
                "unit": UNITS[lots.unit[lot]],
                "format": np.where(bottles, labels.format[lot], ""),
                "cuvee": labels.cuvee[lot],
                "tirage": as_dates(labels.tirage_day[lot]),
                "months_on_lees": np.where(
                    kind == KINDS.index("on lees"),
                    months_on_lees(labels.tirage_day[lot], np.full(len(lot), day)),
                    np.nan,
                ),
                "value": total,
                "value_per_unit": total / quantity,
            }
        )
        if names is not None:
            for name in dict.fromkeys(names):
                frame[name] = value[:, names == name].sum(axis=1)
        parts.append(frame.sort_values(["kind", "lot"], ignore_index=True))
    return pd.concat(parts, ignore_index=True)


def day_numbers(results: Results, on: Dates) -> list[int]:
    """Dates as day numbers; None is the valuation date."""
    if on is None:
        return [results.chain.valuation_day]
    chosen = [on] if isinstance(on, (str, date, np.datetime64)) else list(on)
    return [int(np.datetime64(str(one)[:10], "D").astype(np.int64)) for one in chosen]


def open_states(results: Results, day: int) -> Ints:
    """State that each lot is in at the end of a day, of the lots that hold something then."""
    chain = results.chain
    lot = np.arange(len(chain.lots.names))
    state = chain.state_on(lot, np.full(len(lot), day))
    state = state[state >= 0]
    return state[chain.states.quantity[state] > 0]


def values_at(results: Results, state: Ints, day: int) -> Floats:
    """Cost of open states at the end of a day [states, columns], late costs not yet incurred left out."""
    states, charges, solution = results.chain.states, results.charges, results.solution
    columns = {pair: place for place, pair in enumerate(results.columns)}
    value = np.asarray(results.shares.matrix[state] @ results.cost)
    position = np.full(len(states), -1, dtype=np.int64)
    position[state] = np.arange(len(state))
    postings = charges.postings
    here = np.flatnonzero((position[postings.state] >= 0) & (postings.incurred <= day))
    worth = np.zeros(len(state))
    inside = accrues_in(results.basis)
    column = _columns(results, columns, postings.stage[here], postings.element[here])
    at = position[postings.state[here]]
    np.add.at(value, (at, column), postings.amount[here])
    if charges.curve is not None:
        grown = postings.amount[here] * charges.curve.growth(postings.paid[here], np.full(len(here), day))
        earns = inside[states.stage[postings.state[here]]]
        np.add.at(worth, at, np.where(earns, grown, postings.amount[here]))
    for part in charges.accrued:
        if part.expensed:
            continue
        borne = part.states[position[part.states] >= 0]
        if not len(borne):
            continue
        start, end = states.start[borne], np.minimum(states.end[borne], day)
        amount = part.charge.curve.amount(start, end) * states.quantity[borne]
        element = np.full(len(borne), part.charge.element)
        np.add.at(value, (position[borne], _columns(results, columns, states.stage[borne], element)), amount)
        if charges.curve is not None:
            grown = part.charge.curve.value_at_end(start, end, charges.curve) * states.quantity[borne]
            np.add.at(worth, position[borne], np.where(inside[states.stage[borne]], grown, amount))
    if charges.curve is not None:
        growth = np.where(
            inside[states.stage[state]], charges.curve.growth(states.start[state], np.full(len(state), day)), 1.0
        )
        total = solution.arrived[state] * growth + worth
        capital = total - value.sum(axis=1)
        for stage in np.unique(states.stage[state][np.abs(capital) > 0]):
            mine = states.stage[state] == stage
            value[mine, columns[STAGES[stage], "capital"]] += capital[mine]
    return value - _late(results, state, day)


def _columns(results: Results, columns: dict[tuple[str, str], int], stage: Ints, element: Ints) -> Ints:
    pairs = stage * len(results.charges.elements) + element
    found = np.zeros(len(pairs), dtype=np.int64)
    for pair in np.unique(pairs):
        one, other = divmod(int(pair), len(results.charges.elements))
        found[pairs == pair] = columns[STAGES[one], results.charges.elements[other]]
    return found


def late_postings(results: Results, day: int) -> Ints:
    """Postings whose wine had moved on by `day`, and which were incurred only after it."""
    postings, states = results.charges.postings, results.chain.states
    return np.flatnonzero((postings.incurred > day) & (states.start[postings.state] <= day))


def _late(results: Results, state: Ints, day: int) -> Floats:
    """Part of the cost of open states that comes from costs incurred only after `day`, passed on by earlier
    states.
    """
    late = late_postings(results, day)
    part = np.zeros((len(state), len(results.columns)))
    if not len(late):
        return part
    arrived = results.shares.matrix[state] @ late_cost(results, late)
    growth = np.ones(len(state))
    curve = results.charges.curve
    part[:, : arrived.shape[1]] = arrived
    if curve is not None:  # the last column is worth with capital; its capital is what it holds beyond the amounts
        inside = accrues_in(results.basis)[results.chain.states.stage[state]]
        growth = np.where(inside, curve.growth(results.chain.states.start[state], np.full(len(state), day)), 1.0)
        worth = (results.shares.matrix[state] @ late_worth(results, late)) * growth
        beyond = worth - part.sum(axis=1)
        columns = {pair: place for place, pair in enumerate(results.columns)}
        for stage in np.unique(results.chain.states.stage[state]):
            mine = results.chain.states.stage[state] == stage
            if np.abs(beyond[mine]).max(initial=0.0) > 0:
                part[mine, columns[STAGES[stage], "capital"]] += beyond[mine]
    return part


def late_cost(results: Results, late: Ints) -> Floats:
    """Plain cost of every state that comes from these postings alone [states, columns]."""
    postings = results.charges.postings.take(late)
    columns = {pair: place for place, pair in enumerate(results.columns)}
    posted = np.zeros((len(results.chain.states), len(results.columns)))
    column = _columns(results, columns, postings.stage, postings.element)
    used = np.unique(column)
    np.add.at(posted, (postings.state, column), postings.amount)
    posted[:, used] = results.solution.plain.forward(posted[:, used])
    return posted


def late_worth(results: Results, late: Ints) -> Floats:
    """Worth with capital of every state that comes from these postings alone [states]."""
    states, curve = results.chain.states, results.charges.curve
    postings = results.charges.postings.take(late)
    if curve is None:
        plain = np.bincount(postings.state, postings.amount, len(states)).astype(np.float64)
        return results.solution.plain.forward(plain)
    inside = accrues_in(results.basis)
    grown = postings.amount * curve.growth(postings.paid, states.end[postings.state])
    present = np.where(inside[states.stage[postings.state]], grown, postings.amount)
    posted = np.bincount(postings.state, present, len(states)).astype(np.float64)
    if inside.all():
        index = curve.growth(np.int64(states.start.min(initial=0)), states.end)
        return np.asarray(results.solution.plain.forward(posted / index) * index)
    return np.asarray(results.solution.grown.forward(posted))
