"""What wine is made of, by quantity: vintages, varieties, villages, reserve and second pressing.

    share of a state = Σ weight · share of what it was filled from;   weights of a state add up to 1

A lot after an arrival is the mean of what it held and what came, by litres (by kilograms at the press);
drawing, losses and counts change nothing. Litres added on the way (sugar, liqueur) are "sugar and other"; a
lot whose row names no vintage, variety or village is "unknown" there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy.sparse import csr_matrix

from costing.engine.solve import Triangular
from costing.graph.arrays import KG, KINDS, Floats, Flow, Ints, codes
from costing.graph.states import Chain
from costing.inputs.estate import Estate
from costing.results.results import Results

ATTRIBUTES = ("vintage", "variety", "village")
OTHER = "sugar and other"
UNKNOWN = "unknown"


@dataclass(frozen=True)
class _Mix:
    """Weights between states (target, source, weight) and the part of each state that was added on the way."""

    target: Ints
    source: Ints
    weight: Floats
    added: Floats


class Composition:
    """Composition of every lot-state of a chain; one solve answers for all lots at once."""

    def __init__(self, estate: Estate, chain: Chain) -> None:
        self.estate, self.chain = estate, chain
        self._mix = _mix(chain)

    @cached_property
    def _solver(self) -> Triangular:
        return Triangular(self._matrix(np.ones(len(self._mix.weight))))

    def _matrix(self, kept: Floats) -> csr_matrix:
        n = len(self.chain.states)
        return csr_matrix((self._mix.weight * kept, (self._mix.target, self._mix.source)), shape=(n, n))

    def shares(self, states: Ints, by: str) -> pd.DataFrame:
        """Shares of `states` by vintage, variety or village [states, names]; each row adds up to 1."""
        flows = self.chain.flows
        origin = np.flatnonzero(np.isin(flows.kind, (Flow.OPENING, Flow.DELIVERY)))
        names = _attribute(self.estate, flows.kind[origin], flows.row[origin], by)
        known = self.estate["opening_composition"]
        more = known.loc[known["attribute"] == by, "name"].astype(str).to_numpy()
        words = np.unique(np.concatenate([names.astype(str), more, [OTHER]]))
        number = np.searchsorted(words, np.append(names.astype(str), OTHER))
        first = np.zeros((len(self.chain.states), len(words)))
        fresh = self._fresh(origin)
        mixed = self._opening_mix(origin, by)
        plain = ~np.isin(np.arange(len(origin)), mixed[0])
        np.add.at(first, (self.chain.target_state[origin][plain], number[:-1][plain]), fresh[plain])
        at = np.searchsorted(words, mixed[1].astype(str)) if len(mixed[1]) else mixed[0]
        np.add.at(first, (self.chain.target_state[origin][mixed[0]], at), fresh[mixed[0]] * mixed[2])
        first[:, number[-1]] += self._mix.added
        found = self._solver.forward(first)[states]
        used = (np.abs(found) > 1e-12).any(axis=0)
        return pd.DataFrame(found[:, used], columns=words[used])

    def _opening_mix(self, origin: Ints, by: str) -> tuple[Ints, np.ndarray, Floats]:
        """Opening composition of one attribute: position in `origin`, name, share."""
        table = self.estate["opening_composition"]
        rows = np.flatnonzero((table["attribute"] == by).to_numpy())
        lot = codes(table["lot"], self.chain.lots.names)[rows]
        position = np.full(len(self.chain.lots.names) + 1, -1, dtype=np.int64)
        opened = self.chain.flows.kind[origin] == Flow.OPENING
        position[self.chain.flows.target[origin[opened]]] = np.flatnonzero(opened)
        at = position[lot]
        rows, at = rows[at >= 0], at[at >= 0]
        return at, table["name"].astype(object).to_numpy()[rows], table["share"].to_numpy()[rows]

    def _opening_share(self, attribute: str) -> Floats:
        """Share of opening states that the Opening composition sheet gives for reserve or second pressing."""
        first = np.zeros(len(self.chain.states))
        origin = np.flatnonzero(self.chain.flows.kind == Flow.OPENING)
        at, _, share = self._opening_mix(origin, attribute)
        np.add.at(first, self.chain.target_state[origin[at]], share)
        return first

    def _fresh(self, flow: Ints) -> Floats:
        """Part of the state that an opening lot or a delivery fills which is its own."""
        before = self.chain.states.before[self.chain.target_state[flow]]
        return self.chain.flows.into[flow] / np.maximum(before + self.chain.flows.into[flow], 1e-300)

    @cached_property
    def reserve(self) -> Floats:
        """Share of every state that has come out of a reserve (a reserve itself: 1)."""
        states = self.chain.states
        is_reserve = states.kind == KINDS.index("reserve")
        return self._passed_through(is_reserve, self._opening_share("reserve"))

    @cached_property
    def second_pressing(self) -> Floats:
        """Share of every state that is second pressing."""
        chain = self.chain
        rows = np.flatnonzero(chain.flows.kind == Flow.PRESS_OUT)
        fraction = self.estate["pressings"]["fraction"].astype(object).to_numpy()[chain.flows.row[rows]]
        seconds = rows[fraction == "second"]
        seconds = seconds[chain.target_state[seconds] >= 0]
        batch = chain.states.batch_state[chain.flows.batch[seconds]]
        # must of a second pressing counts in full where it arrives, whatever its grapes are made of
        edge = pd.MultiIndex.from_arrays([self._mix.target, self._mix.source])
        marked = edge.isin(pd.MultiIndex.from_arrays([chain.target_state[seconds], batch]))
        first = np.bincount(self._mix.target[marked], self._mix.weight[marked], len(chain.states)).astype(np.float64)
        first += self._opening_share("second pressing")
        return Triangular(self._matrix((~marked).astype(np.float64))).forward(first)

    def _passed_through(self, inside: np.ndarray, before: Floats) -> Floats:
        """Share of each state that has been in one of the states `inside`; those themselves count in full."""
        kept = (~inside[self._mix.target]) * 1.0
        return np.asarray(Triangular(self._matrix(kept)).forward(np.where(inside, 1.0, before)))

    def covered(self, results: Results) -> Floats:
        """Share of every state whose grapes, wine or bottles carry a price or an opening cost."""
        flows, postings = self.chain.flows, results.charges.postings
        paid = np.zeros(len(flows), dtype=bool)
        paid[postings.flow[(postings.flow >= 0) & (postings.amount > 0)]] = True
        origin = np.flatnonzero(np.isin(flows.kind, (Flow.OPENING, Flow.DELIVERY)) & paid)
        first = np.zeros(len(self.chain.states))
        np.add.at(first, self.chain.target_state[origin], self._fresh(origin))
        return np.asarray(self._solver.forward(first + self._mix.added))


def _mix(chain: Chain) -> _Mix:
    states, flows, lots = chain.states, chain.flows, chain.lots
    n = len(states)
    per_unit = np.where(lots.unit == KG, 1.0, np.nan_to_num(lots.litres_per_unit, nan=1.0))
    per_lot = np.append(per_unit, 1.0)
    flow = states.flow
    is_lot = states.lot >= 0
    scale = per_lot[states.lot]
    arrives = is_lot & (chain.target_state[flow] == np.arange(n)) & (flows.kind[flow] < Flow.COST)
    in_place = arrives & (flows.source[flow] == flows.target[flow]) & (flows.source[flow] >= 0)
    before = states.before * scale
    into = np.where(arrives, flows.into[flow] * scale, 0.0)
    added = np.where(arrives & (flows.kind[flow] == Flow.MOVEMENT), np.minimum(flows.added[flow], into), 0.0)
    stays = np.where(in_place, np.maximum(states.quantity * scale - added, 0.0), before)
    came = np.where(in_place, 0.0, into - added)
    whole = stays + came + added
    safe = np.where(whole > 0, whole, 1.0)
    carries = is_lot & (states.previous >= 0)
    weight_before = np.where(arrives, stays / safe, 1.0)
    target = [np.flatnonzero(carries)]
    source = [states.previous[target[0]]]
    weight = [weight_before[target[0]]]
    part_added = np.where(arrives, added / safe, 0.0)
    fed = np.flatnonzero(arrives & ~in_place & ((flows.source[flow] >= 0) | (flows.batch[flow] >= 0)))
    batch = flows.batch[flow[fed]]
    through = np.append(states.batch_state, -1)[batch]
    drawn = states.previous[np.maximum(chain.source_state[flow[fed]], 0)]
    target.append(fed)
    source.append(np.where(batch >= 0, through, drawn))
    weight.append(came[fed] / safe[fed])
    feeds = np.flatnonzero((flows.batch >= 0) & (flows.source >= 0) & (flows.kind != Flow.PRESS_OUT))
    opened = states.batch_state[flows.batch[feeds]]
    quantity = flows.out[feeds] * per_lot[flows.source[feeds]]
    filled = flows.kind[feeds] == Flow.DISGORGEMENT
    bottled = np.zeros(n)
    bottled[opened[filled]] = flows.into[feeds[filled]] * per_lot[flows.target[feeds[filled]]]
    liqueur = np.zeros(n)
    dosed = flows.kind[feeds] == Flow.LIQUEUR
    np.add.at(liqueur, opened[dosed], quantity[dosed])
    quantity = np.where(filled, np.maximum(bottled[opened] - liqueur[opened], 0.0), quantity)
    more = np.zeros(n)
    tirage = flows.kind[feeds] == Flow.TIRAGE
    more[opened[tirage]] = flows.added[feeds[tirage]]
    total = np.bincount(opened, quantity, n) + more
    target.append(opened)
    source.append(states.previous[chain.source_state[feeds]])
    weight.append(np.divide(quantity, total[opened], out=np.zeros(len(feeds)), where=total[opened] > 0))
    part_added += np.divide(more, total, out=np.zeros(n), where=total > 0)
    parts = (np.concatenate(target), np.concatenate(source), np.concatenate(weight))
    real = (parts[1] >= 0) & (parts[2] > 0)
    return _Mix(parts[0][real], parts[1][real], parts[2][real], part_added)


def _attribute(estate: Estate, kind: Ints, row: Ints, by: str) -> np.ndarray:
    """Vintage, variety or village of opening lots and deliveries; a delivery without a vintage has its year."""
    names = np.full(len(kind), UNKNOWN, dtype=object)
    for sort, table in ((Flow.OPENING, "opening_stock"), (Flow.DELIVERY, "deliveries")):
        mine = kind == sort
        frame = estate[table]
        values = frame[by].astype(object)
        if by == "vintage" and sort == Flow.DELIVERY:
            values = values.where(values.notna(), frame["on_date"].dt.year.astype(str))
        names[mine] = values.fillna(UNKNOWN).to_numpy()[row[mine]]
    return names


def composition(results: Results, lots: Sequence[str], states: Ints, by: Sequence[str] = ATTRIBUTES) -> pd.DataFrame:
    """What lots are made of: lot, attribute, name, share; shares of one lot and attribute add up to 1.

    lots: names to print; states: the state of each (`costing.results.origins.release_states`).
    """
    mix = Composition(results.estate, results.chain)
    rows = []
    for attribute in by:
        table = mix.shares(states, attribute)
        for number, lot in enumerate(lots):
            rows += [(lot, attribute, name, share) for name, share in table.iloc[number].items() if share > 1e-12]
    for number, lot in enumerate(lots):
        rows.append((lot, "reserve", "reserve", float(mix.reserve[states[number]])))
        rows.append((lot, "pressing", "second pressing", float(mix.second_pressing[states[number]])))
    return pd.DataFrame(rows, columns=["lot", "attribute", "name", "share"])


def coverage(results: Results, states: Ints) -> list[str]:
    """Say for each state what its cost leaves out: litres without a price, stages on the way without any
    cost.
    """
    mix = Composition(results.estate, results.chain)
    covered = mix.covered(results)[states]
    stage = results.columns.get_level_values("stage").to_numpy(dtype=object)
    said = []
    for share, state in zip(covered, states, strict=True):
        kind = results.chain.flows.kind[results.chain.states.flow[state]]
        expected = ("finishing", "dressing") if kind in (Flow.DISGORGEMENT, Flow.LIQUEUR) else ()
        missing = [name for name in expected if not (np.abs(results.cost[state, stage == name]) > 0).any()]
        words = [f"{share:.0%} of litres carry a cost of grapes or wine"] if share < 0.9995 else []
        words += [f"{' and '.join(missing)} missing"] if missing else []
        said.append("; ".join(words) or "complete")
    return said
