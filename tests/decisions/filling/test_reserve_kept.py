"""How much to keep against too little: the newsvendor, by hand and against the normal distribution of scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from costing.decisions.filling.reserve_kept import Unit, enough_with, expected_costs
from costing.decisions.filling.springs import springs_of
from tests.form import every


def test_the_newsvendor_of_textbooks() -> None:
    """Demand normal with mean 100 and deviation 30, price 4, cost 1, nothing for what is left: 120.23 (the quantity is
    from memory). The normal quantile is scipy's.
    """
    unit = Unit(cost=1.0, if_needed=4.0, if_left=0.0)
    assert unit.chance_enough == pytest.approx(0.75)
    assert norm.ppf(unit.chance_enough, 100.0, 30.0) == pytest.approx(120.23, abs=0.005)
    needs = norm.ppf((np.arange(100_000) + 0.5) / 100_000, 100.0, 30.0)
    assert enough_with(unit.chance_enough, needs) == pytest.approx(120.23, abs=0.01)


@pytest.mark.parametrize("seed", every(5, range(20)))
def test_what_is_kept_costs_least_of_all_amounts(seed: int) -> None:
    rng = np.random.default_rng(seed)
    needs = rng.gamma(2.0, 400.0, int(rng.integers(1, 12)))
    left = float(rng.uniform(5.0, 10.0))
    cost = left + float(rng.uniform(0.1, 3.0))
    unit = Unit(cost, cost + float(rng.uniform(0.1, 8.0)), left)
    kept = enough_with(unit.chance_enough, needs)
    grid = np.append(np.linspace(0.0, needs.max() * 1.2, 400), kept)
    total = np.add(*expected_costs(grid, needs, unit))
    assert total[-1] == pytest.approx(total.min(), rel=1e-12)


def test_expected_costs_by_hand() -> None:
    """Needs 0, 100 and 300, too much 1 and too little 3 a litre: 100 kept leaves 100/3 over and 200/3 short."""
    over, under = expected_costs([100.0], [0.0, 100.0, 300.0], Unit(10.0, 13.0, 9.0))
    assert over[0] == pytest.approx(100.0 / 3.0)
    assert under[0] == pytest.approx(200.0)


def test_nothing_is_kept_where_keeping_gains_nothing_and_all_where_it_always_does() -> None:
    needs = [10.0, 20.0]
    assert enough_with(Unit(5.0, 4.0, 3.0).chance_enough, needs) == 0.0
    assert enough_with(Unit(5.0, 5.0, 5.0).chance_enough, needs) == 0.0
    assert enough_with(Unit(5.0, 9.0, 6.0).chance_enough, needs) == 20.0
    assert enough_with(0.9, []) == 0.0


def test_what_one_litre_more_costs_and_brings_is_said_by_hand() -> None:
    """Kept for 5.00, worth 9.00 where needed and 3.50 where left: 4.00 is lost by too little, 1.50 by too much."""
    said = "Beyond that a litre too little costs 4.00, one too much 1.50 EUR."
    assert Unit(5.0, 9.0, 3.5).of_one_more("EUR") == said
    said = "Keeping a litre more costs 5.00 EUR and brings 5.00 after a bad harvest: no more is kept."
    assert Unit(5.0, 5.0, 3.5).of_one_more("EUR") == said


def test_reserve_bears_its_storage_until_the_last_spring_that_is_looked_at(demo_runs) -> None:
    storage = springs_of(demo_runs).wine.storage
    rates = storage[1:-1] / storage[:-2]
    assert rates == pytest.approx(np.full(len(rates), rates[0]), rel=2e-3)  # escalated alike, and none left out
    assert storage[-1] == 0.0
