"""How markets answer to their price: against the textbooks' formulas and the curve of the plan itself."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from costing import House, InputError, read_estate
from costing.decisions.plan.facts import price_steps
from costing.decisions.prices.price_response import (
    RISE,
    SPREAD,
    _answered,
    gain_of_rise,
    revenue_at_margin,
)
from costing.decisions.prices.prices import prices
from costing.decisions.prices.terms_in_force import market_of
from costing.inputs.plan_checks import HARDLY_ELASTIC
from tests.decisions.one_bottling import one_bottling


@pytest.fixture(scope="module")
def table(demo_runs) -> pd.DataFrame:
    return prices(demo_runs)["price_response"].set_index(["cuvee", "format"])


def test_revenue_at_the_margin_is_the_slope_of_revenue() -> None:
    """Of p(q)·q on the line of the plan, at the volume in force."""

    def revenue(q: float) -> float:
        return q * 20.0 * (1.0 - (q / 1_000.0 - 1.0) / 2.5)

    slope = (revenue(1_000.5) - revenue(999.5)) / 1.0
    assert revenue_at_margin(20.0, -2.5) == pytest.approx(slope, rel=1e-9)


def test_the_plan_gives_up_as_much_on_the_same_line() -> None:
    """Concessions on the steps of the plan, up to the volume in force, make the area under the same line."""
    width, slope = price_steps(np.array([[1_000.0]]), np.array([-2.5]))
    given_up = 20.0 * (width * slope)[0, 0]
    sold = np.cumsum(width[0, 0])
    for step in (3, 7):  # at the volume in force, and at the last bottle that brings anything
        price = 20.0 * (1.0 - (sold[step] / 1_000.0 - 1.0) / 2.5)
        assert given_up[: step + 1].sum() == pytest.approx((20.0 - price) * sold[step], abs=1e-9)


def test_a_rise_gains_nothing_at_the_loss_that_it_bears(table) -> None:
    """Rise of the margin over the new margin: the break-even sales change (Nagle, from memory)."""
    for row in table.itertuples():
        margin, rise = row.receipt_per_bottle - row.saved_per_bottle, RISE * row.receipt_per_bottle
        assert row.volume_bearable_loss == pytest.approx(rise / (margin + rise), rel=1e-12)
        even = gain_of_rise(row.receipt_per_bottle, row.saved_per_bottle, row.bottles_a_year, row.response_that_flips)
        assert even == pytest.approx(0.0, abs=1e-6 * row.bottles_a_year)


def test_three_elasticities_in_order(table) -> None:
    gains = table[["gain_of_rise_weaker", "gain_of_rise_given", "gain_of_rise_stronger"]].to_numpy()
    brings = table[["more_brings_weaker", "more_brings_given", "more_brings_stronger"]].to_numpy()
    assert (np.diff(gains, axis=1) < 0).all()
    assert (np.diff(brings, axis=1) > 0).all()
    assert (table["rise_pays"] == "pays").equals(pd.Series((gains > 0).all(axis=1), table.index))
    assert (table["rise_pays"] == "does not pay").equals(pd.Series((gains <= 0).all(axis=1), table.index))
    brut = table.loc[("Brut", "bottle")]
    assert brut["price_response"] == -3.0
    assert brut["bottles_a_year"] == 12 * 3_200
    assert brut["more_brings_given"] == pytest.approx(brut["receipt_per_bottle"] * 2 / 3)
    assert SPREAD[0] * SPREAD[2] == pytest.approx(1.0)


def test_the_price_of_highest_gain_has_the_highest_gain(table) -> None:
    row = table.loc[("Terrasses", "bottle")]
    start = row["receipt_per_bottle"]
    at = [row["receipt_best"] / start - 1.0 + step for step in (-0.001, 0.0, 0.001)]
    gains = [
        gain_of_rise(start, row["saved_per_bottle"], row["bottles_a_year"], row["price_response"], rise) for rise in at
    ]
    assert max(gains) == gains[1]


@pytest.mark.slow
def test_an_elasticity_tried_stands_for_all_and_none_given_means_no_table(small_runs) -> None:
    tried = prices(small_runs, elasticity=-1.2)["price_response"]
    assert (tried["price_response"] == -1.2).all()
    silent = House(small_runs.estate).replace(price_by_age=lambda rows: rows.assign(price_response=np.nan))
    assert "price_response" not in silent.prices().tables


def test_a_bottle_that_leaves_nothing_and_a_market_that_takes_nothing() -> None:
    nothing_left = _answered("Brut", "bottle", -2.0, 10.0, 10.0, 1_200.0)
    assert np.isnan(nothing_left["volume_bearable_loss"])
    assert nothing_left["rise_pays"] == ""
    nothing_sold = _answered("Brut", "bottle", -2.0, 10.0, 5.0, 0.0)
    assert nothing_sold["gain_of_rise_given"] == 0.0
    assert nothing_sold["rise_pays"] == "does not pay"
    little_gained = _answered("Brut", "bottle", -2.0, 10.0, 8.0, 1.0)
    assert 0.0 < little_gained["gain_of_rise_stronger"] < 1.0
    assert little_gained["rise_pays"] == "pays"
    assert little_gained["volume_bearable_loss"] == pytest.approx(0.5 / 2.5)


@pytest.mark.parametrize(("response", "counted"), [(HARDLY_ELASTIC, HARDLY_ELASTIC), (-1.0, np.nan)])
def test_a_response_that_just_has_a_best_price_counts(response: float, counted: float) -> None:
    ages = {"Cuvée": "Brut", "Months on lees": [24], "Ex-cellar price": [20], "Money of": "2025-03-01"}
    market = {"Market takes a month (bottles)": [100], "Price response": [response]}
    estate = read_estate({**one_bottling(), "price_by_age": pd.DataFrame({**ages, **market})})
    assert market_of(estate, "Brut", "bottle") == pytest.approx((100.0, counted), nan_ok=True)


@pytest.mark.parametrize("elasticity", [-1.0, 0.5, 0.0])
def test_an_elasticity_of_one_or_less_is_refused(demo_runs, elasticity: float) -> None:
    with pytest.raises(InputError) as refused:
        prices(demo_runs, elasticity)
    assert refused.value.findings[0].place == "elasticity"


def test_what_gains_most_is_named(demo_runs) -> None:
    found = prices(demo_runs)
    rises = found["price_response"]
    most = rises.loc[rises["gain_of_rise_given"].idxmax()]
    (said,) = found.says_on["Price changes"]
    assert f"gains most on {most['cuvee']} {most['format']}, " in said
