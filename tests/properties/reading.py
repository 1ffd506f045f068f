"""Runs of random estates, and what they found by lot, exit and origin, in plain dictionaries.

What it does not do: compute; every figure is read from `Results`.
"""

from __future__ import annotations

import numpy as np

from costing.engine.shares import LOST, SENT
from costing.graph.arrays import Flow
from costing.inputs.basis import BOOK, ECONOMIC, Basis
from costing.inputs.load import read_estate
from costing.model import run, trace
from costing.money.postings import TABLE_NAMES
from costing.results.results import Results
from tests.properties.estates import Tables

Figures = dict[tuple[str, str, str], float]
BASES = (BOOK, ECONOMIC)


def run_both(tables: Tables) -> tuple[Results, Results]:
    """Book and economic results of the same chain."""
    estate = read_estate(tables)
    chain = trace(estate)
    return run(estate, BOOK, chain), run(estate, ECONOMIC, chain)


def run_one(tables: Tables, basis: Basis = BOOK) -> Results:
    """Results on one basis."""
    return run(read_estate(tables), basis)


def state_cost(results: Results, state: int) -> dict[tuple[str, str], float]:
    """Cost of one state at the end of its interval, by stage and element."""
    found: dict[tuple[str, str], float] = {}
    for column, amount in zip(results.columns, results.cost[state], strict=True):
        found[column] = found.get(column, 0.0) + float(amount)
    return found


def figures(results: Results) -> Figures:
    """Cost of every lot at the end of the records, of all exits, and of losses, by stage and element."""
    chain, found = results.chain, {}
    for lot, state in zip(chain.lots.names, chain.states.last_of_lot, strict=True):
        for (stage, element), amount in state_cost(results, int(state)).items():
            found[str(lot), stage, element] = amount
    for reason, name in ((SENT, "sent"), (LOST, "lost")):
        chosen = results.shares.exit_reason == reason
        gone = results.shares.exit_share[chosen] @ results.cost[results.shares.exit_source[chosen]]
        for (stage, element), amount in zip(results.columns, np.atleast_1d(gone), strict=True):
            key = (name, stage, element)
            found[key] = found.get(key, 0.0) + float(amount)
    return {key: amount for key, amount in found.items() if amount}


def differences(
    first: Figures, second: Figures, tolerance: float = 1e-9
) -> dict[object, tuple[float, float]]:
    """Figures that differ by more than `tolerance` of the largest figure of the run."""
    scale = max([1.0, *(abs(amount) for amount in first.values())])
    return {
        key: (first.get(key, 0.0), second.get(key, 0.0))
        for key in first.keys() | second.keys()
        if abs(first.get(key, 0.0) - second.get(key, 0.0)) > tolerance * scale
    }


def batch_state(results: Results, kind: Flow, row: int) -> int:
    """State of the batch of one row."""
    flows = results.chain.flows
    flow = int(np.flatnonzero((flows.kind == kind) & (flows.row == row))[0])
    return int(results.chain.states.batch_state[flows.batch[flow]])


def posted_by_row(results: Results) -> dict[tuple[str, int], float]:
    """Everything posted, in the wine or expensed at once, by table and row."""
    found: dict[tuple[str, int], float] = {}
    for postings in (results.charges.postings, results.charges.expensed):
        for table, row, amount in zip(postings.table, postings.row, postings.amount, strict=True):
            key = (TABLE_NAMES[table], int(row))
            found[key] = found.get(key, 0.0) + float(amount)
    return found
