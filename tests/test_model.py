"""The map of the whole: results by basis, each under its own name."""

from __future__ import annotations

import numpy as np

from costing import ECONOMIC, Results, model, read_estate
from tests.money.test_entries import pressed


def test_the_usual_bases_keep_their_names_whoever_asks_first() -> None:
    """The last step of a bridge from book to economic gave the economic basis the name of the step."""
    runs = model.Runs(read_estate(pressed(("2025-09-10", "2025-09-12"))))
    step = runs.on(ECONOMIC.replace(name="book"))
    assert step is runs.economic
    assert runs.economic.basis == ECONOMIC
    assert runs.book.basis.name == "book"


def test_a_state_is_named_by_its_lot_its_press_load_or_the_row_of_its_batch(demo_runs) -> None:
    results = demo_runs.economic
    states, flows = results.chain.states, results.chain.flows
    named = {kind: int(np.flatnonzero(which)[0]) for kind, which in _kinds_of_state(results).items()}
    days = {kind: str(np.datetime64(int(states.start[state]), "D")) for kind, state in named.items()}
    lot = results.chain.lots.names[states.lot[named["lot"]]]
    load = flows.load_names[states.batch[named["load"]]]
    row = flows.row[states.flow[named["batch"]]]
    assert {kind: results.state_name(state) for kind, state in named.items()} == {
        "lot": f"{lot} on {days['lot']}",
        "load": f"press load {load} on {days['load']}",
        "batch": f"batch opened on {days['batch']} by row {row}",
    }


def _kinds_of_state(results: Results) -> dict[str, np.ndarray]:
    states, loads = results.chain.states, len(results.chain.flows.load_names)
    in_lot = states.lot >= 0
    return {"lot": in_lot, "load": ~in_lot & (states.batch < loads), "batch": ~in_lot & (states.batch >= loads)}
