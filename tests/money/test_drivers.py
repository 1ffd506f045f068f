"""Rates by driver: the pairs that the schema allows are those that the cellar's events can meet."""

from __future__ import annotations

import numpy as np
import pytest

from costing import BOOK
from costing.graph.arrays import OPERATIONS
from costing.inputs.schema import lists, operations
from costing.model import run, trace
from costing.money.events import events_of
from costing.money.postings import FLOW_DRIVERS, TABLE_NAMES


def test_every_driver_that_an_operation_moves_is_in_the_schema(demo_estate) -> None:
    events = events_of(demo_estate, trace(demo_estate))
    for number, name in enumerate(OPERATIONS):
        of_it = events.operation == number
        moved = {driver for k, driver in enumerate(FLOW_DRIVERS) if (events.driver[k, of_it] > 0).any()}
        assert moved <= set(operations()[name].drivers), name


def test_every_operation_names_drivers_of_the_list() -> None:
    for entry in operations().values():
        assert entry.drivers
        assert set(entry.drivers) <= set(lists()["driver"])


def test_dispatch_by_bottle_out_charges_every_bottle_dispatched(demo_estate) -> None:
    results = run(demo_estate, BOOK)
    rates = demo_estate["operation_rates"]
    of_dispatch = np.flatnonzero((rates["operation"] == "dispatch").to_numpy())
    postings = results.charges.postings
    mine = (postings.table == TABLE_NAMES.index("operation_rates")) & np.isin(postings.row, of_dispatch)
    flow = postings.flow[mine]
    assert results.chain.flows.out[flow].sum() == pytest.approx(demo_estate["dispatches"]["bottles"].sum())
    gone = np.isin(postings.state[mine], results.shares.exit_source)
    assert gone.all()  # nothing of it stays in stock
    assert set(postings.row[mine].tolist()) == set(of_dispatch.tolist())
