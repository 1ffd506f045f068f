"""The order in which flows happened.

By date; within a day by Sequence (blank: 0); within one Sequence wine arrives in a lot before it leaves, and
a press load has all its grapes before it gives juice; work in place comes before losses, operation by operation,
and losses before draws. Opening stock comes before its day begins; gaugings without a Sequence and the cut at the
valuation date come when the day is over. Two lots that fill each other on one day without a Sequence have no order:
that is a finding.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd

from costing.array_types import Ints
from costing.errors import Finding
from costing.graph.arrays import IS_LOSS, OPERATIONS, Flow
from costing.graph.flows import Flows

Place = Callable[[int, str | None], str]


def order_flows(flows: Flows, n_lots: int, place: Place) -> tuple[Ints, list[Finding]]:
    """Order of the flows (positions in `flows`, first to happen first), and a finding for each loop within a
    day.

    place: flow, column -> `Sheet!cell`.
    """
    moment = _dense(flows.day, flows.sequence)
    rank, findings = _ranks(flows, n_lots, moment, place)
    in_place = (flows.source == flows.target) & (flows.source >= 0)
    first = in_place | (flows.kind == Flow.LIQUEUR) | (flows.target < 0) & (flows.kind == Flow.MOVEMENT)
    rank = 2 * rank + ~first
    settle = np.select(
        [flows.kind == Flow.COST, flows.kind == Flow.STOCKTAKE, flows.kind == Flow.CUT],
        [rank.max(initial=0) + 1, rank.max(initial=0) + 2, rank.max(initial=0) + 3],
        rank,
    )
    key = moment * (settle.max(initial=0) + 1) + settle
    lost = (flows.kind == Flow.MOVEMENT) & (flows.target < 0) & np.append(IS_LOSS, False)[flows.operation]
    work = np.where(in_place, flows.operation, len(OPERATIONS) + ~lost)  # rows of one work stand together
    return np.argsort(key * (len(OPERATIONS) + 2) + work, kind="stable").astype(np.int64), findings


def _dense(day: Ints, sequence: np.ndarray) -> Ints:
    """One number per (day, sequence), ascending in time."""
    since = day - day.min(initial=0)
    if not sequence.any():
        return np.asarray(since)
    steps, position = np.unique(sequence, return_inverse=True)
    return np.asarray(since * len(steps) + position)


def _ranks(flows: Flows, n_lots: int, moment: Ints, place: Place) -> tuple[Ints, list[Finding]]:
    """Rank of each flow within its moment: after everything that fills the lot it draws from."""
    press_in, press_out = flows.kind == Flow.PRESS_IN, flows.kind == Flow.PRESS_OUT
    drawn = np.where(press_out, n_lots + flows.batch, flows.source)
    filled = np.where(press_in, n_lots + flows.batch, flows.target)
    moves = flows.kind < Flow.COST
    moves &= ~((drawn == filled) & (drawn >= 0))
    n_places = n_lots + flows.n_batches + 1
    out_key, in_key = moment * n_places + drawn, moment * n_places + filled
    leaving = np.sort(out_key[moves & (drawn >= 0)])
    arriving = in_key[moves & (filled >= 0)]
    if not len(leaving):
        return np.zeros(len(flows), dtype=np.int64), []
    next_leaving = np.minimum(np.searchsorted(leaving, arriving), len(leaving) - 1)
    both = np.sort(pd.unique(arriving[leaving[next_leaving] == arriving]))
    rank = np.zeros(len(flows), dtype=np.int64)
    if not len(both):
        return rank, []
    out_at = _position(both, out_key, moves & (drawn >= 0))
    in_at = _position(both, in_key, moves & (filled >= 0))
    liqueur, dosed = _dosages(flows)
    involved = (out_at >= 0) | (in_at >= 0)
    involved[dosed[involved[liqueur]]] = True
    busy = np.flatnonzero(involved)
    out_at, in_at = out_at[busy], in_at[busy]
    known = involved[liqueur]
    liqueur, dosed = np.searchsorted(busy, liqueur[known]), np.searchsorted(busy, dosed[known])
    local, round_ = np.full(len(busy), -1, dtype=np.int64), 0
    while True:  # whatever waits for nothing that is still to come
        waiting = np.zeros(len(both) + 1, dtype=bool)
        waiting[in_at[(local < 0) & (in_at >= 0)]] = True
        ready = (local < 0) & ~waiting[out_at]
        ready[dosed[(local[liqueur] < 0) & ~ready[liqueur]]] = False
        if not ready.any():
            break
        local[ready], round_ = round_, round_ + 1
    if (local < 0).any():
        return rank, list(_loops(busy, out_at, in_at, (liqueur, dosed), len(both), place))
    rank[busy] = local
    return rank, []


def _dosages(flows: Flows) -> tuple[Ints, Ints]:
    """Draws of dosage liqueur, and the disgorgement that each belongs to: it waits for its liqueur."""
    liqueur = np.flatnonzero(flows.kind == Flow.LIQUEUR)
    disgorged = np.flatnonzero(flows.kind == Flow.DISGORGEMENT)
    of_batch = np.full(flows.n_batches, -1, dtype=np.int64)
    of_batch[flows.batch[disgorged]] = disgorged
    return liqueur, of_batch[flows.batch[liqueur]]


def _position(known: Ints, key: Ints, valid: np.ndarray) -> Ints:
    place = np.minimum(np.searchsorted(known, key), len(known) - 1)
    return np.where(valid & (known[place] == key), place, -1)


def _loops(
    busy: Ints,
    out_at: Ints,
    in_at: Ints,
    dosages: tuple[Ints, Ints],
    n_places: int,
    place: Place,
) -> Iterator[Finding]:
    """A finding for each ring of lots that fill one another at one moment."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components  # slow to load: only a fault needs it

    numbers = np.arange(len(busy))
    drawn, filled = np.concatenate([numbers, dosages[0]]), np.concatenate([numbers, dosages[1]])
    link = (out_at[drawn] >= 0) & (in_at[filled] >= 0)
    source, target, flow = out_at[drawn[link]], in_at[filled[link]], busy[drawn[link]]
    graph = coo_matrix((np.ones(len(source)), (source, target)), shape=(n_places, n_places))
    _, ring = connected_components(graph, directed=True, connection="strong")
    inside = ring[source] == ring[target]
    for label in np.unique(ring[source][inside]):
        rows = flow[inside & (ring[source] == label)]
        yield Finding(
            place(int(rows[0]), "sequence"),
            "",
            "These rows move wine in a circle on one day, and nothing says which came first: "
            + ", ".join(sorted({place(int(row), None) for row in rows}))
            + ".",
            "Number them in the Sequence column, 1 for the first.",
        )
