"""What every lot is worth on any date: quantity and value, without running again.

    value on t = what arrived at the start of the interval + postings of the interval + storage and capital up to t

A state is open at the end of day t if it began on or before t and its lot has no later state by then. All
dates are valued together; costs known only after their wine had moved on are left out of the values dated
before (`costing.results.late`). Not here: what happens after the last row (there is no later date to value),
and write-downs (`costing.results.net_realisable`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from costing.array_types import Floats, Ints
from costing.errors import CostingError
from costing.graph.arrays import BOTTLE, KINDS, STAGES, UNITS
from costing.money.rates import location_of, locations
from costing.once import asked_once
from costing.results.costs import whole_months_on_lees
from costing.results.late import late_costs
from costing.results.lots import LotLabels, as_dates, lot_labels
from costing.results.results import Results

Dates = date | str | np.datetime64 | Sequence[date] | Sequence[str] | Sequence[np.datetime64] | None


def stock_values(results: Results, on: Dates = None, by: str | None = None) -> pd.DataFrame:
    """Every lot that holds something at the end of each date (default: the valuation date).

    by: "stage" or "element" adds one column of value for each that is in use (`stage: on lees`); they add up
    to `value`.
    Columns: date, lot, kind, stage, quantity, unit, format, cuvée, location, tirage date, completed months
    and years on lees, value (money), value per unit (kg, litre or bottle). CostingError for a date after the
    end of the records, or another `by`.
    """
    if by not in (None, "stage", "element"):
        message = f"stock can be shown by stage or by element, not by '{by}'"
        raise CostingError(message)
    return _stock_now(results) if on is None and by is None else _stock_on(results, on, by)


@asked_once
def _stock_now(results: Results) -> pd.DataFrame:
    return _stock_on(results, None, None)


def _stock_on(results: Results, on: Dates, by: str | None) -> pd.DataFrame:
    chain = results.chain
    states, lots = chain.states, chain.lots
    labels = lot_labels(results.estate, chain)
    open_then = _open_on(results, np.array(chosen_days(results, on), dtype=np.int64), labels)
    day, state = open_then.day, open_then.state
    groups = _groups(results, by) if by else None
    parts = values_of(results, open_then, groups)
    lot, kind = states.lot[state], states.kind[state]
    value = parts.sum(axis=1)
    months = np.where(
        kind == KINDS.index("on lees"),
        whole_months_on_lees(labels.tirage_day[lot], np.where(state >= 0, day, 0)),
        np.nan,
    )
    place = np.append(locations(results.estate).to_numpy(dtype=object), "")
    frame = pd.DataFrame(
        {
            "date": as_dates(day),
            "lot": labels.name[lot],
            "kind": np.array(KINDS, dtype=object)[kind],
            "stage": np.array(STAGES, dtype=object)[states.stage[state]],
            "quantity": states.quantity[state],
            "unit": UNITS[lots.unit[lot]],
            "format": np.where(lots.unit[lot] == BOTTLE, labels.format[lot], ""),
            "cuvee": labels.cuvee[lot],
            "location": place[location_of(results.estate, chain)[state]],
            "tirage": as_dates(labels.tirage_day[lot]),
            "months_on_lees": months,
            "years_on_lees": np.floor(months / 12),
            "value": value,
            "value_per_unit": value / states.quantity[state],
        }
    )
    if groups is not None:
        frame = pd.concat([frame, pd.DataFrame(parts, columns=[f"{by}: {name}" for name in groups.names])], axis=1)
    return frame


def chosen_days(results: Results, on: Dates) -> list[int]:
    """Dates as day numbers; None is the valuation date. CostingError for what is no date."""
    if on is None:
        return [results.chain.valuation_day]
    chosen = [on] if isinstance(on, (str, date, np.datetime64)) else list(on)
    try:
        return [int(np.datetime64(str(day)[:10], "D").astype(np.int64)) for day in chosen]
    except ValueError as fault:
        message = f"a date is written as 2025-12-31 ({fault})"
        raise CostingError(message) from fault


@dataclass(frozen=True)
class OpenStates:
    """Pairs of a day and a state that is open at its end and holds something; those of a state stand together
    in `by_state`.

    first, count: where the pairs of each state begin in `by_state`, and how many there are [states].
    """

    day: Ints
    state: Ints
    by_state: Ints
    first: Ints
    count: Ints

    def of(self, states: Ints) -> tuple[Ints, Ints]:
        """Position in `states` and pair, for every pair of each of these states."""
        count = self.count[states]
        which = np.repeat(np.arange(len(states)), count)
        within = np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count)
        return which, self.by_state[self.first[states][which] + within]


def pairs_of(day: Ints, state: Ints, n_states: int) -> OpenStates:
    """Days and open states, pair by pair. n_states: of the whole chain."""
    count = np.bincount(state, minlength=n_states)
    return OpenStates(day, state, np.argsort(state, kind="stable"), np.cumsum(count) - count, count)


def _open_on(results: Results, days: Ints, labels: LotLabels) -> OpenStates:
    """All pairs of these days, in the order of the days, then of kinds of goods and names of lots."""
    chain = results.chain
    states, by_lot = chain.states, chain.by_lot
    if len(days) and int(days.max()) > chain.horizon_day:
        message = (
            f"{np.datetime64(int(days.max()), 'D')}: the records end on {np.datetime64(chain.horizon_day, 'D')}. "
            "Enter a later valuation date in Settings, or ask for an earlier date."
        )
        raise CostingError(message)
    wanted = np.unique(days)
    holding = by_lot[states.quantity[by_lot] > 0]
    is_last = states.last_of_lot[states.lot[holding]] == holding
    begin = np.searchsorted(wanted, states.start[holding], side="left")
    stop = np.where(is_last, len(wanted), np.searchsorted(wanted, states.end[holding], side="left"))
    count = np.maximum(stop - begin, 0)
    which = np.repeat(np.arange(len(holding)), count)
    day = begin[which] + np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count)
    state = holding[which]
    some = np.flatnonzero(np.bincount(states.lot[state], minlength=len(chain.lots.names)))
    rank = np.zeros(len(chain.lots.names), dtype=np.int64)
    rank[some[np.argsort(labels.name[some].astype(str), kind="stable")]] = np.arange(len(some))
    order = np.lexsort((rank[states.lot[state]], states.kind[state], day))
    return pairs_of(wanted[day[order]], state[order], len(states))


def open_states(results: Results, day: int) -> Ints:
    """State that each lot is in at the end of a day, of the lots that hold something then."""
    chain = results.chain
    lot = np.arange(len(chain.lots.names))
    state = chain.state_on(lot, np.full(len(lot), day))
    state = state[state >= 0]
    return state[chain.states.quantity[state] > 0]


@dataclass(frozen=True)
class Groups:
    """Columns of cost gathered into groups: names, and the group of each stage and element [stages, elements]."""

    names: list[object]
    of: Ints
    of_column: Ints


def _groups(results: Results, by: str) -> Groups:
    """Groups by "stage", by "element", or one for every column ("column")."""
    elements = results.charges.elements
    capital = elements.get_loc("capital")
    if by == "column":
        names: list[object] = list(results.columns)
        of = np.zeros((len(STAGES), len(elements)), dtype=np.int64)
        for number, (stage, element) in enumerate(results.columns):
            of[STAGES.index(stage), elements.get_loc(element)] = number
        return Groups(names, of, np.arange(len(names)))
    order = STAGES if by == "stage" else tuple(elements)
    used = set(results.columns.get_level_values(by))
    if by == "element" and results.charges.curve is not None:
        used.add(elements[capital])
    names = [name for name in order if name in used]
    number_of = np.array([names.index(name) if name in used else 0 for name in order], dtype=np.int64)
    shape = (len(STAGES), len(elements))
    of = np.broadcast_to(number_of[:, np.newaxis] if by == "stage" else number_of, shape)
    return Groups(names, of, np.array([names.index(name) for name in results.columns.get_level_values(by)]))


def values_at(results: Results, state: Ints, day: int) -> Floats:
    """Cost of open states at the end of a day [states, columns], late costs not yet incurred left out."""
    pairs = pairs_of(np.full(len(state), day), np.asarray(state, dtype=np.int64), len(results.chain.states))
    return values_of(results, pairs, _groups(results, "column"))


def values_of(results: Results, pairs: OpenStates, groups: Groups | None = None) -> Floats:
    """Value of open states at the end of their days [pairs, groups]; one group with everything without `groups`."""
    states, charges, solution = results.chain.states, results.charges, results.solution
    day, state, stage = pairs.day, pairs.state, states.stage[pairs.state]
    capital = charges.capital
    worth, value = np.zeros(len(state)), np.zeros((len(state), 0))
    if groups is not None:
        if not groups.names:  # nothing has cost anything yet
            return value
        value = _arrived_by(results, pairs, groups)
    postings = charges.postings
    which, pair = pairs.of(postings.state)
    known = postings.incurred[which] <= day[pair]
    which, pair = which[known], pair[known]
    amount = postings.amount[which]
    if groups is not None:
        np.add.at(value, (pair, groups.of[postings.stage[which], postings.element[which]]), amount)
    grown = amount * capital.growth(stage[pair], postings.paid[which], day[pair])
    worth += np.bincount(pair, grown, len(worth))
    for part in charges.accrued:
        if part.expensed:
            continue
        which, pair = pairs.of(part.states)
        if not len(pair):
            continue
        start, quantity = states.start[part.states[which]], states.quantity[part.states[which]]
        if groups is not None:
            amount = part.charge.curve.amount(start, day[pair]) * quantity
            value[pair, groups.of[stage[pair], part.charge.element]] += amount
        worth[pair] += capital.accrued(part.charge.curve, stage[pair], start, day[pair]) * quantity
    growth = capital.growth(stage, states.start[state], day)
    worth += solution.arrived[state] * growth
    if groups is None:
        return (worth - _late_worth(results, pairs, growth))[:, np.newaxis]
    if capital.curve is not None:
        column = groups.of[stage, charges.elements.get_loc("capital")]
        value[np.arange(len(state)), column] += np.where(capital.accrues[stage], worth - value.sum(axis=1), 0.0)
    return value - _late_by(results, pairs, growth, groups)


def _arrived_by(results: Results, pairs: OpenStates, groups: Groups) -> Floats:
    """Cost with which open states began, by group [pairs, groups]."""
    cost = results.cost.grouped(groups.of_column, len(groups.names))
    distinct = np.flatnonzero(pairs.count)
    place = np.zeros(len(pairs.count), dtype=np.int64)
    place[distinct] = np.arange(len(distinct))
    return np.asarray((results.shares.matrix[distinct] @ cost)[place[pairs.state]])


def _late_worth(results: Results, pairs: OpenStates, growth: Floats) -> Floats:
    """Part of the worth of open states that comes from costs incurred only after their day."""
    part = np.zeros(len(pairs.day))
    for day in np.unique(pairs.day):
        late = late_costs(results, int(day))
        if late is not None:
            open_pairs = np.flatnonzero((pairs.day == day) & (pairs.state >= late.first))
            part[open_pairs] = late.arrived[pairs.state[open_pairs] - late.first] * growth[open_pairs]
    return part


def _late_by(results: Results, pairs: OpenStates, growth: Floats, groups: Groups) -> Floats:
    """The same by group [pairs, groups]."""
    part = np.zeros((len(pairs.day), len(groups.names)))
    stages, capital = results.chain.states.stage, results.charges.elements.get_loc("capital")
    for day in np.unique(pairs.day):
        late = late_costs(results, int(day))
        if late is None:
            continue
        open_pairs = np.flatnonzero((pairs.day == day) & (pairs.state >= late.first))
        stage = stages[late.first : late.first + len(late.worth)]
        by_group = late.arrived_by(
            groups.of[late.postings.stage, late.postings.element], groups.of[stage, capital], len(groups.names)
        )
        here = pairs.state[open_pairs] - late.first
        part[open_pairs] = by_group[here]
        part[open_pairs, groups.of[stage[here], capital]] += late.arrived[here] * (growth[open_pairs] - 1.0)
    return part
