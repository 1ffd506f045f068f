"""Rates by driver: the pairs that the schema allows are those that the cellar's events can meet."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from costing import BOOK, read_estate
from costing.graph.arrays import OPERATIONS, STAGES
from costing.graph.states import States
from costing.inputs.schema import lists, operations
from costing.model import run, trace
from costing.money.events import Events, events_of
from costing.money.postings import FLOW_DRIVERS, TABLE_NAMES
from costing.units import FORMATS_L


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


def everything_once() -> dict[str, pd.DataFrame]:
    """One row of each kind of work, from 8,000 kg, 1,000 L and 50 magnums bought."""
    return {
        "cuvees": pd.DataFrame({"Cuvée": ["Brut"]}),
        "channels": pd.DataFrame({"Channel": ["Trade"]}),
        "deliveries": pd.DataFrame(
            {"Date": ["2023-09-10", "2023-09-11", "2023-09-12"], "Lot": ["G", "W", "S"],
             "What": ["grapes", "wine", "on lees"], "Quantity": [8_000, 1_000, 50], "Unit": ["kg", "L", "bottles"],
             "Format": [None, None, "magnum"], "Cuvée": [None, None, "Brut"], "Price per unit": [6.0, 4.0, 20.0]}
        ),
        "pressings": pd.DataFrame(
            {"Date": ["2023-09-13"] * 2, "Load": ["P"] * 2, "From lot": ["G", None], "Grapes (kg)": [8_000, None],
             "Fraction": ["first", "second"], "Must (L)": [4_000, 1_000], "To lot": ["M", "N"]}
        ),
        "movements": pd.DataFrame(
            {"Date": ["2023-09-14", "2023-10-20", "2023-11-01", "2023-11-02", "2023-11-03"],
             "Operation": ["settling", "fermentation", "loss", "bulk sale", "loss"],
             "From lot": ["M", "M", "N", "N", "N"], "Out (L)": [4_000, 3_900, 100, 850, 50],
             "To lot": ["M", "V", None, None, None], "In (L)": [3_900, 3_800, None, None, None]}
        ),
        "tirage": pd.DataFrame(
            {"Date": ["2024-03-01"], "Cuvée": ["Brut"], "Bottle lot": ["T"], "Wine lot": ["V"], "Wine (L)": [750],
             "Format": ["bottle"], "Bottles (bottles)": [1_000]}
        ),
        "disgorgements": pd.DataFrame(
            {"Date": ["2025-03-01", "2025-03-02"], "Release lot": ["D", "E"], "From lot": ["T", "S"],
             "Bottles in (bottles)": [400, 50], "Bottles out (bottles)": [390, 49],
             "Riddling": ["machine riddling", None]}
        ),
        "dispatches": pd.DataFrame(
            {"Date": ["2025-06-01", "2025-07-01"], "Release lot": ["D"] * 2, "Channel": ["Trade"] * 2,
             "Bottles (bottles)": [100, -10]}
        ),
    }  # fmt: skip


def test_a_rate_of_the_harvest_is_charged_on_grapes_alone() -> None:
    """Wine and bottles received stand under stages of their own; a rate that names none is for all."""
    received = {"From": "2020-01-01", "Operation": "reception", "Driver": "litre", "Element": "labour", "Amount": 1.0}
    charged = {}
    for stage in ("harvest", "vinification", None):
        tables = {**everything_once(), "operation_rates": pd.DataFrame([{**received, "Stage": stage}])}
        postings = run(read_estate(tables), BOOK).charges.postings
        charged[stage] = postings.amount[postings.of("operation_rates", "amount")].sum()
    assert charged == {"harvest": 0.0, "vinification": 1_000.0, None: 1_075.0}


def worked(tables: dict[str, pd.DataFrame]) -> tuple[list[tuple[object, ...]], Events, States]:
    """Events of an estate as rows: operation, stage, format, whether a flow of its own, lot, each driver."""
    estate = read_estate(tables)
    chain = trace(estate)
    events, states, formats = events_of(estate, chain), chain.states, [*FORMATS_L, None]
    lots = [*chain.lots.names, None]
    found = [
        (OPERATIONS[operation], STAGES[stage], formats[form], bool(primary), lots[states.lot[state]], *driver)
        for operation, stage, form, primary, state, driver in zip(
            events.operation, events.stage, events.format, events.primary, events.state, events.driver.T, strict=True
        )
    ]
    return found, events, states


def test_the_first_lot_of_all_is_worked_as_any_other() -> None:
    """Magnums are, where deliveries are entered the other way round."""
    tables = everything_once()
    turned = {**tables, "deliveries": tables["deliveries"].iloc[::-1].reset_index(drop=True)}
    assert sorted(worked(turned)[0], key=repr) == sorted(worked(tables)[0], key=repr)


def test_what_each_kind_of_work_takes_of_each_driver_and_where_it_stands() -> None:
    """What comes back is no work; riddling and dressing count no flow a second time; the loss that empties a lot stands
    on what the lot held last.
    """
    found, events, states = worked(everything_once())
    assert found == [
        ("reception", "harvest", None, True, "G", 8_000, 0, 0, 0, 0),
        ("reception", "vinification", None, True, "W", 0, 1_000, 0, 0, 0),
        ("reception", "on lees", "magnum", True, "S", 0, 75, 0, 50, 0),
        ("settling", "vinification", None, True, "M", 0, 4_000, 0, 0, 0),
        ("fermentation", "vinification", None, True, "V", 0, 3_900, 0, 0, 0),
        ("loss", "vinification", None, True, "N", 0, 100, 0, 0, 0),
        ("bulk sale", "vinification", None, True, None, 0, 850, 0, 0, 0),
        ("loss", "vinification", None, True, "N", 0, 50, 0, 0, 0),
        ("bottling", "tirage", "bottle", True, None, 0, 750, 0, 1_000, 0),
        ("disgorgement", "finishing", "bottle", True, None, 0, 300, 400, 390, 0),
        ("disgorgement", "finishing", "magnum", True, None, 0, 75, 50, 49, 0),
        ("dispatch", "finished stock", "bottle", True, None, 0, 75, 100, 100, 0),
        ("machine riddling", "finishing", "bottle", False, None, 0, 300, 400, 390, 0),
        ("dressing", "dressing", "bottle", False, None, 0, 300, 400, 390, 0),
        ("dressing", "dressing", "magnum", False, None, 0, 75, 50, 49, 0),
        ("pressing", "pressing", None, True, None, 8_000, 5_000, 0, 0, 1),
    ]
    second_loss = states.quantity[events.state[7]]
    assert (second_loss, states.quantity[events.state[5]]) == (50.0, 900.0)
    assert [str(np.datetime64(int(day), "D")) for day in events.day[[0, 8, 15]]] == [
        "2023-09-10",
        "2024-03-01",
        "2023-09-13",
    ]
