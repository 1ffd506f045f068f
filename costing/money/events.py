"""Operations as chargeable events: what was done to which state, when, and how much of each driver it took.

One event per press load, movement, bottling, dispatch and delivery; a disgorgement is three: riddling,
disgorgement, dressing. The event stands on its batch, or on the lot filled, or (a loss) on the lot it was
lost from, so that its cost follows the wine it was spent on. Which drivers an operation moves is in the schema
(`operations.csv`); bottles dispatched are its bottles in and its bottles out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from costing.array_types import Floats, Ints, ParallelArrays
from costing.graph.arrays import KG, LITRE, OPERATIONS, STAGES, Flow, codes
from costing.graph.states import Chain
from costing.inputs.estate import Estate
from costing.money.postings import Bearers

_DRESSING = STAGES.index("dressing")


@dataclass(frozen=True)
class Events(ParallelArrays):
    """State, flow, day, operation, stage, format (−1: none), primary, and the driver quantities.

    driver: one row per name in FLOW_DRIVERS; primary: one event per flow is, so that pools count no flow
    twice.
    """

    state: Ints
    flow: Ints
    day: Ints
    operation: Ints
    stage: Ints
    format: Ints
    primary: np.ndarray
    driver: Floats

    def bearers(self, which: Ints, driver: Ints | int) -> Bearers:
        """What bears work at some of the events, by a driver, or one for each."""
        quantity = self.driver[driver, which]
        return Bearers(self.state[which], self.stage[which], self.day[which], self.flow[which], driver, quantity)


def events_of(estate: Estate, chain: Chain) -> Events:
    """All chargeable events of the chain."""
    flows, lots, states = chain.flows, chain.lots, chain.states
    charged = np.isin(flows.kind, (Flow.DELIVERY, Flow.MOVEMENT, Flow.TIRAGE, Flow.DISGORGEMENT, Flow.DISPATCH))
    flow = np.flatnonzero(charged & (flows.out >= 0))  # what comes back is no work of sending
    state = _state_of(chain, flow)
    unit = np.append(lots.unit, -1)
    per_unit = np.append(lots.litres_per_unit, 0.0)
    form = np.append(lots.format, -1)
    source, target = flows.source[flow], flows.target[flow]
    out, into = flows.out[flow], flows.into[flow]
    received, sent = flows.kind[flow] == Flow.DELIVERY, flows.kind[flow] == Flow.DISPATCH
    litres = np.where(received, into * np.nan_to_num(per_unit[target]), out * np.nan_to_num(per_unit[source]))
    driver = np.vstack(
        [
            np.where(received & (unit[target] == KG), into, 0.0),
            np.where(received & (unit[target] == KG), 0.0, litres),
            np.where(unit[source] > LITRE, out, 0.0),
            np.where(sent & (unit[source] > LITRE), out, np.where(unit[target] > LITRE, into, 0.0)),
            np.zeros(len(flow)),
        ]
    )
    base = Events(
        state,
        flow,
        flows.day[flow],
        flows.operation[flow],
        states.stage[state],
        np.where(target >= 0, form[target], form[source]),
        np.ones(len(flow), dtype=bool),
        driver,
    )
    parts = (base, *_beside_disgorgement(estate, chain, base), _press_loads(chain))
    return Events.joined(parts)


def _state_of(chain: Chain, flow: Ints) -> Ints:
    """State on which a flow is charged: its batch, else what it fills or leaves, or what that held before."""
    batch = chain.flows.batch[flow]
    own = np.where(chain.target_state[flow] >= 0, chain.target_state[flow], chain.source_state[flow])
    return np.where(batch >= 0, np.append(chain.states.batch_state, -1)[batch], chain.last_filled(own))


def _beside_disgorgement(estate: Estate, chain: Chain, base: Events) -> tuple[Events, Events]:
    """Riddling and dressing events of the disgorgements."""
    released = base.take(np.flatnonzero(chain.flows.kind[base.flow] == Flow.DISGORGEMENT))
    released = replace(released, primary=np.zeros(len(released.flow), dtype=bool))
    riddling = codes(estate["disgorgements"]["riddling"], OPERATIONS)[chain.flows.row[released.flow]]
    riddled = replace(released, operation=riddling).take(np.flatnonzero(riddling >= 0))
    whole = np.ones(len(released.flow), dtype=np.int64)
    return riddled, replace(released, operation=whole * OPERATIONS.index("dressing"), stage=whole * _DRESSING)


def _press_loads(chain: Chain) -> Events:
    """One event per press load: kilograms in, litres out, one load."""
    flows, states = chain.flows, chain.states
    n_loads = len(flows.load_names)
    pressed, given = flows.kind == Flow.PRESS_IN, flows.kind == Flow.PRESS_OUT
    weight = np.bincount(flows.batch[pressed], flows.out[pressed], minlength=n_loads)[:n_loads]
    volume = np.bincount(flows.batch[given], flows.into[given], minlength=n_loads)[:n_loads]
    load = np.flatnonzero(states.batch_state[:n_loads] >= 0)
    state, nothing = states.batch_state[load], np.zeros(len(load))
    return Events(
        state,
        states.flow[state],
        states.start[state],
        np.full(len(load), OPERATIONS.index("pressing")),
        states.stage[state],
        np.full(len(load), -1),
        np.ones(len(load), dtype=bool),
        np.vstack([weight[load], volume[load], nothing, nothing, np.ones(len(load))]),
    )
