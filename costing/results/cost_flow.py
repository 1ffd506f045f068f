"""How cost flows from grapes to bottles: places by kind of goods (bottles by cuvée), what passes between them, what
each adds, what it holds.

    came in + added = passed on + sold + other exits and losses expensed + in stock

Everything up to the valuation date, on the basis of the results. A press load counts to what it gives, a bottling to
its bottles, a disgorgement to its release, a dispatch to what leaves. Wine that stays in its place is no flow. A cost
that is fixed only after the valuation date (a premium to come) is in it already, other than in stock values.

What it does not do: draw; follow a single lot (that is the origins).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from costing.array_types import Floats, Ints
from costing.graph.arrays import KINDS, Flow
from costing.results.lots import lot_labels
from costing.results.results import Results
from costing.results.ways_out import ways_out

ON_LEES, FINISHED = KINDS.index("on lees"), KINDS.index("finished")
_LEAST = 0.5
SOLD, LEFT = "sold", "other exits and losses"


@dataclass(frozen=True)
class CostFlow:
    """places: kind, cuvee ("" but for bottles), added, stock (money); passed: from_kind, from_cuvee, to_kind, to_cuvee,
    amount (money). `sold` and `other exits and losses` are places without cuvée that add nothing.
    """

    places: pd.DataFrame
    passed: pd.DataFrame


def flow_lines(flow: CostFlow) -> pd.DataFrame:
    """The same as lines: from_place, to_place, passed, largest first; what a place adds comes from `added`, what it
    holds goes to `in stock`.
    """
    passed = pd.DataFrame(
        {
            "from_place": flow.passed["from_kind"].str.cat(flow.passed["from_cuvee"], " ").str.strip(),
            "to_place": flow.passed["to_kind"].str.cat(flow.passed["to_cuvee"], " ").str.strip(),
            "passed": flow.passed["amount"],
        }
    )
    here = flow.places["kind"].str.cat(flow.places["cuvee"], " ").str.strip()
    added = pd.DataFrame({"from_place": "added", "to_place": here, "passed": flow.places["added"]})
    in_stock = pd.DataFrame({"from_place": here, "to_place": "in stock", "passed": flow.places["stock"]})
    lines = pd.concat([passed, added, in_stock], ignore_index=True)
    lines = lines[lines["passed"].abs() >= _LEAST]
    return lines.sort_values("passed", ascending=False, ignore_index=True)


def cost_flow(results: Results) -> CostFlow:
    """Cost by place and between places up to the valuation date."""
    chain, states = results.chain, results.chain.states
    flows, day = chain.flows, results.chain.valuation_day
    kind, cuvee = _places_of(results)
    labels = lot_labels(results.estate, chain)
    names = [*dict.fromkeys(labels.cuvee.tolist()), ""] if len(labels.cuvee) else [""]
    number = {name: spot for spot, name in enumerate(dict.fromkeys(names))}
    code = kind * len(number) + np.array([number[name] for name in cuvee], dtype=np.int64)
    happened = (states.start <= day) & (flows.kind[states.flow] != Flow.CUT)
    own = results.total - np.asarray(results.shares.matrix @ results.total)
    after = np.zeros(len(states), dtype=bool)
    has = states.previous >= 0
    after[states.previous[has & happened]] = True
    open_now = happened & (states.lot >= 0) & ~after
    size = (len(KINDS)) * len(number)
    added = np.bincount(code[happened], own[happened], size)
    stock = np.bincount(code[open_now], results.total[open_now], size)
    matrix = results.shares.matrix.tocoo()
    target, source = matrix.row.astype(np.int64), matrix.col.astype(np.int64)
    moves = happened[target] & (code[target] != code[source])
    pair = code[source[moves]] * size + code[target[moves]]
    amount = np.bincount(pair, matrix.data[moves] * results.total[source[moves]], size * size)
    words = list(number)

    def place(spot: int) -> tuple[str, str]:
        which, of = divmod(spot, len(number))
        return KINDS[which], words[of]

    passed = [(*place(int(spot) // size), *place(int(spot) % size), amount[spot]) for spot in np.flatnonzero(amount)]
    passed += _left(results, code, happened, size, place)
    columns = ["from_kind", "from_cuvee", "to_kind", "to_cuvee", "amount"]
    used = np.flatnonzero((np.abs(added) > 1e-9) | (np.abs(stock) > 1e-9))
    places = [(*place(int(spot)), added[spot], stock[spot]) for spot in used]
    return CostFlow(
        pd.DataFrame(places, columns=["kind", "cuvee", "added", "stock"]), pd.DataFrame(passed, columns=columns)
    )


def _places_of(results: Results) -> tuple[Ints, np.ndarray]:
    """Kind of goods and cuvée of every state; a batch stands where it leads to, one that leaves where it came from."""
    chain, states = results.chain, results.chain.states
    labels = lot_labels(results.estate, chain)
    kind = states.kind.copy()
    lot = states.lot.copy()
    leads = np.full(len(states), -1, dtype=np.int64)
    for flow in np.flatnonzero((chain.flows.batch >= 0) & (chain.target_state >= 0)):
        leads[states.batch_state[chain.flows.batch[flow]]] = chain.target_state[flow]
    batch = np.flatnonzero(states.lot < 0)
    led = batch[leads[batch] >= 0]
    kind[led], lot[led] = states.kind[leads[led]], states.lot[leads[led]]
    rest = batch[leads[batch] < 0]
    came = states.previous[np.maximum(chain.source_state[states.flow[rest]], 0)]
    kind[rest], lot[rest] = states.kind[came], states.lot[came]
    bottled = (kind == ON_LEES) | (kind == FINISHED)
    return kind, np.where(bottled, labels.cuvee[lot], "").astype(object)


def _left(
    results: Results, code: Ints, happened: np.ndarray, size: int, place: Callable[[int], tuple[str, str]]
) -> list[tuple[str, str, str, str, float]]:
    """What leaves: sold, and everything else that goes or is expensed."""
    shares, flows = results.shares, results.chain.flows
    amount: Floats = results.exit_amount
    flow = shares.exit_flow
    counts = happened[shares.exit_source]  # later, all leaves what the valuation date cut, or what came after
    sold = np.append(ways_out(results.estate) == "sale", False)
    sent = sold[np.where(flows.kind[flow] == Flow.DISPATCH, flows.row[flow], -1)]
    parts = []
    for name, which in ((SOLD, sent), (LEFT, ~sent)):
        total = np.bincount(code[shares.exit_source[counts & which]], amount[counts & which], size)
        parts += [(*place(int(spot)), name, "", float(total[spot])) for spot in np.flatnonzero(total)]
    return parts
