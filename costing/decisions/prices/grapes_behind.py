"""Kilograms of grapes behind every lot-state, by quantities and never by cost.

    k = d + M·k     d: kilograms pressed in, at their press load;  M: share of the quantity that passes on

A press load gives its kilograms to its fractions by litres; a by-product takes none. What survives a loss
carries the grapes of what was lost. Wine, must and bottles that were opened or bought have no grapes in the
records: the litres that they began as run through the same equation, so that the part of a bottle that can be
traced to a press is known and the kilograms can be read per litre of that part.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from costing.array_types import Floats
from costing.engine.shares import shares_of
from costing.engine.solve import Triangular
from costing.graph.arrays import KG, Flow
from costing.graph.states import Chain
from costing.inputs.basis import ECONOMIC
from costing.inputs.estate import Estate


@dataclass(frozen=True, eq=False)
class GrapesBehind:
    """Per lot-state [states]: kilograms pressed for all of it, and the part of its litres traced to a press."""

    kg: Floats
    traced: Floats


def grapes_behind(estate: Estate, chain: Chain) -> GrapesBehind:
    """Trace kilograms and litres through the whole chain in one solve."""
    flows, states, edges = chain.flows, chain.states, chain.edges
    pressed_out = np.flatnonzero(flows.kind == Flow.PRESS_OUT)
    fraction = estate["pressings"]["fraction"].astype(object).to_numpy()[flows.row[pressed_out]]
    litres = np.where(fraction == "by-product", 0.0, flows.into[pressed_out])
    load = flows.batch[pressed_out]
    of_load = np.bincount(load, litres, flows.n_batches)[load]
    part = np.zeros(len(estate["pressings"]))
    part[flows.row[pressed_out]] = np.divide(litres, of_load, out=np.zeros(len(litres)), where=of_load > 0)
    passes_on = shares_of(
        len(states),
        edges.source,
        edges.target,
        edges.shares_when_split(part),
        ECONOMIC.abnormal_share(edges.abnormal),  # survivors bear all losses
        edges.flow,
    )
    begun = np.zeros((len(states), 3))
    pressed_in = np.flatnonzero(flows.kind == Flow.PRESS_IN)
    np.add.at(begun[:, 0], states.batch_state[flows.batch[pressed_in]], flows.out[pressed_in])
    filled = pressed_out[chain.target_state[pressed_out] >= 0]
    np.add.at(begun[:, 1], chain.target_state[filled], flows.into[filled])
    came = np.flatnonzero(np.isin(flows.kind, (Flow.OPENING, Flow.DELIVERY)))
    came = came[chain.lots.unit[flows.target[came]] != KG]
    volume = flows.into[came] * chain.lots.litres_per_unit[flows.target[came]]
    np.add.at(begun[:, 2], chain.target_state[came], volume)
    kg, from_press, other = Triangular(passes_on.matrix).forward(begun).T
    lines = from_press + other
    return GrapesBehind(kg, np.divide(from_press, lines, out=np.zeros(len(lines)), where=lines > 0))
