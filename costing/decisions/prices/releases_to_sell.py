"""Bottles that can be priced, what they cost on a basis, what of it is still avoidable, and when the money
went out.

    cost per bottle   = Σ cost of the release · B(ready)/B(its day) / good bottles
    avoidable         = the same of what is incurred after the valuation date, pools left out
    money behind it   = Σ posting · its own share on the day paid, charges for time day by day at mid-day

Bottles that can be priced: releases with stock left at the valuation date, planned releases, finished lots
that were never disgorged here, and stacks on lees that no plan disgorges, as if they were released on the
cuvée's planned date (not before the valuation date is over, nor before the rule set allows the sale). Such a
disgorgement is one more planned row of the estate and runs the ordinary way, at its norm of loss. Pools are
spent whether a bottle is made or not, and a final premium on grapes delivered is owed: neither is avoidable.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.sparse import csr_matrix

from costing.array_types import Floats, Ints
from costing.decisions.keeping_costs import last_riddling, riddling_by_cuvee
from costing.graph.arrays import BLANK_DAY, BOTTLE, KINDS, Flow, days
from costing.graph.states import Chain
from costing.inputs.estate import Estate, Sources, as_table
from costing.money.postings import TABLE_NAMES
from costing.once import asked_once
from costing.results.costs import releases
from costing.results.lots import as_dates, lot_labels
from costing.results.origins import plain_weights, reached_by, release_states, worth_of
from costing.results.place_rules import first_sale
from costing.results.results import Results
from costing.results.stock import stock_values

MADE, PLANNED, ON_LEES = "made", "planned", "on lees"
STACK_SUFFIX = " on lees"
_REST = 1e-12  # below this share of the largest day: what rounding leaves when lots have gone
_SETS_AT_ONCE = 256
_POOLS = TABLE_NAMES.index("pools")


@asked_once
def to_sell(results: Results) -> pd.DataFrame:
    """Finished lots with bottles at the valuation date, and planned releases, by the date they are ready.

    Columns: release, cuvee, format, bottle_l, state ("made" or "planned"), ready (date of the cost: of
    disgorgement; the valuation date for a lot that was never disgorged here), bottles (behind that cost),
    to_sell.
    """
    chain = results.chain
    made = releases(results)
    stock = stock_values(results)
    stock = stock[stock["kind"] == "finished"].set_index("lot")
    left = made["release"].map(stock["quantity"]).fillna(0.0)
    frame = pd.DataFrame(
        {
            "release": made["release"],
            "cuvee": made["cuvee"],
            "format": made["format"],
            "bottle_l": made["bottle_l"],
            "state": np.where(made["planned"], PLANNED, MADE),
            "ready": made["disgorged"],
            "bottles": made["bottles"],
            "to_sell": np.where(made["planned"], made["bottles"], left),
        }
    )
    other = stock[~stock.index.isin(made["release"])].reset_index()
    lot = chain.lots.numbers(other["lot"])
    bought = pd.DataFrame(
        {
            "release": other["lot"],
            "cuvee": other["cuvee"],
            "format": other["format"],
            "bottle_l": chain.lots.litres_per_unit[lot],
            "state": MADE,
            "ready": as_dates(np.full(len(other), chain.valuation_day)),
            "bottles": other["quantity"],
            "to_sell": other["quantity"],
        }
    )
    both = pd.concat([frame, bought], ignore_index=True) if len(bought) else frame
    both = both[both["to_sell"] > 0]
    return both.sort_values(["ready", "release"], ignore_index=True, kind="stable")


def with_stacks_released(estate: Estate, chain: Chain) -> tuple[Estate, list[str]]:
    """The estate with one more planned disgorgement for every stack that no plan empties, and the lots these fill.

    Bottles of a stack that come and go later are left: what it always holds is disgorged.
    """
    lots, states = chain.lots, chain.states
    last = states.last_of_lot
    on_lees = (states.kind[last] == KINDS.index("on lees")) & (lots.unit[states.lot[last]] == BOTTLE)
    last = last[on_lees & (states.quantity[last] > 0)]
    lot = states.lot[last]
    now = chain.state_on(lot, np.full(len(lot), chain.valuation_day))
    least = np.full(len(lots.names), np.inf)
    later = np.flatnonzero((states.start > chain.valuation_day) & (states.lot >= 0))
    np.minimum.at(least, states.lot[later], states.quantity[later])
    bottles = np.minimum(states.quantity[now], least[lot])
    lot, bottles = lot[bottles > 0], bottles[bottles > 0]
    if not len(lot):
        return estate, []
    labels = lot_labels(estate, chain)
    cuvee, named = labels.cuvee[lot], labels.name[lot]
    how = riddling_by_cuvee(estate, labels)
    suffix = STACK_SUFFIX
    while lots.names.isin([f"{name}{suffix}" for name in named]).any():
        suffix += "*"
    released = [f"{name}{suffix}" for name in named]
    rows = pd.DataFrame(
        {
            "on_date": as_dates(_release_day(estate, chain, cuvee, labels.tirage_day[lot])),
            "release_lot": released,
            "from_lot": named,
            "bottles_in": bottles,
            "riddling": [last_riddling(how, name, size) for name, size in zip(cuvee, labels.format[lot], strict=True)],
        }
    )
    old, source = estate["disgorgements"], estate.sources["disgorgements"]
    table = as_table("disgorgements", pd.concat([old.astype(object), rows.astype(object)], ignore_index=True))
    places = Sources(
        np.append(source.sheet, np.full(len(rows), "Disgorgements", dtype=object)),
        np.append(source.row, np.zeros(len(rows), dtype=np.int64)),
        source.letters,
    )
    extended = replace(
        estate,
        tables={**estate.tables, "disgorgements": table},
        sources={**estate.sources, "disgorgements": places},
    )
    return extended, released


def _release_day(estate: Estate, chain: Chain, cuvee: np.ndarray, tirage: Ints) -> Ints:
    """The latest of: day after the valuation date, planned release, first sale that the rule set allows."""
    table = estate["cuvees"].drop_duplicates("cuvee", keep="last").set_index("cuvee")
    planned = days(table["planned_release"].reindex(pd.Index(cuvee, dtype=object)))
    allowed = first_sale(estate, cuvee, tirage, chain.valuation_day)
    by_rule = np.where(np.isnat(allowed), BLANK_DAY, allowed.astype(np.int64))
    return np.maximum(np.maximum(planned, by_rule), chain.valuation_day + 1)


@dataclass(frozen=True, eq=False)
class UnitCosts:
    """Per row of `to_sell`: cost per bottle when ready, and what of it is avoidable after the valuation date."""

    cost: Floats
    avoidable: Floats


def unit_costs(results: Results, rows: pd.DataFrame) -> UnitCosts:
    """Costs of the rows of `to_sell` on one basis."""
    states = results.chain.states
    ahead = avoidable_costs(results)
    costs = np.zeros((2, len(rows)))
    ready = days(rows["ready"])
    for position, (release, bottles) in enumerate(zip(rows["release"], rows["bottles"], strict=True)):
        state = release_states(results, str(release))
        growth = results.charges.capital.growth(states.stage[state], states.end[state], ready[position])
        costs[:, position] = (results.total[state] * growth).sum() / bottles, (ahead[state] * growth).sum() / bottles
    return UnitCosts(costs[0], costs[1])


def avoidable_costs(results: Results) -> Floats:
    """Part of every state's cost incurred after the valuation date, with its capital, without pools [states]."""
    chain, charges = results.chain, results.charges
    states, postings = chain.states, charges.postings
    later = (postings.incurred > chain.valuation_day) & (postings.table != _POOLS)
    later &= states.start[postings.state] >= chain.valuation_day  # a premium still to be fixed is owed already
    worth = np.bincount(postings.state[later], charges.worth[later], len(states)).astype(np.float64)
    for part in charges.accrued:
        if not part.expensed and part.charge.table != _POOLS:
            after = states.start[part.states] >= chain.valuation_day
            worth[part.states[after]] += part.worth[after]
    return worth_of(results, worth)


class DatedMoney:
    """Money behind lot-states by the day on which it goes out: the flows that a rate of return is made of."""

    def __init__(self, results: Results) -> None:
        states = results.chain.states
        self._results = results
        self._first = int(states.start.min(initial=results.chain.horizon_day))
        self._days = np.arange(self._first, results.chain.horizon_day, dtype=np.int64)
        self._parts = [part for part in results.charges.accrued if not part.expensed]
        self._daily = [part.charge.curve.amount(self._days, self._days + 1) for part in self._parts]
        postings, charged = results.charges.postings, [part.states for part in self._parts]
        number = np.repeat(np.arange(len(charged)), list(map(len, charged)))
        self._posted = csr_matrix(
            (postings.amount, (postings.state, np.arange(len(postings)))), shape=(len(states), len(postings))
        )
        self._charged = csr_matrix(
            (np.ones(len(number)), (np.concatenate([number[:0], *charged]), number)),
            shape=(len(states), max(len(charged), 1)),
        )

    def behind(self, states: Ints) -> tuple[Floats, Floats]:
        """Days and amounts paid for the sum of these states (refunds below 0), charges for time at mid-day."""
        return next(self._reaching(csr_matrix(plain_weights(self._results, states))))

    def behind_each(self, sets: Sequence[Ints]) -> Iterator[tuple[Floats, Floats]]:
        """The same for each of some sets of states."""
        for first in range(0, len(sets), _SETS_AT_ONCE):
            yield from self._reaching(reached_by(self._results, sets[first : first + _SETS_AT_ONCE]))

    def _reaching(self, reached: csr_matrix) -> Iterator[tuple[Floats, Floats]]:
        """The same by the part of each state's posting that reaches each set [sets, states]."""
        posted = (reached @ self._posted).sorted_indices()
        posted.eliminate_zeros()
        for one in range(reached.shape[0]):
            of, by = (slice(*matrix.indptr[one : one + 2].tolist()) for matrix in (posted, reached))
            accrued = self._accrued(reached.indices[by].astype(np.int64), reached.data[by])
            some = np.flatnonzero(np.abs(accrued) > _REST * np.abs(accrued).max(initial=0.0))
            paid = self._results.charges.postings.paid[posted.indices[of]].astype(np.float64)
            days = np.concatenate([paid, self._days[some] + 0.5])
            yield days, np.concatenate([posted.data[of], accrued[some]])

    def _accrued(self, state: Ints, share: Floats) -> Floats:
        """What is charged for time each day on parts of some states [days]."""
        states, accrued = self._results.chain.states, np.zeros(len(self._days))
        charged = self._charged[state]
        of = np.repeat(np.arange(len(state)), np.diff(charged.indptr))
        for part in np.unique(charged.indices).tolist():
            here = of[charged.indices == part]
            reaches, daily = state[here], self._daily[part]
            start, end = states.start[reaches] - self._first, states.end[reaches] - self._first
            first, last = int(start.min()), int(end.max())
            quantity = states.quantity[reaches] * share[here]
            change = np.bincount(start - first, quantity, last - first + 1)
            change -= np.bincount(end - first, quantity, last - first + 1)
            accrued[first:last] += daily[first:last] * np.cumsum(change)[:-1]
        return accrued


def dispatch_states(results: Results) -> tuple[Ints, Ints]:
    """Flow and batch state of every row of Dispatches, in the order of the sheet."""
    flows = results.chain.flows
    flow = np.flatnonzero(flows.kind == Flow.DISPATCH)
    flow = flow[np.argsort(flows.row[flow], kind="stable")]
    return flow, results.chain.states.batch_state[flows.batch[flow]]
