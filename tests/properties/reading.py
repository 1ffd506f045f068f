"""Runs of random estates, and what they found by lot, exit and origin, in plain dictionaries.

What it does not do: compute; every figure is read from `Results`.
"""

from __future__ import annotations

import numpy as np

from costing.engine.shares import LOST, SENT
from costing.graph.arrays import STAGES, Flow
from costing.graph.states import Chain
from costing.inputs.basis import BOOK, ECONOMIC, Basis
from costing.inputs.estate import Estate
from costing.inputs.load import read_inputs
from costing.model import run, trace
from costing.money.postings import TABLE_NAMES
from costing.results.results import Results
from tests.properties.estates import Tables

Figures = dict[tuple[str, str, str], float]
BASES = (BOOK, ECONOMIC)


def run_both(tables: Tables) -> tuple[Results, Results]:
    """Book and economic results of the same chain."""
    estate = read_inputs(tables)
    chain = trace(estate)
    return run(estate, BOOK, chain), run(estate, ECONOMIC, chain)


_LATEST: list[tuple[Tables, Estate, Chain]] = []


def run_one(tables: Tables, basis: Basis = BOOK) -> Results:
    """Results on one basis. Tables that were the last to be run are not read again for another basis."""
    if not _LATEST or _LATEST[0][0] is not tables:
        estate = read_inputs(tables)
        _LATEST[:] = [(tables, estate, trace(estate))]
    _, estate, chain = _LATEST[0]
    return run(estate, basis, chain)


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


def differences(first: Figures, second: Figures, tolerance: float = 1e-9) -> dict[object, tuple[float, float]]:
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


def amounts_at(results: Results) -> list[tuple[int, tuple[str, int, str, str], float, float]]:
    """Every amount in the wine: its state, its origin, itself, and its worth at the end of its state.

    The dated rows of one time charge are one origin, that of the first of them.
    """
    states, charges, found = results.chain.states, results.charges, []
    postings = charges.postings
    growth = np.ones(len(postings))
    if charges.curve is not None:
        growth = charges.curve.growth(postings.paid, states.end[postings.state])
    for n in range(len(postings)):
        place = (TABLE_NAMES[postings.table[n]], int(postings.row[n]))
        column = (STAGES[postings.stage[n]], str(charges.elements[postings.element[n]]))
        amount = float(postings.amount[n])
        found.append((int(postings.state[n]), (*place, *column), amount, amount * float(growth[n])))
    for part in charges.accrued:
        if not part.expensed:
            place = (TABLE_NAMES[part.charge.table], int(part.charge.rows.min()))
            element = str(charges.elements[part.charge.element])
            for state, amount, worth in zip(part.states, part.amount, part.worth, strict=True):
                column = (STAGES[states.stage[state]], element)
                found.append((int(state), (*place, *column), float(amount), float(worth)))
    return found


def origins_of(results: Results, state: int) -> dict[tuple[str, int, str, str], tuple[float, float]]:
    """Own amount and amount with capital of everything in a state, by the engine's backward solve."""
    end = np.zeros(len(results.total))
    end[state] = 1.0
    plain, grown = results.solution.plain.backward(end), _grown(results, end)
    found: dict[tuple[str, int, str, str], tuple[float, float]] = {}
    for at, origin, amount, worth in amounts_at(results):
        if plain[at]:
            own, with_capital = found.get(origin, (0.0, 0.0))
            found[origin] = (own + plain[at] * amount, with_capital + grown[at] * worth)
    return found


def _grown(results: Results, end: np.ndarray) -> np.ndarray:
    """What a unit of worth at the end of each state is in the marked one; capital accrues everywhere."""
    weights = results.solution.plain.backward(end)
    if results.charges.curve is None:
        return weights
    states, marked = results.chain.states, int(np.flatnonzero(end)[0])
    return weights * results.charges.curve.growth(states.end, np.full(len(end), states.end[marked]))
