"""Scarce bottles, a shared market, a full cellar."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import linprog

from costing.decisions.plan.ageing import hold_or_release
from costing.decisions.prices.release_dates import (
    StacksOnLees,
    age_in_months,
    candidate_days,
    grid_on_curve,
    worth_by_date,
)
from costing.decisions.prices.scarcity import (
    allocate_bottles,
    queue_for_market,
)
from costing.engine.carrying import RateCurve
from tests.form import every

HURDLE = RateCurve.flat(0.08)
NOW = int(np.datetime64("2025-03-01", "D").astype(int))
DAYS = candidate_days(NOW, 1, 35)


def stacks(bottles, market=np.inf) -> StacksOnLees:
    """Stacks of one cuvée, two years old and more, whose price rises fast and then slowly."""
    count = len(bottles)
    age = np.array([age_in_months(NOW - 730 - 60 * row, DAYS) for row in range(count)])
    return StacksOnLees(
        bottles=np.array(bottles, dtype=float),
        price=30.0 - 18.0 * np.exp(-age / 30.0),
        finishing=np.full(age.shape, 2.5),
        age_months=age,
        storage_per_bottle_year=np.array([0.3]),
        survival_per_year=np.array([0.995]),
        market_per_month=np.array([market]),
        finished_storage_per_bottle_year=np.array([0.3]),
    )


def twins(bottles, market=np.inf) -> StacksOnLees:
    """The same stack several times over."""
    one = stacks([1.0], market)
    return replace(one.rows([0] * len(bottles)), bottles=np.array(bottles, dtype=float))


def test_scarce_bottles_go_where_they_bring_most():
    found = allocate_bottles(1_000, [9.0, 14.0, 11.0, -1.0], [100, 0, 0, 50], [np.inf, 400, 300, np.inf])
    assert found.bottles.tolist() == [250, 400, 300, 50]
    assert found.left == 0
    assert found.worth_of_one_more == 9.0
    assert found.contribution == pytest.approx(9 * 250 + 14 * 400 + 11 * 300 - 50)


def test_bottles_that_no_channel_pays_for_stay():
    found = allocate_bottles(1_000, [5.0, -2.0], 0.0, [300, 500])
    assert found.bottles.tolist() == [300, 0]
    assert found.left == 700
    assert found.worth_of_one_more == 0.0


def test_a_channel_gets_bottles_for_half_a_euro_and_none_for_nothing():
    found = allocate_bottles(1_000, [0.5, 0.0, 3.0], 0.0, [100, np.inf, 200])
    assert found.bottles.tolist() == [100, 0, 200]
    assert (found.left, found.worth_of_one_more) == (700, 0.0)


@pytest.mark.parametrize("seed", every(3, range(8)))
def test_best_first_is_the_linear_programme(seed):
    random = np.random.default_rng(seed)
    contribution = random.normal(6, 5, 7)
    floor = random.integers(0, 60, 7).astype(float)
    cap = floor + random.integers(0, 300, 7)
    found = allocate_bottles(900, contribution, floor, cap)
    best = linprog(-contribution, A_ub=np.ones((1, 7)), b_ub=[900], bounds=list(zip(floor, cap, strict=True)))
    assert found.contribution == pytest.approx(-best.fun, rel=1e-12)


def test_floors_that_take_all_there_is_are_met():
    found = allocate_bottles(120, [1.0, 2.0], [60, 60], np.inf)
    assert found.bottles.tolist() == [60, 60]
    assert found.left == 0


def test_floors_that_can_not_be_met():
    with pytest.raises(ValueError, match="must get 120 bottles and 100"):
        allocate_bottles(100, [1.0, 2.0], [60, 60], np.inf)
    with pytest.raises(ValueError, match="more than it can take"):
        allocate_bottles(100, [1.0, 2.0], [60, 0], [50, 10])


def test_splitting_a_stack_in_two_changes_no_decision_without_a_market_limit():
    whole = hold_or_release(twins([6_000]), DAYS, HURDLE)
    halves = hold_or_release(twins([3_500, 2_500]), DAYS, HURDLE)
    assert halves.best.tolist() == [whole.best[0]] * 2
    assert halves.flip_hurdle == pytest.approx(np.full(2, whole.flip_hurdle[0]), abs=1e-12)
    assert halves.worth.npv.sum(axis=0) == pytest.approx(whole.worth.npv[0], rel=1e-12)
    assert (queue_for_market(twins([3_500, 2_500]), DAYS, HURDLE, [0, 0]).wait_years == 0).all()


def test_two_halves_sold_one_after_the_other_are_worth_the_whole():
    whole = worth_by_date(twins([6_000], 500), grid_on_curve(DAYS, HURDLE))
    halves = twins([3_000, 3_000], 500)
    sale = worth_by_date(halves, grid_on_curve(DAYS, HURDLE)).sale_years
    wait = np.array([np.zeros(len(DAYS)), sale[0]])
    one_after_the_other = worth_by_date(halves, grid_on_curve(DAYS, HURDLE), wait)
    assert one_after_the_other.npv.sum(axis=0) == pytest.approx(whole.npv[0], rel=1e-12)


def test_a_binding_market_lets_the_second_half_wait_or_move():
    queue = queue_for_market(twins([3_000, 3_000], 500), DAYS, HURDLE, [0, 0])
    alone = hold_or_release(twins([3_000], 500), DAYS, HURDLE)
    assert queue.date[0] == alone.best[0]
    assert (queue.wait_years[0] == 0).all()
    assert queue.wait_years[1, queue.date[0]] == pytest.approx(3_000 * 0.995 ** (grid_years(queue.date[0])) / 6_000)
    assert queue.date[1] > queue.date[0]
    answer = hold_or_release(twins([3_000, 3_000], 500), DAYS, HURDLE, queue.wait_years)
    assert answer.best.tolist() == queue.date.tolist()


def grid_years(date: int) -> float:
    return float(DAYS[date] - DAYS[0]) / 365


def test_stacks_of_other_markets_do_not_wait():
    queue = queue_for_market(twins([3_000, 3_000], 500), DAYS, HURDLE, [0, 1])
    assert (queue.wait_years == 0).all()
    assert queue.date[0] == queue.date[1]


def test_a_gap_before_a_later_sale_is_used():
    """The first served waits for its price; a small old stack sells before it without waiting."""
    both = stacks([6_000, 300], 500)
    price = both.price.copy()
    price[1] = 25.0
    both = replace(both, price=price)
    queue = queue_for_market(both, DAYS, HURDLE, [0, 0])
    assert queue.date[0] > 2
    assert queue.date[1] == 0
    assert queue.wait_years[1, 0] == 0


def test_a_sale_that_ends_on_the_day_on_which_the_next_begins_waits_for_nothing():
    """Each takes a year of the market; the first served has a price in a year alone."""
    both = StacksOnLees(
        bottles=np.array([6_000.0, 6_000.0]),
        price=np.array([[np.nan, 20.0, np.nan], [20.0, 19.0, 18.0]]),
        finishing=np.zeros((2, 3)),
        age_months=np.full((2, 3), 36.0),
        market_per_month=np.array([500.0]),
    )
    queue = queue_for_market(both, NOW + 365 * np.arange(3), HURDLE, [0, 0])
    assert queue.date.tolist() == [1, 0]
    assert queue.wait_years[1].tolist() == [0.0, 1.0, 0.0]


def test_a_stack_of_which_nothing_survives_a_year_or_more_than_there_was_is_refused():
    for share in (0.0, 1.01):
        with pytest.raises(ValueError, match="above 0, at most 1"):
            replace(twins([1_000]), survival_per_year=np.array([share]))
    assert replace(twins([1_000]), survival_per_year=np.array([1.0])).survival_per_year.tolist() == [[1.0]]


def test_no_date_leaves_the_market_free():
    both = twins([3_000, 3_000], 500)
    price = both.price.copy()
    price[0] = np.nan
    queue = queue_for_market(replace(both, price=price), DAYS, HURDLE, [0, 0])
    assert queue.date[0] == -1
    assert (queue.wait_years[1] == 0).all()


def test_the_first_in_the_queue_takes_no_date_on_which_it_has_no_price():
    both = twins([3_000, 3_000], 500)
    price = both.price.copy()
    price[0, :3] = np.nan
    price[0, 3:] = np.linspace(30.0, 10.0, len(DAYS) - 3)  # falls: the first date with a price is the best
    assert queue_for_market(replace(both, price=price), DAYS, HURDLE, [0, 0]).date[0] == 3


CYCLE_DAYS = candidate_days(NOW, 1, 120)
CYCLE_YEARS = (CYCLE_DAYS - NOW) / 365
CYCLE_COST = 11.0
