"""Scarce bottles, a shared market, a full cellar."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import linprog

from costing.decisions.ageing import hold_or_release
from costing.decisions.release_dates import (
    Stacks,
    age_in_months,
    candidate_days,
    grid_on_curve,
    worth_by_date,
)
from costing.decisions.scarcity import (
    allocate_bottles,
    npv_in_full_cellar,
    queue_for_market,
    rotation_value,
    split_release,
)
from costing.engine.carrying import RateCurve

HURDLE = RateCurve.flat(0.08)
NOW = int(np.datetime64("2025-03-01", "D").astype(int))
DAYS = candidate_days(NOW, 1, 35)


def stacks(bottles, market=np.inf) -> Stacks:
    """Stacks of one cuvée, two years old and more, whose price rises fast and then slowly."""
    count = len(bottles)
    age = np.array([age_in_months(NOW - 730 - 60 * row, DAYS) for row in range(count)])
    return Stacks(
        bottles=np.array(bottles, dtype=float),
        price=30.0 - 18.0 * np.exp(-age / 30.0),
        finishing=np.full(age.shape, 2.5),
        age_months=age,
        storage_per_bottle_year=np.array([0.3]),
        survival_per_year=np.array([0.995]),
        market_per_month=np.array([market]),
        finished_storage_per_bottle_year=np.array([0.3]),
    )


def twins(bottles, market=np.inf) -> Stacks:
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


@pytest.mark.parametrize("seed", range(8))
def test_best_first_is_the_linear_programme(seed):
    random = np.random.default_rng(seed)
    contribution = random.normal(6, 5, 7)
    floor = random.integers(0, 60, 7).astype(float)
    cap = floor + random.integers(0, 300, 7)
    found = allocate_bottles(900, contribution, floor, cap)
    best = linprog(-contribution, A_ub=np.ones((1, 7)), b_ub=[900], bounds=list(zip(floor, cap, strict=True)))
    assert found.contribution == pytest.approx(-best.fun, rel=1e-12)


def test_floors_that_can_not_be_met():
    with pytest.raises(ValueError, match="must get 120 bottles and 100"):
        allocate_bottles(100, [1.0, 2.0], [60, 60])
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


def test_no_date_leaves_the_market_free():
    both = twins([3_000, 3_000], 500)
    price = both.price.copy()
    price[0] = np.nan
    queue = queue_for_market(replace(both, price=price), DAYS, HURDLE, [0, 0])
    assert queue.date[0] == -1
    assert (queue.wait_years[1] == 0).all()


def test_a_split_without_a_limit_is_the_best_date():
    whole = hold_or_release(twins([6_000]), DAYS, HURDLE)
    split = split_release(twins([6_000]), DAYS, HURDLE, np.inf)
    assert split.drawn[0].argmax() == whole.best[0]
    assert split.drawn[0].max() == pytest.approx(6_000)
    assert split.npv == pytest.approx(whole.worth.npv[0, whole.best[0]], rel=1e-9)


def test_a_split_fills_the_best_dates_first_and_keeps_to_the_market():
    split = split_release(twins([6_000]), DAYS, HURDLE, 500)
    assert (split.released.sum(axis=0) <= 500 * (1 + 1e-9)).all()
    assert split.drawn.sum() + split.left.sum() == pytest.approx(6_000)
    full = split.released[0] > 499.99
    assert full.sum() >= 11
    dates = np.flatnonzero(split.released[0] > 1e-6)
    assert (np.diff(dates) == 1).all()  # one run of months around the best one
    single = hold_or_release(twins([6_000], 500), DAYS, HURDLE)
    assert split.npv > single.worth.npv[0, single.best[0]]


def test_worth_of_market_and_bottle_are_the_change_of_the_optimum():
    base = split_release(stacks([4_000, 3_000]), DAYS, HURDLE, 450)
    more = split_release(stacks([4_001, 3_000]), DAYS, HURDLE, 450)
    assert more.npv - base.npv == pytest.approx(base.worth_of_bottle[0], rel=2e-3)
    date = int(base.worth_of_market.argmax())
    wider = np.full(len(DAYS), 450.0)
    wider[date] += 1.0
    # One bottle a month more for the month of that date.
    gained = split_release(stacks([4_000, 3_000]), DAYS, HURDLE, wider).npv - base.npv
    assert gained == pytest.approx(base.worth_of_market[date], rel=0.05)


def test_a_market_that_takes_nothing_leaves_everything():
    split = split_release(twins([6_000]), DAYS, HURDLE, 0.0)
    assert split.left.tolist() == [6_000]
    assert split.npv == 0
    with pytest.raises(ValueError, match="two candidate dates"):
        split_release(twins([1.0]), DAYS[:1], HURDLE, 10)


CYCLE_DAYS = candidate_days(NOW, 1, 120)
CYCLE_YEARS = (CYCLE_DAYS - NOW) / 365
CYCLE_COST = 11.0


def cycle() -> np.ndarray:
    """Net present value at tirage of one bottle by month of release, less its cost; sold from 15 months."""
    age = age_in_months(NOW, CYCLE_DAYS)
    price = np.where(age >= 15, 40.0 - 30.0 * np.exp(-age / 50.0), np.nan)
    bottle = Stacks(np.ones(1), price, np.full(price.shape, 2.5), age, np.array([0.3]))
    return worth_by_date(bottle, grid_on_curve(CYCLE_DAYS, HURDLE)).npv[0] - CYCLE_COST


def test_a_full_cellar_releases_earlier():
    value = rotation_value(cycle(), CYCLE_YEARS, 0.08)
    single, repeated = int(np.nanargmax(cycle())), int(np.nanargmax(value))
    assert np.isnan(value[0])
    assert 15 < repeated < single < 120
    once = cycle()
    for date in (18, 60):
        many = sum(once[date] * 1.08 ** (-CYCLE_YEARS[date] * turn) for turn in range(4_000))
        assert value[date] == pytest.approx(many, rel=1e-9)


def test_the_next_use_of_a_place_is_the_rotation_itself():
    value = rotation_value(cycle(), CYCLE_YEARS, 0.08)
    best = int(np.nanargmax(value))
    log_index = grid_on_curve(CYCLE_DAYS, HURDLE).log_index
    in_full_cellar = npv_in_full_cellar(cycle()[None, :], log_index, [1.0], value[best])
    assert int(np.nanargmax(in_full_cellar[0])) == best
    assert in_full_cellar[0, best] == pytest.approx(value[best], rel=1e-12)
    with pytest.raises(ValueError, match="above 0"):
        rotation_value([1.0], [1.0], 0.0)
