"""Later rows follow when an earlier quantity changes: the wine of the records, moved again with other
quantities.

    drawn = out · (balance / balance in the records), and never more than there is
    what arrives, and what is added, is scaled with what is drawn
    measured = measured · (balance / balance in the records)

Every row takes the same share of its lot as in the records: a yield 2 % lower gives 2 % less wine to every row that
drew on it, so fewer litres and fewer bottles, and a row that emptied its lot empties it again. Gaugings and counts keep
the proportion of what they found. A row whose quantity was itself changed takes its new quantity, scaled the same way.
Counted is each row whose quantity as written is more than there is. Many draws run side by side; a lot in which they
make no difference stays one number.

What it does not do: costs; it changes no date and invents no row.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from costing.array_types import Floats, Ints
from costing.errors import InputError
from costing.graph.arrays import Flow, number_lots
from costing.graph.balance import OUT, Touches, empty_below, touches_of
from costing.graph.flows import Flows, flows_of
from costing.graph.places import place_of
from costing.graph.sequence import order_flows
from costing.graph.states import Chain
from costing.inputs.estate import Estate
from costing.once import asked_once

Drawn = Any
"""One number for all draws, or an array of them."""
_DRAWN = {
    Flow.PRESS_IN: ("pressings", ("weight_kg",)),
    Flow.PRESS_OUT: ("pressings", ("volume_l", "fraction_weight_kg")),
    Flow.MOVEMENT: ("movements", ("out_l", "out_bottles", "in_l", "in_bottles", "added_l")),
    Flow.TIRAGE: ("tirage", ("wine_l", "liqueur_l", "bottles")),
    Flow.DISGORGEMENT: ("disgorgements", ("bottles_in", "bottles_out")),
    Flow.LIQUEUR: ("disgorgements", ("liqueur_l",)),
    Flow.DISPATCH: ("dispatches", ("bottles",)),
    Flow.STOCKTAKE: ("stocktakes", ("quantity",)),
}
"""Columns that are scaled with a flow."""


@dataclass(frozen=True, eq=False)
class Recorded:
    """What the records say of each flow: quantity out and in, the balance before it of the lot it draws from (or
    gauges), and how much may be left in a lot that counts as empty.
    """

    kind: Ints
    row: Ints
    out: Floats
    into: Floats
    before: Floats
    slack: Floats


@dataclass(frozen=True, eq=False)
class Replay:
    """factor [flows]: what each flow is multiplied by (kept for one draw alone); short [draws]: flows that wanted more
    than there was.
    """

    factor: Floats
    short: Ints


def recorded_touches(estate: Estate, chain: Chain) -> Touches:
    """Touches of every lot in time order; the states of lots stand in the same order (`Chain.by_lot`)."""
    order, _ = order_flows(chain.flows, len(chain.lots.names), place_of(estate, chain.flows, chain.lots))
    return touches_of(chain.flows, order)


@asked_once
def recorded(estate: Estate, chain: Chain) -> Recorded:
    """Balances of the records. chain: `trace(estate)`."""
    flows, states = chain.flows, chain.states
    before, slack = np.zeros(len(flows)), np.zeros(len(flows))
    touches = recorded_touches(estate, chain)
    state = chain.by_lot  # states of lots stand as the touches do: lot by lot in time order
    met = (touches.role == OUT) | (flows.source[touches.flow] == touches.lot)
    met |= flows.kind[touches.flow] == Flow.STOCKTAKE
    before[touches.flow[met]] = states.before[state[met]]
    slack[touches.flow[met]] = empty_below(estate)[chain.lots.unit[touches.lot]][met]
    return Recorded(flows.kind, flows.row, flows.out, flows.into, before, slack)


def _for_flows(known: Recorded, flows: Flows) -> Recorded:
    """What the records say of other flows of the same rows; a flow that they lack has no balance there."""
    span = int(max(known.row.max(initial=0), flows.row.max(initial=0))) + 1
    known_keys = pd.Index(known.kind * span + known.row)
    cut = flows.kind >= Flow.COST
    position = np.where(
        cut & (flows.kind != Flow.STOCKTAKE), -1, known_keys.get_indexer(pd.Index(flows.kind * span + flows.row))
    )
    missing = position < 0

    def of(values: np.ndarray, blank: float) -> np.ndarray:
        return np.where(missing, blank, values[np.maximum(position, 0)])

    out = np.where(missing & cut, flows.out, of(known.out, np.nan))
    into = np.where(missing & cut, flows.into, of(known.into, np.nan))
    return Recorded(flows.kind, flows.row, out, into, of(known.before, 0.0), of(known.slack, 0.0))


class Wanted:
    """Quantities of flows: each one number or, where draws move it, an array of them made when asked for.

    base [flows]; moves: by how much one of each offset moves each flow [flows], and the offsets [draws].
    """

    def __init__(self, base: Floats, moves: Sequence[tuple[Floats, Floats]] = ()) -> None:
        self._base = base.tolist()
        self._moves: dict[int, list[tuple[float, Floats]]] = defaultdict(list)
        for slope, offset in moves:
            for flow in np.flatnonzero(slope).tolist():
                self._moves[flow].append((float(slope[flow]), offset))

    def __getitem__(self, flow: int) -> Drawn:
        """Quantity of one flow."""
        wanted = self._base[flow]
        for slope, offset in self._moves.get(flow, ()):
            wanted = wanted + slope * offset
        return wanted


def replay(known: Recorded, flows: Flows, out: Wanted, into: Wanted, order: Ints, *, draws: int = 1) -> Replay:
    """Move the wine again. out, into: quantities wanted; order: of the flows, first to happen first.

    With several draws the factors are not kept: only what is short is.
    """
    balance: dict[int, Drawn] = {}
    poured, planned = defaultdict[int, Drawn](float), defaultdict[int, Drawn](float)
    factor: list[Drawn] = [1.0] * len(flows)
    short: Drawn = 0
    kind, batch = flows.kind.tolist(), flows.batch.tolist()
    source, target = flows.source.tolist(), flows.target.tolist()
    before, slack = known.before.tolist(), known.slack.tolist()
    moving = order[(flows.kind[order] < Flow.COST) | (flows.kind[order] == Flow.STOCKTAKE)]
    for flow in moving.tolist():
        what, wanted, scale, then = kind[flow], out[flow], 1.0, before[flow]
        if what == Flow.PRESS_OUT:
            load = batch[flow]
            scale = _over(poured[load], planned[load], 1.0)
        elif what == Flow.STOCKTAKE:
            scale = balance.get(target[flow], 0.0) / then if then > 0 else 1.0
            balance[target[flow]] = into[flow] * scale
        elif source[flow] >= 0:
            in_lot = balance.get(source[flow], 0.0)
            near = max(slack[flow], 1e-9 * then)
            short = short + (wanted > in_lot + near)
            scale = in_lot / then if then > 0 else 1.0
            scale = _where(wanted * scale > in_lot + near, _over(in_lot, wanted, scale), scale)
            taken = wanted * scale
            if what == Flow.PRESS_IN:
                poured[batch[flow]] += taken
                planned[batch[flow]] += wanted
            near = near if source[flow] != target[flow] else 1e-9 * then
            left = in_lot - taken
            balance[source[flow]] = _where(left <= near, 0.0, left)
        if target[flow] >= 0 and what != Flow.STOCKTAKE:
            balance[target[flow]] = balance.get(target[flow], 0.0) + into[flow] * scale
        if draws == 1:
            factor[flow] = scale
    return Replay(np.array(factor if draws == 1 else [], dtype=np.float64), np.full(draws, short, dtype=np.int64))


def _where(test: Drawn, yes: Drawn, no: Drawn) -> Drawn:
    """`yes` where the test holds; a number where the draws make no difference."""
    if not isinstance(test, np.ndarray):
        return yes if test else no
    if not test.any():
        return no
    return yes if test.all() else np.where(test, yes, no)


def _over(amount: Drawn, quantity: Drawn, otherwise: Drawn) -> Drawn:
    """Amount per quantity; `otherwise` where there is none."""
    if isinstance(quantity, np.ndarray):
        blank = np.broadcast_to(otherwise, quantity.shape).astype(np.float64)
        return np.divide(amount, quantity, out=blank, where=quantity > 0)
    return amount / quantity if quantity > 0 else otherwise


def later_rows_follow(before: Estate, chain: Chain, after: Estate) -> tuple[Estate, int]:
    """The changed estate with its later rows following, and how many rows wanted more than there was.

    before, chain: as in the records; after: the same rows with other figures. InputError where the rows of
    `after` have no order in time.
    """
    lots = number_lots(after)
    flows = flows_of(after, lots)
    known = _for_flows(recorded(before, chain), flows)
    if np.array_equal(flows.out, known.out) and np.array_equal(flows.into, known.into):
        return after, 0
    order, loops = order_flows(flows, len(lots.names), place_of(after, flows, lots))
    if loops:
        raise InputError(loops)
    moved = replay(known, flows, Wanted(flows.out), Wanted(flows.into), order)
    factor = moved.factor
    tables = dict(after.tables)
    for what, (name, columns) in _DRAWN.items():
        changed_flows = np.flatnonzero((flows.kind == what) & (np.abs(factor - 1.0) > 1e-13))
        if not len(changed_flows):
            continue
        frame: pd.DataFrame = tables[name].copy()
        for column in columns:
            values = frame[column].to_numpy(dtype=np.float64, copy=True)
            values[flows.row[changed_flows]] *= factor[changed_flows]
            frame[column] = values
        tables[name] = frame
    return replace(after, tables=tables), int(moved.short[0])
