"""What the cost of a lot leaves out, in a few words: "grapes or wine for 71 % of litres; storage, dressing missing".

A step is missing if more than a hundredth of the wine went through it where it cost nothing:

    pressing, tirage, finishing   no work of that stage was charged to the press load, bottling or disgorgement, nor
                                  to a lot that it was drawn from or filled
    dry goods, dressing    likewise; none where the Dry goods sheet dresses by presentation, at dispatch
    vinification   wine lay in vats for a month, and nothing but its purchase was charged in them
    storage        bottles lay on lees for a month, and nothing was charged for that time
    pools          work or stock after the last day of a pool, or between two of its periods, up to the valuation date
    norms          bottles were filled or disgorged, and there are no loss norms: every loss is beyond the norm
    capital        the basis charges it, and no rate is given

A pool whose last period has an amount of 0 has ended and lacks nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from costing.array_types import Flags, Ints
from costing.graph.arrays import BOTTLE, LITRE, STAGES, Flow
from costing.money.events import events_of
from costing.money.pools import Pools
from costing.money.postings import TABLE_NAMES
from costing.money.time_charges import TIME_DRIVERS, bearers
from costing.results.composition import PURCHASES, composition_of, made_of
from costing.results.results import Results

VATS = ("vinification", "reserve", "blending")
A_WHILE = 30
"""Days after which wine that lies somewhere is said to be stored."""
_LEAST = 0.01
"""Part of the wine of a lot that a missing step must have touched."""


def coverage(results: Results, of: Ints | Sequence[str]) -> list[str]:
    """What the cost of each lot leaves out; "complete" where nothing is missing. of: names of lots, or states."""
    if isinstance(of, np.ndarray):
        which, state, weight = np.arange(len(of)), of, np.ones(len(of))
    else:
        which, state, weight = made_of(results, list(of))
    mix = composition_of(results.estate, results.chain)
    marks = _marks(results)
    through = mix.passed(np.column_stack(list(marks.values())).astype(np.float64))[state]
    passed = np.zeros((len(of), len(marks)))
    np.add.at(passed, which, through * np.reshape(weight, (-1, 1)))
    went = dict(zip(marks, (passed > _LEAST).T, strict=True))
    share = np.bincount(which, mix.covered(results)[state] * weight, len(of))
    missing = _missing(results, went, which, state)
    parts = []
    for lot in range(len(of)):
        words = [f"grapes or wine for {int(100 * share[lot] + 1e-9)} % of litres"] if share[lot] < 1.0 - 1e-6 else []
        names = [name for name, flags in missing.items() if flags[lot]]
        words += [f"{', '.join(names)} missing"] if names else []
        parts.append("; ".join(words) or "complete")
    return parts


def _missing(results: Results, went: dict[str, Flags], which: Ints, state: Ints) -> dict[str, Flags]:
    """Whether each step is missing from each lot."""
    estate = results.estate
    stage, element = (results.columns.get_level_values(level) for level in ("stage", "element"))
    spent = np.zeros((len(went["pressing"]), len(results.columns)))
    np.add.at(spent, which, np.abs(results.cost[state]) * ~element.isin(["capital", "by-product credit"]))

    def nothing(columns: Flags) -> Flags:
        return np.asarray(~(spent[:, columns] > 0).any(axis=1))

    has_rate = results.basis.rate is not None or estate["interest_rates"]["hurdle_rate"].notna().any()
    bare = results.basis.capital == "hurdle" and not has_rate
    by_presentation = estate["dry_goods"]["presentation"].notna().any()
    return {
        "pressing": went["pressing"],
        "vinification": went["vats"] & nothing(stage.isin(VATS) & ~element.isin(PURCHASES)),
        "tirage": went["tirage"],
        "dry goods": went["dry goods"],
        "storage": went["unstored"],
        "finishing": went["finishing"],
        "dressing": went["dressing"] & (not by_presentation),
        "pools": went["between pools"],
        "norms": went["bottles"] & (len(estate["loss_norms"]) == 0),
        "capital": np.full(len(spent), bare),
    }


def _marks(results: Results) -> dict[str, Flags]:
    """States of each step that a cost may be missing of."""
    chain, n = results.chain, len(results.chain.states)
    states, flows, postings = chain.states, chain.flows, results.charges.postings
    element = results.charges.elements[postings.element]
    goods = np.isin(postings.table, TABLE_NAMES.index("dry_goods")) | (element == "dry goods")
    work = (postings.amount != 0) & ~goods & ~element.isin([*PURCHASES, "by-product credit"])
    marks = {
        "pressing": _bare_batches(results, Flow.PRESS_IN, "pressing", work),
        "tirage": _bare_batches(results, Flow.TIRAGE, "tirage", work),
        "dry goods": _bare_batches(results, Flow.TIRAGE, "tirage", goods & (postings.amount != 0)),
        "finishing": _bare_batches(results, Flow.DISGORGEMENT, "finishing", work),
        "dressing": _bare_batches(results, Flow.DISGORGEMENT, "dressing", postings.amount != 0),
    }
    marks["bottles"] = np.zeros(n, dtype=bool)
    marks["bottles"][states.batch_state[flows.batch[np.isin(flows.kind, (Flow.TIRAGE, Flow.DISGORGEMENT))]]] = True
    unit = np.append(chain.lots.unit, -1)[states.lot]  # a batch has none
    first = np.full(len(chain.lots.names) + 1, np.iinfo(np.int64).max)
    np.minimum.at(first, states.lot, states.start)
    stored = (states.quantity > 0) & (states.end > states.start) & (states.end - first[states.lot] >= A_WHILE)
    marks["vats"] = stored & (unit == LITRE) & np.isin(states.stage, [STAGES.index(name) for name in VATS])
    charged = np.zeros(n, dtype=bool)
    for part in results.charges.accrued:
        charged[part.states[part.amount != 0]] = True
    charged[postings.state[element == "storage"]] = True
    marks["unstored"] = stored & (unit == BOTTLE) & (states.stage == STAGES.index("on lees")) & ~charged
    marks["between pools"] = _between_pools(results)
    return marks


def _bare_batches(results: Results, kind: Flow, stage: str, counts: Flags) -> Flags:
    """States of batches of a kind without a posting of a stage among `counts`, on themselves or on their lots."""
    chain, postings = results.chain, results.charges.postings
    states, flows = chain.states, chain.flows
    charged = postings.state[counts & (postings.stage == STAGES.index(stage))]
    on_state, on_lot = np.zeros(len(states), dtype=bool), np.zeros(len(chain.lots.names) + 1, dtype=bool)
    on_state[charged] = True
    on_lot[states.lot[charged]] = True
    on_lot[-1] = False  # no lot
    of_kind = np.unique(flows.batch[flows.kind == kind])
    member = np.isin(flows.batch, of_kind) & (on_lot[flows.source] | on_lot[flows.target])
    known = np.zeros(len(states.batch_state) + 1, dtype=bool)
    known[flows.batch[member]] = True
    bare = np.zeros(len(states), dtype=bool)
    bare[states.batch_state[of_kind[~known[of_kind]]]] = True
    return bare & ~on_state


def _between_pools(results: Results) -> Flags:
    """States on which, by the valuation date, work was done or stock lay on days that no period of its pool holds."""
    chain, pools = results.chain, results.charges.pools
    between = np.zeros(len(chain.states), dtype=bool)
    gaps = [(row, *gap) for row, gap in _gaps(pools)]
    if not gaps:
        return between
    events, states = events_of(results.estate, chain), chain.states
    for row, first, last in gaps:
        stage, place = int(pools.stage[row]), int(pools.place[row])
        if pools.time_driver[row] >= 0:
            bottles = TIME_DRIVERS[pools.time_driver[row]] == "bottle-year"
            borne, _ = bearers(chain, bottles, stage, -1, place, pools.location)
            between[borne[(states.start[borne] < last) & (states.end[borne] >= first)]] = True
            continue
        bears = (events.day >= first) & (events.day <= last) & (events.driver[pools.flow_driver[row]] > 0)
        bears &= (stage < 0) | (events.stage == stage)
        bears &= (place < 0) | (pools.location[events.state] == place)
        between[events.state[bears & events.primary]] = True
    return between


def _gaps(pools: Pools) -> Iterator[tuple[int, tuple[int, int]]]:
    """Rows of pools and the days (first, last), up to the valuation date, between each and the next of its pool."""
    today, names = pools.chain.valuation_day, pools.pool[pools.rows.target]
    for name in dict.fromkeys(names):
        rows = np.flatnonzero(names == name)
        for row in rows[pools.rows.amount[rows] != 0].tolist():
            later = pools.begin[rows][pools.begin[rows] > pools.begin[row]]
            last = min(int(later.min(initial=today + 1)) - 1, today)
            if pools.last[row] < last:
                yield row, (int(pools.last[row]) + 1, last)
