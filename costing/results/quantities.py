"""What happened to the quantity of stock between two dates, by stage, unit and bottle format.

    opening + received + from other stages + added − to other stages − sent away − lost = closing

A move between two lots of one stage and format shows only what was added and lost in it. What is filled
elsewhere arrives in the unit of where it goes (bottles emptied into a vat: their litres); the loss of an
operation stands where it arrives. A bottling and a disgorgement stand in stages of their own, tirage in
litres and finishing in bottles, which keep nothing. Grapes into must is a yield, not a loss. A gain is a loss
below zero. Money: `costing.results.roll_forward`.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.array_types import Flags, Floats, Ints
from costing.graph.arrays import STAGES, UNITS, Flow
from costing.results.lots import FORMAT_NAMES
from costing.results.results import Results
from costing.results.stock import Dates, chosen_days

_FORMATS = len(FORMAT_NAMES)
_COLUMNS = ("opening", "received", "from_stages", "added", "to_stages", "sent_away", "lost", "closing")
_SIGNS = {"to_stages": -1.0, "sent_away": -1.0, "lost": -1.0}


def quantity_roll_forward(results: Results, start: Dates, end: Dates) -> pd.DataFrame:
    """Quantity of stock from the end of one day to the end of another; every row closes.

    Columns: stage, unit, format, opening, received (deliveries and opening stock), from_stages, added (sugar,
    liqueur), to_stages, sent_away, lost, closing, difference. What leaves has a minus, as in the roll-forward
    of value.
    """
    first, last = chosen_days(results, start)[0], chosen_days(results, end)[0]
    sums = {name: np.zeros(len(STAGES) * len(UNITS) * _FORMATS) for name in _COLUMNS}
    sums["opening"], sums["closing"] = _held(results, first), _held(results, last)
    flows = results.chain.flows
    _add(results, np.flatnonzero((flows.day > first) & (flows.day <= last)), sums)
    used = np.flatnonzero(np.any([np.abs(column) > 0 for column in sums.values()], axis=0))
    stage, rest = np.divmod(used, len(UNITS) * _FORMATS)
    unit, form = np.divmod(rest, _FORMATS)
    frame = pd.DataFrame({"stage": np.array(STAGES, dtype=object)[stage], "unit": UNITS[unit]})
    frame["format"] = FORMAT_NAMES[form]
    for name, amounts in sums.items():
        frame[name] = _SIGNS.get(name, 1.0) * amounts[used] + 0.0
    frame["difference"] = frame[list(_COLUMNS[:-1])].sum(axis=1) - frame["closing"]
    return frame


def _key(stage: Ints, unit: Ints, form: Ints) -> Ints:
    """Row of a stage, a unit and a bottle format (−1: none)."""
    return (stage * len(UNITS) + unit) * _FORMATS + np.where(form < 0, _FORMATS - 1, form)


def _keys(results: Results, state: Ints) -> Ints:
    lots, states = results.chain.lots, results.chain.states
    lot = states.lot[state]
    return _key(states.stage[state], lots.unit[lot], lots.format[lot])


def _held(results: Results, day: int) -> Floats:
    states = results.chain.states
    is_last = np.zeros(len(states), dtype=bool)
    is_last[results.final] = True
    open_states = np.flatnonzero((states.lot >= 0) & (states.start <= day) & ((states.end > day) | is_last))
    n = len(STAGES) * len(UNITS) * _FORMATS
    return np.asarray(np.bincount(_keys(results, open_states), states.quantity[open_states], n), dtype=np.float64)


def _add(results: Results, flow: Ints, sums: dict[str, Floats]) -> None:
    """Add what these flows did to the columns."""
    chain = results.chain
    flows, states, kind = chain.flows, chain.states, chain.flows.kind[flow]
    source, target, more = chain.source_state[flow], chain.target_state[flow], flows.added[flow]
    drawn = np.where(source >= 0, states.before[source] - states.quantity[source], 0.0)
    came = np.where(target >= 0, states.quantity[target] - states.before[target], 0.0)
    here, there = _keys(results, source), _keys(results, target)
    litres = chain.lots.litres_per_unit[states.lot]
    moved = (kind == Flow.MOVEMENT) & (source >= 0) & (target >= 0)
    filled = np.isin(kind, (Flow.TIRAGE, Flow.DISGORGEMENT)) & (source >= 0) & (target >= 0)

    def put(column: str, row: Ints, amount: Floats, which: Flags) -> None:
        np.add.at(sums[column], row[which], amount[which])

    put("received", there, came, np.isin(kind, (Flow.OPENING, Flow.DELIVERY)))
    put("sent_away", here, drawn, np.isin(kind, (Flow.MOVEMENT, Flow.DISPATCH)) & (source >= 0) & (target < 0))
    put("to_stages", here, drawn, np.isin(kind, (Flow.PRESS_IN, Flow.LIQUEUR)))
    put("from_stages", there, came, (kind == Flow.PRESS_OUT) & (target >= 0))
    # work in place, a loss, a gauging; what is filled from nowhere is an addition as a whole
    alone = (target >= 0) & (source < 0) & np.isin(kind, (Flow.MOVEMENT, Flow.STOCKTAKE))
    brought = np.where((kind == Flow.MOVEMENT) & (flows.source[flow] < 0), came, more)
    put("added", there, brought, alone)
    put("lost", there, brought - came, alone)
    carried = drawn * litres[source] / litres[target]
    put("to_stages", here, drawn, moved & (here != there))
    put("from_stages", there, carried, moved & (here != there))
    put("added", there, more / litres[target], moved)
    put("lost", there, carried + more / litres[target] - came, moved)
    through = np.append(states.batch_state, -1)[flows.batch[flow]]  # there may be no batch at all
    between = _key(states.stage[through], chain.lots.unit[states.lot[source]], chain.lots.format[states.lot[source]])
    put("to_stages", here, drawn, filled)
    put("from_stages", between, drawn, filled)
    put("added", between, more / litres[source], filled)
    put("to_stages", between, came * litres[target] / litres[source], filled)
    put("lost", between, drawn + (more - came * litres[target]) / litres[source], filled)
    put("from_stages", there, came, filled)
    _turned(results, np.concatenate([source[source >= 0], target[target >= 0]]), sums)


def _turned(results: Results, state: Ints, sums: dict[str, Floats]) -> None:
    """Lots that a filling turns into something else as a whole (a vat of wine declared a blend)."""
    states = results.chain.states
    state = state[(states.previous[state] >= 0) & (states.before[state] > 0)]
    was, now = _keys(results, states.previous[state]), _keys(results, state)
    for column, row in (("to_stages", was), ("from_stages", now)):
        np.add.at(sums[column], row[was != now], states.before[state][was != now])
