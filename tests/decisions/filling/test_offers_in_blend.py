"""What wine that is offered does to a blend, by hand: blends of hardly anything, and rules that it just keeps."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from costing import read_estate
from costing.decisions.filling.offers_in_blend import _bounds, _one_origin, in_blend
from costing.model import Runs
from costing.results.composition import OTHER, UNKNOWN
from tests.decisions.filling.test_offers_words import WINE

PARTS = pd.DataFrame({"vintage": ["2025"], "variety": ["Meunier"], "village": [None], "quantity": [100.0]})
OFFER = replace(WINE, parts=PARTS, cuvee="Large", second=0.25)


@pytest.fixture(scope="module")
def runs() -> Runs:
    """Cuvées bottled from nothing, from half a litre and from 400 L of a wine of unknown origin."""
    names, litres = ["None", "Small", "Large"], [0.0, 0.5, 400.0]
    tirage = {"Cuvée": names, "Bottle lot": ["T0", "T1", "T2"], "Wine (L)": litres}
    tirage |= {"Bottles (bottles)": [0.0, 0.5, 530.0]}
    frames = {
        "Settings": pd.DataFrame({"Setting": ["Valuation date", "Date style"], "Value": ["2026-02-16", "year first"]}),
        "Cuvées": pd.DataFrame({"Cuvée": names}),
        "Opening stock": pd.DataFrame(
            {"Date": ["2025-01-01"], "Lot": ["V1"], "Kind": ["wine"], "Quantity": [900.0], "Unit": ["L"]}
        ),
        "Tirage": pd.DataFrame(tirage).assign(**{"Date": "2025-02-01", "Wine lot": "V1"}),
    }
    return Runs(read_estate(frames))


@pytest.mark.parametrize(
    ("cuvee", "litres", "part"),
    [("Small", 100.0, 1.0), ("Large", 100.0, 0.25), ("Large", 0.5, 0.5 / 400.0)],
)
def test_an_offer_takes_as_much_of_a_blend_as_fits_in_it(runs: Runs, cuvee: str, litres: float, part: float) -> None:
    blend = in_blend(runs, replace(OFFER, cuvee=cuvee, quantity=litres))
    assert blend is not None
    assert blend.row["part_of_blend"] == pytest.approx(part)
    assert blend.row["second_pressing_with_it"] == pytest.approx(part * 0.25)
    assert blend.broken == ()


def test_an_offer_joins_no_cuvee_that_no_bottle_is_filled_of(runs: Runs) -> None:
    assert in_blend(runs, replace(OFFER, cuvee="None")) is None


def test_grapes_of_which_no_press_load_tells_the_wine_leave_the_blend_as_it_is(runs: Runs) -> None:
    blend = in_blend(runs, replace(OFFER, what="grapes", unit="kg"))
    assert blend is not None
    assert (blend.row["part_of_blend"], blend.row["second_pressing_with_it"]) == (0.0, 0.0)


@pytest.mark.parametrize(
    ("shares", "broken"),
    [
        ({"Chardonnay": 1.0}, ["brings Meunier into a cuvée of one variety, Chardonnay"]),
        ({"Chardonnay": 0.999, "Pinot Noir": 0.001}, ["brings Meunier into a cuvée of one variety, Chardonnay"]),
        ({"Chardonnay": 0.998, "Pinot Noir": 0.002}, []),
        ({UNKNOWN: 0.95, OTHER: 0.05}, []),
        ({"Meunier": 0.5, UNKNOWN: 0.5}, []),
        ({"Chardonnay": 0.5, UNKNOWN: 0.5}, ["brings Meunier into a cuvée of one variety, Chardonnay"]),
    ],
)
def test_a_cuvee_is_of_one_variety_up_to_a_thousandth_of_what_is_known(
    runs: Runs, shares: Mapping[str, float], broken: list[str]
) -> None:
    before = {"vintage": pd.Series({UNKNOWN: 1.0}), "variety": pd.Series(shares)}
    assert _one_origin(runs, OFFER, before) == broken


@pytest.mark.parametrize(
    ("line", "was", "then", "broken"),
    [
        ("at most", 0.125, 0.25, []),
        ("at most", 0.125, 0.375, ["reserve 37.5%, at most 25.0%"]),
        ("at most", 0.375, 0.375, []),
        ("at most", 0.375, 0.3125, []),
        ("at least", 0.5, 0.25, []),
        ("at least", 0.5, 0.125, ["reserve 12.5%, at least 25.0%"]),
        ("at least", 0.125, 0.125, []),
        ("at least", 0.125, 0.1875, []),
    ],
)
def test_a_bound_is_kept_on_the_bound_itself_and_where_the_blend_is_no_further_from_it(
    line: str, was: float, then: float, broken: list[str]
) -> None:
    bound = pd.DataFrame({"cuvee": ["Large"], "line": [line], "lot": ["reserve"], "share": [0.25]})
    runs: Any = SimpleNamespace(estate={"trial_blends": bound})
    assert _bounds(runs, "Large", {}, {}, {"reserve": was}, {"reserve": then}) == broken
