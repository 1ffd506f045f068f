"""The coefficients S of a basis: what part of each state's cost passes to which state, and what part leaves.

    S[j, i] = share · (1 − x)     exit = share · x (abnormal loss) and share of what is sent away

x is the abnormal part of a share as the basis counts it (`Basis.abnormal_share`). S is strictly lower triangular in
time order.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix

from costing.array_types import Floats, Ints, first_true
from costing.errors import CostingError

SENT, LOST = 0, 1


@dataclass(frozen=True)
class Shares:
    """S as a sparse matrix [states, states], and the exits: source state, share, flow, reason (SENT or LOST)."""

    matrix: csr_matrix
    exit_source: Ints
    exit_share: Floats
    exit_flow: Ints
    exit_reason: Ints
    edge: Ints
    edge_share: Floats


def shares_of(n_states: int, source: Ints, target: Ints, share: Floats, abnormal: Floats, flow: Ints) -> Shares:
    """S and the exits. source, target (−1: sent away), share, abnormal (as the basis counts it), flow: parallel arrays
    of edges.

    CostingError if an edge does not lead forward in time: the states would have no order.
    """
    passes = np.flatnonzero(target >= 0)
    if (target[passes] <= source[passes]).any():
        wrong = int(passes[first_true(target[passes] <= source[passes])])
        message = f"edge {wrong} leads back in time: state {source[wrong]} to state {target[wrong]}"
        raise CostingError(message)
    kept = share[passes] * (1.0 - abnormal[passes])
    matrix = csr_matrix((kept, (target[passes], source[passes])), shape=(n_states, n_states))
    sent = np.flatnonzero(target < 0)
    lost = passes[abnormal[passes] != 0]
    return Shares(
        matrix,
        np.concatenate([source[sent], source[lost]]),
        np.concatenate([share[sent], share[lost] * abnormal[lost]]),
        np.concatenate([flow[sent], flow[lost]]),
        np.concatenate([np.full(len(sent), SENT), np.full(len(lost), LOST)]),
        passes,
        kept,
    )
