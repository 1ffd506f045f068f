"""Many draws moved side by side answer as each by itself; what no draw reaches stays one number."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from costing import InputError, read_estate
from costing.decisions.changes.replay import Wanted, _over, later_rows_follow, recorded, replay
from costing.graph.arrays import Flow
from costing.graph.places import place_of
from costing.graph.sequence import order_flows
from costing.model import trace


def test_many_draws_side_by_side_answer_as_each_by_itself(demo_estate) -> None:
    estate = demo_estate
    chain = trace(estate)
    flows = chain.flows
    known = recorded(estate, chain)
    order, _ = order_flows(flows, len(chain.lots.names), place_of(estate, flows, chain.lots))
    pressed = np.where(flows.kind == Flow.PRESS_OUT, flows.into, 0.0)
    bottled = np.where(flows.kind == Flow.TIRAGE, flows.out, 0.0)
    offsets = np.array([0.0, -0.02, 0.01, -0.15]), np.array([0.0, 0.0, 0.03, -0.1])
    together = replay(
        known,
        flows,
        Wanted(flows.out, [(bottled, offsets[1])]),
        Wanted(flows.into, [(pressed, offsets[0])]),
        order,
        draws=4,
    )
    alone = [
        replay(known, flows, Wanted(flows.out + bottled * two), Wanted(flows.into + pressed * one), order)
        for one, two in zip(*offsets, strict=True)
    ]
    assert together.short.tolist() == [int(one.short[0]) for one in alone]
    assert together.short[0] == 0
    assert together.short[3] > together.short[1] > 0
    np.testing.assert_allclose(alone[0].factor, 1.0, rtol=1e-9)  # a vat that a row empties within its tolerance too
    assert alone[1].factor.min() < 0.99


@pytest.mark.parametrize("litres", [1_000.0, 0.8])
def test_what_was_measured_and_moved_on_follows_what_came_however_little(litres: float) -> None:
    tables = {
        "settings": pd.DataFrame({"Setting": ["Volume tolerance (L)"], "Value": ["0.001"]}),
        "deliveries": pd.DataFrame(
            {"Date": ["2024-01-01"], "Lot": ["V"], "What": ["wine"], "Quantity": [litres], "Unit": ["L"]}
        ),
        "stocktakes": pd.DataFrame({"Date": ["2024-02-01"], "Lot": ["V"], "Measured": [0.9 * litres]}),
        "movements": pd.DataFrame(
            {"Date": ["2024-03-01"], "Operation": ["racking"], "From lot": ["V"], "Out (L)": [0.5 * litres],
             "To lot": ["W"], "In (L)": [0.4 * litres]}
        ),
    }  # fmt: skip
    before, doubled = (
        read_estate({**tables, "deliveries": tables["deliveries"].assign(Quantity=times * litres)}) for times in (1, 2)
    )
    after, short = later_rows_follow(before, trace(before), doubled)
    assert short == 0
    assert after["stocktakes"]["quantity"].tolist() == pytest.approx([1.8 * litres])
    assert after["movements"][["out_l", "in_l"]].to_numpy().tolist() == [pytest.approx([1.0 * litres, 0.8 * litres])]


def test_a_vat_that_was_empty_when_gauged_and_one_emptied_to_its_tolerance_follow_from_what_comes_later() -> None:
    """V is racked away to its last litre, which counts as nothing, W whole; both are filled anew. Twice as much in U
    moves U alone.
    """
    wine = {"What": "wine", "Unit": "L"}
    moved = {"Operation": "racking", "To lot": "X"}
    tables = {
        "settings": pd.DataFrame({"Setting": ["Volume tolerance (L)"], "Value": ["1"]}),
        "deliveries": pd.DataFrame(
            [
                {**wine, "Date": "2024-01-01", "Lot": "U", "Quantity": 10},
                *({**wine, "Date": "2024-01-01", "Lot": lot, "Quantity": 100} for lot in "VW"),
                *({**wine, "Date": "2024-03-01", "Lot": lot, "Quantity": 50} for lot in "VW"),
            ]
        ),
        "stocktakes": pd.DataFrame({"Date": ["2024-02-15"], "Lot": "W", "Measured": 0.0}),
        "movements": pd.DataFrame(
            [
                {**moved, "Date": date, "From lot": lot, "Out (L)": litres, "In (L)": litres}
                for date, lot, litres in (
                    ("2024-02-01", "V", 99.0), ("2024-02-01", "W", 100.0),
                    ("2024-04-01", "V", 40.0), ("2024-04-01", "W", 40.0), ("2024-04-01", "U", 4.0),
                )
            ]
        ),
    }  # fmt: skip
    before = read_estate(tables)
    delivered = before["deliveries"]
    more = replace(before, tables={**before.tables, "deliveries": delivered.assign(
        quantity=delivered["quantity"].where(delivered["lot"] != "U", 20.0))})  # fmt: skip
    after, short = later_rows_follow(before, trace(before), more)
    assert short == 0
    assert after["stocktakes"]["quantity"].tolist() == [0.0]
    assert after["movements"]["in_l"].tolist() == pytest.approx([99.0, 100.0, 40.0, 40.0, 8.0])
    assert after["movements"]["in_l"].tolist()[:4] == [99.0, 100.0, 40.0, 40.0]


@pytest.mark.filterwarnings("error")
def test_what_is_drawn_of_nothing_is_no_part_and_of_less_than_one_is() -> None:
    assert [_over(0.4, wanted, 7.0) for wanted in (0.0, 0.5)] == [7.0, 0.8]
    assert _over(np.array([0.4, 0.4]), np.array([0.0, 0.5]), 7.0).tolist() == [7.0, 0.8]


def test_rows_that_a_change_of_their_sequence_leaves_without_an_order_are_said() -> None:
    """Wine goes over into another vat and part of it back on one day."""
    tables = {
        "deliveries": pd.DataFrame(
            {"Date": ["2024-01-01"], "Lot": ["V"], "What": ["wine"], "Quantity": [100], "Unit": ["L"]}
        ),
        "movements": pd.DataFrame(
            {"Date": "2024-03-01", "Operation": "racking", "From lot": ["V", "W"], "Out (L)": [50, 20],
             "To lot": ["W", "V"], "In (L)": [50, 20], "Sequence": [1, 2]}
        ),
    }  # fmt: skip
    before = read_estate(tables)
    moved = before["movements"]
    chain, together = trace(before), moved.assign(sequence=1, out_l=moved["out_l"] * 0.9)
    with pytest.raises(InputError, match=r"circle on one day.*Movements!2, Movements!3\."):
        later_rows_follow(before, chain, replace(before, tables={**before.tables, "movements": together}))


def test_a_rest_drawn_from_a_vat_that_counts_as_empty_stays_as_it_was() -> None:
    """More than was in it by 0.3 L, within the tolerance of 0.5 L, whatever came."""
    tables = {
        "deliveries": pd.DataFrame(
            {"Date": ["2024-01-01"], "Lot": ["V"], "What": ["wine"], "Quantity": [100.0], "Unit": ["L"]}
        ),
        "movements": pd.DataFrame(
            {"Date": ["2024-03-01", "2024-04-01"], "Operation": "racking", "From lot": "V", "Out (L)": [100, 0.3],
             "To lot": "W", "In (L)": [100, 0.3]}
        ),
    }  # fmt: skip
    before, doubled = (
        read_estate({**tables, "deliveries": tables["deliveries"].assign(Quantity=litres)}) for litres in (100, 200)
    )
    after, short = later_rows_follow(before, trace(before), doubled)
    assert short == 0
    assert after["movements"]["out_l"].tolist() == pytest.approx([200.0, 0.3])
