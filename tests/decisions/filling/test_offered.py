"""What an offer is and what it changes in the plan, by hand; `test_offers` judges offers on the demo, which is slow."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from costing import read_estate
from costing.decisions.filling.offered import Offer, from_grapes, litres_of, offers_of, with_offer
from costing.graph.arrays import BLANK_DAY
from tests.decisions.plan.test_planning import facts_of, with_wine

DAY = pd.Timestamp("2026-03-10")
DAYS = 20_522  # from 1970-01-01 to it
PARTS = pd.DataFrame(
    {
        "offer": ["A", "B", "A"],
        "deal": ["buy", "sell", "buy"],
        "what": ["wine", "on lees", "wine"],
        "on_date": [DAY, DAY + pd.Timedelta(days=1), DAY],
        "tirage_date": [pd.NaT, DAY, pd.NaT],
        "lot": [None, "T24", None],
        "cuvee": ["Brut", None, "Brut"],
        "format": [None, "magnum", None],
        "quantity": [300.0, 50.0, 100.0],
        "unit": ["L", "bottles", "L"],
        "price_per_unit": [10.0, 14.0, 12.0],
        "other_cost_per_unit": [np.nan, np.nan, 0.4],
        "fraction": ["first", None, "second"],
    }
)


def offers() -> list[Offer]:
    estate: Any = {"offers": PARTS}
    return offers_of(estate)


def test_parts_of_an_offer_are_one_at_their_mean_price() -> None:
    """By hand: (300 × 10 + 100 × 12) / 400 = 10.50; 100 × 0.40 / 400 = 0.10; a quarter is second pressing."""
    wine, bottles = offers()
    assert (wine.name, wine.row, wine.buys, wine.what, wine.unit) == ("A", 0, True, "wine", "L")
    assert (wine.day, wine.lot, wine.cuvee, wine.size, wine.tirage_day) == (DAYS, "", "Brut", "bottle", BLANK_DAY)
    assert (wine.quantity, wine.price, wine.other, wine.second) == (400.0, 10.5, pytest.approx(0.1), 0.25)
    assert (bottles.name, bottles.row, bottles.buys, bottles.day) == ("B", 1, False, DAYS + 1)
    assert (bottles.lot, bottles.size, bottles.tirage_day) == ("T24", "magnum", DAYS)
    assert (bottles.quantity, bottles.price, bottles.other, bottles.second) == (50.0, 14.0, 0.0, 0.0)


def test_grapes_give_wine_by_the_last_harvest_and_cost_their_way() -> None:
    """By hand: 2025 gives 2,700 + 300 L of 5,000 kg (two loads), 2024 nothing of it; 2 % and 5 % are lost on the way.

    A kilogram costs 0.05 to receive, 100 a load twice over 5,000 kg to press (0.04), and 0.10 a litre of 0.6 to settle.
    """
    estate = read_estate(
        {
            "Deliveries": pd.DataFrame(
                {
                    "Date": ["2024-09-01", "2025-09-01", "2025-09-02"],
                    "Lot": ["G24", "G1", "G2"],
                    "Variety": "Chardonnay",
                    **{"Quantity": [4_000.0, 3_000.0, 2_000.0], "Unit": "kg", "Price per unit": 5.0},
                }
            ),
            "Pressings": pd.DataFrame(
                {
                    "Date": ["2024-09-01", "2025-09-01", "2025-09-01", "2025-09-02"],
                    "Load": ["P0", "P1", "P1", "P2"],
                    "From lot": ["G24", "G1", None, "G2"],
                    "Grapes (kg)": [4_000.0, 3_000.0, None, 2_000.0],
                    "Fraction": ["first", "first", "second", "first"],
                    "Must (L)": [2_500.0, 1_600.0, 300.0, 1_100.0],
                    "To lot": ["M0", "M1", "M1", "M2"],
                }
            ),
            "Loss norms": pd.DataFrame(
                {"Operation or stage": ["settling", "racking"], "Norm (%)": [2.0, 5.0], "Time base": "per movement"}
            ),
            "Operation rates": pd.DataFrame(
                {
                    "From": "2020-01-01",
                    "Operation": ["reception", "pressing", "settling"],
                    "Driver": ["kg", "load", "litre"],
                    "Amount": [0.05, 100.0, 0.1],
                    "Element": "labour",
                }
            ),
        }
    )
    day = int(np.datetime64("2026-09-10").astype(int))
    found = from_grapes(estate, day, int(np.datetime64("2025-12-31").astype(int)))
    assert found.first_l == pytest.approx(2_700.0 / 5_000.0 * 0.98 * 0.95)
    assert found.second_l == pytest.approx(300.0 / 5_000.0 * 0.98 * 0.95)
    assert found.work == pytest.approx(0.05 + 0.04 + 0.06)
    before = from_grapes(estate, day, int(np.datetime64("2024-12-31").astype(int)))
    assert (before.first_l, before.second_l) == (pytest.approx(0.625 * 0.98 * 0.95), 0.0)
    none = from_grapes(estate, day, 0)
    assert (none.first_l, none.second_l, none.work) == (0.0, 0.0, 0.0)
    runs: Any = SimpleNamespace(estate=estate, today=int(np.datetime64("2025-12-31").astype(int)))
    grapes = replace(offers()[0], what="grapes", day=day, quantity=1_000.0)
    assert litres_of(runs, grapes) == pytest.approx(1_000.0 * np.array([found.first_l, found.second_l]))


@pytest.mark.parametrize("kilograms", [0.0, 0.5])
def test_a_load_pressed_today_tells_what_grapes_give_and_one_without_weight_nothing(kilograms: float) -> None:
    """Half a kilogram gave 0.3 L: 0.6 L a kilogram, known from the day of the press on."""
    loads = pd.DataFrame({"on_date": [DAY], "load": ["P1"], "weight_kg": [kilograms], "fraction": ["first"]})
    grapes = pd.DataFrame({"Date": ["2026-01-01"], "Lot": ["G1"], "Quantity": [1.0], "Unit": ["kg"]})
    estate = read_estate({"Deliveries": grapes})
    pressed = replace(estate, tables={**estate.tables, "pressings": loads.assign(volume_l=0.6 * kilograms)})
    today, before = (from_grapes(pressed, DAYS, day) for day in (DAYS, DAYS - 1))
    assert today.first_l == pytest.approx(0.6 if kilograms else 0.0)
    assert (before.first_l, before.second_l, before.work) == (0.0, 0.0, 0.0)


def test_an_offer_moves_litres_or_bottles_of_the_plan() -> None:
    facts = with_wine(facts_of(2, tight=False))
    lots = [f"T{number}" for number in range(len(facts.stacks.bottles))]
    springs: Any = SimpleNamespace(
        days=np.array([DAYS - 30, DAYS + 300]), inputs=SimpleNamespace(lots=pd.DataFrame({"lot": lots}))
    )
    wine, bottles = offers()
    in_bulk, runs = np.array([[150.0, 250.0], [0.0, 90.0]]), Any
    bought = with_offer(runs, springs, facts, wine, in_bulk).wine
    assert bought.comes - facts.wine.comes == pytest.approx(np.array([[0.0, 300.0], [0.0, 100.0]]))
    assert bought.bulk_most.tolist() == [[150.0, 200.0], [0.0, 90.0]]
    early = with_offer(runs, springs, facts, replace(wine, day=DAYS - 30), in_bulk).wine
    assert early.comes - facts.wine.comes == pytest.approx(np.array([[300.0, 0.0], [100.0, 0.0]]))
    assert with_offer(runs, springs, facts, replace(wine, day=DAYS + 301), in_bulk) is facts
    there = facts.stacks.bottles[1]
    for asked, left in ((50.0, there - 50.0), (there + 1.0, 0.0)):
        taken = with_offer(runs, springs, facts, replace(bottles, lot="T1", quantity=asked), in_bulk).stacks
        for before, after in ((facts.stacks.bottles, taken.bottles), (facts.stacks.most, taken.most)):
            assert after[1] == pytest.approx(left)
            assert np.delete(after, 1).tolist() == np.delete(before, 1).tolist()


@pytest.mark.parametrize(("second", "litres"), [(0.1, [400.0, 0.0]), (0.5, [0.0, 400.0]), (0.9, [0.0, 400.0])])
def test_wine_of_ours_is_what_it_mostly_is(second: float, litres: list[float]) -> None:
    runs: Any = SimpleNamespace(
        today=DAYS,
        chain=SimpleNamespace(
            lots=SimpleNamespace(names=pd.Index(["V1", "V2"])),
            state_on=lambda lot, day: (lot, day)[0] + 1,
        ),
        composition=SimpleNamespace(second_pressing=np.array([0.5, 0.5, second])),
    )
    ours = replace(offers()[0], buys=False, lot="V2")
    assert litres_of(runs, ours).tolist() == litres
    assert litres_of(runs, replace(ours, buys=True)).tolist() == [300.0, 100.0]
