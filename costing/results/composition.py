"""What wine is made of, by quantity: vintages, varieties, villages, growers, reserve and second pressing.

    share of a state = Σ weight · share of what it was filled from;   weights of a state add up to 1

A lot after an arrival is the mean of what it held and what came, by litres (by kilograms at the press);
drawing, losses and counts change nothing. Litres added on the way (sugar, liqueur) are "sugar and other"; a
lot whose row names no vintage, variety or village is "unknown" there. Dosage without a liqueur lot adds
nothing that the records know of. Opening lots of several origins follow the Opening composition sheet: what it
leaves open is unknown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.sparse import csr_matrix

from costing.array_types import Floats, Ints, Names
from costing.engine.solve import Triangular
from costing.errors import CostingError, nearest
from costing.graph.arrays import KG, KINDS, Flow, codes
from costing.graph.states import Chain
from costing.inputs.checks import ATTRIBUTES
from costing.inputs.estate import Estate, vintages
from costing.money.postings import TABLE_NAMES
from costing.once import asked_once
from costing.results.origins import release_states
from costing.results.results import Results

MORE_ATTRIBUTES = ("supplier", "vineyard", "colour")
WHITE, RED = "white", "red"
OTHER = "sugar and other"
UNKNOWN = "unknown"
OWN_VINEYARD = "own vineyard"
PURCHASES = ("grapes", "must and wine", "bottles")
"""Cost elements that pay for what the wine is made of."""
_BLOCK = 8  # names solved at a time, so that hundreds of villages need no hundreds of columns


@dataclass(frozen=True)
class _Mix:
    """Weights between states (target, source, weight, flow that brought it: −1 for what stayed) and the part of
    each state that was added on the way.
    """

    target: Ints
    source: Ints
    weight: Floats
    flow: Ints
    added: Floats


@dataclass(frozen=True)
class _Starts:
    """Where named quantities enter: state, number in `words`, part of that state."""

    state: Ints
    number: Ints
    share: Floats
    words: NDArray[np.str_]


class Composition:
    """Composition of every lot-state of a chain; one solve answers for all lots at once."""

    def __init__(self, estate: Estate, chain: Chain) -> None:
        self.estate, self.chain = estate, chain
        self._mix = _mix(chain)
        self._starts_of: dict[str, _Starts] = {}

    @cached_property
    def _solver(self) -> Triangular:
        return Triangular(self._matrix(np.ones(len(self._mix.weight))))

    def _matrix(self, kept: Floats) -> csr_matrix:
        n = len(self.chain.states)
        return csr_matrix((self._mix.weight * kept, (self._mix.target, self._mix.source)), shape=(n, n))

    def shares(self, states: Ints, by: str) -> pd.DataFrame:
        """Shares of `states` by an attribute [states, names]; each row adds up to 1.

        by: vintage, variety, village, supplier, vineyard or colour.

        Names in alphabetical order, those of no share left out. CostingError if there is no such attribute.
        """
        if by not in self._starts_of:
            self._starts_of[by] = self._starts(by)
        starts = self._starts_of[by]
        n, n_words = len(self.chain.states), len(starts.words)
        parts = np.zeros((len(states), n_words))
        if len(states) <= n_words:  # from the lots back to their origins, or from the origins on to every lot
            for row, state in enumerate(states):
                chosen = np.zeros(n)
                chosen[state] = 1.0
                part = self._solver.backward(chosen)[starts.state] * starts.share
                parts[row] = np.bincount(starts.number, part, n_words)
        else:
            for first in range(0, n_words, _BLOCK):
                block = (starts.number >= first) & (starts.number < first + _BLOCK)
                entered = np.zeros((n, min(_BLOCK, n_words - first)))
                np.add.at(entered, (starts.state[block], starts.number[block] - first), starts.share[block])
                parts[:, first : first + _BLOCK] = self._solver.forward(entered)[states]
        used = (np.abs(parts) > 1e-12).any(axis=0)
        return pd.DataFrame(parts[:, used], columns=starts.words[used])

    def _starts(self, by: str) -> _Starts:
        flows, opened = self.chain.flows, self.chain.target_state
        origin = np.flatnonzero(np.isin(flows.kind, (Flow.OPENING, Flow.DELIVERY)))
        names = _attribute(self.estate, flows.kind[origin], flows.row[origin], by)
        mixed, mixed_name, part = self._opening_mix(origin, by)
        given = np.bincount(mixed, part, len(origin))
        part = part / np.maximum(given, 1.0)[mixed]
        rest = np.maximum(1.0 - given, 0.0)
        rest_name = np.where(given > 0, UNKNOWN, names)
        added = np.flatnonzero(self._mix.added)
        fresh = self._fresh(origin)
        words, number = np.unique(
            np.concatenate([rest_name, mixed_name, np.full(len(added), OTHER)]).astype(str), return_inverse=True
        )
        state = np.concatenate([opened[origin], opened[origin[mixed]], added])
        share = np.concatenate([fresh * rest, fresh[mixed] * part, self._mix.added[added]])
        return _Starts(state, number, share, words)

    def _opening_mix(self, origin: Ints, by: str) -> tuple[Ints, Names, Floats]:
        """Opening composition of one attribute: position in `origin`, name, share."""
        table = self.estate["opening_composition"]
        rows = np.flatnonzero((table["attribute"] == by).to_numpy())
        opened = np.flatnonzero(self.chain.flows.kind[origin] == Flow.OPENING)
        lots = pd.DataFrame({"lot": self.chain.flows.target[origin[opened]], "position": opened})
        lines = pd.DataFrame({"lot": codes(table["lot"], self.chain.lots.names)[rows], "row": rows})
        both = lots.merge(lines, on="lot")
        row = both["row"].to_numpy(dtype=np.int64)
        name, share = table["name"].astype(object).to_numpy()[row], table["share"].to_numpy()[row]
        return both["position"].to_numpy(dtype=np.int64), name, share

    def _opening_share(self, attribute: str) -> Floats:
        """Part of opening states that the Opening composition sheet calls reserve or second pressing."""
        origin = np.flatnonzero(self.chain.flows.kind == Flow.OPENING)
        line, _, share = self._opening_mix(origin, attribute)
        return self._at(self.chain.target_state[origin], np.minimum(np.bincount(line, share, len(origin)), 1.0))

    def _at(self, state: Ints, part: Floats) -> Floats:
        return np.bincount(state, part, len(self.chain.states)).astype(np.float64)

    def _fresh(self, flow: Ints) -> Floats:
        """Part of the state that an opening lot or a delivery fills which is its own."""
        before = self.chain.states.before[self.chain.target_state[flow]]
        return self.chain.flows.into[flow] / np.maximum(before + self.chain.flows.into[flow], 1e-300)

    @cached_property
    def reserve(self) -> Floats:
        """Share of every state that has come out of a reserve (a reserve itself: 1); a litre counts once."""
        inside = self.chain.states.kind == KINDS.index("reserve")
        kept = np.where(inside[self._mix.target], 0.0, 1.0)
        return Triangular(self._matrix(kept)).forward(np.where(inside, 1.0, self._opening_share("reserve")))

    @cached_property
    def second_pressing(self) -> Floats:
        """Share of every state that is second pressing."""
        flows = self.chain.flows
        fraction = self.estate["pressings"]["fraction"].astype(object).to_numpy()
        second = np.zeros(len(flows) + 1, dtype=bool)
        given = np.flatnonzero(flows.kind == Flow.PRESS_OUT)
        second[given] = fraction[flows.row[given]] == "second"
        marked = second[self._mix.flow]  # must of a second pressing counts in full, whatever its grapes are made of
        first = self._at(self._mix.target[marked], self._mix.weight[marked]) + self._opening_share("second pressing")
        return Triangular(self._matrix(np.where(marked, 0.0, 1.0))).forward(first)

    def covered(self, results: Results) -> Floats:
        """Share of every state that was paid for: grapes, must, wine or bottles with a price, opening lots with
        a cost, and what was added to them.
        """
        flows, postings = self.chain.flows, results.charges.postings
        bought = np.isin(postings.element, results.charges.elements.get_indexer(pd.Index(PURCHASES)))
        bought |= postings.table == TABLE_NAMES.index("opening_costs")
        bought &= postings.amount > 0
        paid = np.zeros(len(flows), dtype=bool)
        paid[postings.flow[bought & (postings.flow >= 0)]] = True
        by_invoice = postings.row[bought & (postings.table == TABLE_NAMES.index("costs"))]  # on the lot, not its row
        paid_lot = np.zeros(len(self.chain.lots.names) + 1, dtype=bool)
        paid_lot[self.chain.lots.of_rows["costs", "lot"][by_invoice]] = True
        origin = np.flatnonzero(np.isin(flows.kind, (Flow.OPENING, Flow.DELIVERY)) & (paid | paid_lot[flows.target]))
        entered = self._at(self.chain.target_state[origin], self._fresh(origin))
        return self._solver.forward(entered + self._mix.added)

    def passed(self, marks: Floats) -> Floats:
        """Part of each state's wine that went through a marked state, counted each time. marks: 1 or 0 [states, n]."""
        return np.asarray(self._solver.forward(marks))


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
    moved = arrives & (flows.kind[flow] == Flow.MOVEMENT)
    before = states.before * scale
    into = np.where(arrives, flows.into[flow] * scale, 0.0)
    of_it = np.where(flows.source[flow] >= 0, np.minimum(flows.added[flow], into), into)  # from no lot: all of it
    added = np.where(moved, of_it, 0.0)
    stays = np.where(in_place, np.maximum(states.quantity * scale - added, 0.0), before)
    came = np.where(in_place, 0.0, into - added)
    whole = stays + came + added
    safe = np.where(whole > 0, whole, 1.0)
    weight_before = np.where(arrives, stays / safe, 1.0)
    part_added = np.where(arrives, added / safe, 0.0)
    carried = np.flatnonzero(is_lot & (states.previous >= 0))
    fed = np.flatnonzero(arrives & ~in_place & ((flows.source[flow] >= 0) | (flows.batch[flow] >= 0)))
    batch = flows.batch[flow[fed]]
    drawn = states.previous[np.maximum(chain.source_state[flow[fed]], 0)]
    from_fed = np.where(batch >= 0, np.append(states.batch_state, -1)[batch], drawn)
    feeds = np.flatnonzero((flows.batch >= 0) & (flows.source >= 0) & (flows.kind != Flow.PRESS_OUT))
    opened = states.batch_state[flows.batch[feeds]]
    quantity, more = _of_batches(chain, feeds, opened, per_lot)
    total = np.bincount(opened, quantity, n) + more
    by_batch = np.divide(quantity, total[opened], out=np.zeros(len(feeds)), where=total[opened] > 0)
    part_added += np.divide(more, total, out=np.zeros(n), where=total > 0)
    target = np.concatenate([carried, fed, opened])
    source = np.concatenate([states.previous[carried], from_fed, states.previous[chain.source_state[feeds]]])
    weight = np.concatenate([weight_before[carried], came[fed] / safe[fed], by_batch])
    by = np.concatenate([np.full(len(carried), -1), flow[fed], feeds])
    real = (source >= 0) & (weight > 0)
    return _Mix(target[real], source[real], weight[real], by[real], part_added)


def _of_batches(chain: Chain, feeds: Ints, opened: Ints, per_lot: Floats) -> tuple[Floats, Floats]:
    """Quantity of each lot in its batch [feeds], and litres added to the batch [states].

    A disgorged bottle holds its liqueur, and of the wine from its lees the rest.
    """
    flows, n = chain.flows, len(chain.states)
    quantity = flows.out[feeds] * per_lot[flows.source[feeds]]
    dosed, filled, tirage = (flows.kind[feeds] == kind for kind in (Flow.LIQUEUR, Flow.DISGORGEMENT, Flow.TIRAGE))
    bottled = flows.into[feeds] * per_lot[flows.target[feeds]]
    liqueur = np.bincount(opened[dosed], quantity[dosed], n)
    quantity = np.where(filled, np.maximum(bottled - liqueur[opened], 0.0), quantity)
    return quantity, np.bincount(opened[tirage], flows.added[feeds[tirage]], n).astype(np.float64)


def _attribute(estate: Estate, kind: Ints, row: Ints, by: str) -> Names:
    """Vintage, variety, village, supplier, vineyard or colour of opening lots and deliveries.

    A delivery without a vintage has its year, one without a supplier is of the own vineyard, one without a colour is
    white (all as the sheet says).
    """
    known = (*ATTRIBUTES, *MORE_ATTRIBUTES)
    if by not in known:
        message = f"composition knows no '{by}'. {nearest(by, known)}".strip()
        raise CostingError(message)
    names = np.full(len(kind), UNKNOWN, dtype=object)
    for sort, table in ((Flow.OPENING, "opening_stock"), (Flow.DELIVERY, "deliveries")):
        rows, frame = kind == sort, estate[table]
        if by not in frame.columns:
            continue
        values = vintages(frame) if sort == Flow.DELIVERY and by == "vintage" else frame[by].astype(object)
        blank = {"supplier": OWN_VINEYARD, "colour": WHITE}.get(by, UNKNOWN)
        names[rows] = values.fillna(blank).to_numpy()[row[rows]]
    return names


def made_of(results: Results, lots: Sequence[str]) -> tuple[Ints, Ints, Floats]:
    """Lot (position), state and weight of everything that makes up lots: disgorgements by good bottles."""
    chain = results.chain
    bottles = np.ones(len(chain.states))
    rows = np.flatnonzero(chain.flows.kind == Flow.DISGORGEMENT)
    bottles[chain.states.batch_state[chain.flows.batch[rows]]] = chain.flows.into[rows]
    target = chain.flows.target[rows]
    by_lot = rows[np.argsort(target, kind="stable")]
    asked = chain.lots.names.get_indexer(pd.Index(lots, dtype=object))
    first, last = (np.searchsorted(np.sort(target), asked, side=side) for side in ("left", "right"))
    made = chain.states.batch_state[chain.flows.batch[by_lot]]
    states = [
        made[begin:end] if begin < end else release_states(results, lot)
        for lot, begin, end in zip(lots, first, last, strict=True)
    ]
    which = np.repeat(np.arange(len(lots)), [len(part) for part in states])
    state = np.concatenate([*states, np.zeros(0, dtype=np.int64)]).astype(np.int64)
    whole = np.bincount(which, bottles[state], len(lots))[which]
    return which, state, bottles[state] / np.where(whole > 0, whole, 1.0)


@asked_once
def composition_of(estate: Estate, chain: Chain) -> Composition:
    """Composition of every lot-state of a chain, solved once for all who ask."""
    return Composition(estate, chain)


def composition(
    results: Results, lots: Sequence[str], states: Ints | None = None, by: Sequence[str] = ATTRIBUTES
) -> pd.DataFrame:
    """What lots are made of: lot, attribute, name, share; shares of one lot and attribute add up to 1.

    lots: names; a release is the mean of its disgorgements, another lot is as it stands on the valuation date.
    states: the state of each lot, where another one is meant. Reserve and second pressing have a line each.
    """
    mix = composition_of(results.estate, results.chain)
    which, state, weight = made_of(results, lots) if states is None else (np.arange(len(lots)), states, 1.0)
    rows: list[tuple[str, str, str, float]] = []
    for attribute in by:
        table = mix.shares(state, attribute)
        shares = np.zeros((len(lots), table.shape[1]))
        np.add.at(shares, which, table.to_numpy() * np.reshape(weight, (-1, 1)))
        names = [str(name) for name in table.columns]
        for lot, line in zip(lots, shares.tolist(), strict=True):
            rows += [(lot, attribute, name, amount) for name, amount in zip(names, line, strict=True) if amount > 1e-12]
    for attribute, name, part in (
        ("reserve", "reserve", mix.reserve),
        ("pressing", "second pressing", mix.second_pressing),
    ):
        share = np.bincount(which, part[state] * weight, len(lots))
        rows += [(lot, attribute, name, float(amount)) for lot, amount in zip(lots, share, strict=True)]
    return pd.DataFrame(rows, columns=["lot", "attribute", "name", "share"])
