"""Hold or release: the worked case, its traps, and what turns a decision."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad

from costing.decisions.plan.ageing import hold_or_release, probability_holding_wins, verdict
from costing.decisions.prices.pricing import rate_of_return
from costing.decisions.prices.release_dates import (
    REASONS,
    StacksOnLees,
    age_in_months,
    candidate_days,
    grid_on_curve,
    in_money_of_day,
    worth_by_date,
)
from costing.engine.carrying import RateCurve


def day(text: str) -> int:
    return int(np.datetime64(text, "D").astype(int))


NOW, TIRAGE = day("2025-03-01"), day("2022-03-01")
HURDLE = RateCurve.flat(0.10)


def priced(age_months: np.ndarray, months: list[int], price: list[float]) -> np.ndarray:
    return np.interp(age_months, months, price, left=np.nan, right=np.nan)


def worked_stack(step_months: int = 12, horizon_months: int = 24, **changes) -> tuple[StacksOnLees, np.ndarray]:
    """5,500 bottles; 24 / 27 / 29 at 36 / 48 / 60 months, rising 2 %; finishing 2.50, rising 3 %."""
    days = candidate_days(NOW, step_months, horizon_months)
    age = age_in_months(TIRAGE, days)
    price = in_money_of_day(priced(age, [36, 48, 60], [24.0, 27.0, 29.0]), NOW, days, 0.02)
    stack = StacksOnLees(
        bottles=np.array([5_500.0]),
        price=price,
        finishing=in_money_of_day(2.50, NOW, days, 0.03),
        age_months=age,
        storage_per_bottle_year=np.array([0.30]),
        survival_per_year=np.array([0.995]),
    )
    return replace(stack, **changes), days


def many_stacks(rows: int = 12, dates: int = 37) -> tuple[StacksOnLees, np.ndarray]:
    """Invented stacks of all ages and sizes, with a limited market, monthly dates."""
    days = candidate_days(NOW, 1, dates - 1)
    age = np.array([age_in_months(NOW - 500 - 40 * row, days) for row in range(rows)])
    price = [in_money_of_day(priced(each, [12, 36, 60, 96], [14.0, 22, 28, 33]), NOW, days, 0.02) for each in age]
    return StacksOnLees(
        bottles=np.linspace(2_000, 20_000, rows),
        price=np.array(price),
        finishing=np.tile(in_money_of_day(2.50, NOW, days, 0.03), (rows, 1)),
        age_months=age,
        storage_per_bottle_year=np.linspace(0.2, 0.5, rows),
        survival_per_year=np.array([0.995]),
        minimum_months=np.array([15.0]),
        market_per_month=np.linspace(900, 1_500, rows),
        finished_storage_per_bottle_year=np.array([0.35]),
    ), days


def test_the_worked_case_to_the_last_digit():
    stack, days = worked_stack()
    found = hold_or_release(stack, days, HURDLE)
    assert found.worth.bottles[0] == pytest.approx([5_500, 5_472.5, 5_445.1375], abs=5e-5)
    assert found.price[0] == pytest.approx([24.0, 27.54, 30.1716], abs=5e-5)
    assert stack.finishing[0] == pytest.approx([2.5, 2.575, 2.65225], abs=5e-6)
    assert found.worth.net[0] == pytest.approx([118_250.00, 136_620.96, 149_846.64], abs=5e-3)
    assert found.worth.npv[0] == pytest.approx([118_250.00, 122_627.07, 120_842.81], abs=5e-3)
    assert found.year_return[0, 1:] == pytest.approx([0.140445, 0.084289], abs=5e-7)
    assert found.break_even_price[0, 1:] == pytest.approx([26.6602, 30.5681], abs=5e-5)
    assert found.gain[0, 1] == pytest.approx(4_377.07, abs=5e-3)
    assert found.gain_per_bottle_year[0, 1] == pytest.approx(0.7958, abs=5e-5)
    assert found.flip_storage[0] == pytest.approx(1.1344, abs=5e-5)
    assert found.flip_hurdle[0] == pytest.approx(0.140445, abs=5e-7)
    assert found.flip_price[0, 1] == pytest.approx(26.6602, abs=5e-5)
    assert found.hurdle[1:] == pytest.approx([0.10, 0.10])
    assert found.best[0] == 1


def test_the_two_year_trap():
    """Two years average 11.1841 %, above the hurdle of 10 %, and yet the second year destroys value."""
    stack, days = worked_stack()
    found = hold_or_release(stack, days, HURDLE)
    only_two_years = replace(stack, price=np.where([True, False, True], stack.price, np.nan))
    assert hold_or_release(only_two_years, days, HURDLE).flip_hurdle[0] == pytest.approx(0.111841, abs=5e-7)
    # The same average by the flows themselves, storage day by day at mid-day.
    held = np.arange(NOW, days[2])
    storage = -0.30 / 365 * np.where(held < days[1], 5_500, 5_472.5)
    flows = np.concatenate([[-118_250.0], storage, [found.worth.net[0, 2]]])
    average = rate_of_return(np.concatenate([[NOW], held + 0.5, [days[2]]]), flows)
    assert average.rate == pytest.approx(0.111841, abs=5e-7)
    assert average.rate > 0.10
    assert found.worth.npv[0, 2] - found.worth.npv[0, 1] == pytest.approx(-1_784.25, abs=1e-2)
    assert found.best[0] == 1
    assert verdict(found, 0) == (
        "hold 12 months",
        "the last year earns 14.0%, the next 8.4%; hurdle 10.0%",
    )


def test_capital_held():
    stack, days = worked_stack()
    found = hold_or_release(stack, days, HURDLE)
    assert found.peak_capital[0, 1] == pytest.approx(118_250 + 0.30 * 5_500 + 5_472.5 * 2.575)
    assert found.average_capital[0, 1] == pytest.approx(118_250 + 0.30 * 5_500 / 2)
    assert found.bottle_years[0] == pytest.approx([0, 5_500, 5_500 + 5_472.5])


def test_no_price_is_ever_extrapolated():
    stack, days = worked_stack(horizon_months=48)
    found = hold_or_release(stack, days, HURDLE)
    assert np.isnan(found.worth.npv[0, 3:]).all()
    assert [REASONS[code] for code in found.reason[0]] == ["", "", ""] + ["no price for this age"] * 2
    assert found.best[0] == 1


def test_minimum_months_bar_a_date_even_if_it_pays():
    stack, days = worked_stack(minimum_months=np.array([60.0]))
    found = hold_or_release(stack, days, HURDLE)
    assert [REASONS[code] for code in found.reason[0, :2]] == ["before the minimum months on lees"] * 2
    assert (found.first[0], found.best[0]) == (2, 2)
    assert np.isnan(found.gain[0, :2]).all()
    assert np.isnan(found.year_return[0]).all()  # of no step between two possible dates
    assert verdict(found, 0) == ("release in 24 months", "no later date is possible")


def test_a_market_that_takes_nothing():
    stack, days = worked_stack(market_per_month=np.array([0.0]))
    found = hold_or_release(stack, days, HURDLE)
    assert found.best[0] == found.first[0] == -1
    assert verdict(found, 0) == ("no release date", "the market takes nothing")
    assert np.isnan(found.flip_hurdle[0])


def test_one_date_alone_and_no_stack_at_all():
    stack, days = worked_stack(horizon_months=0)
    found = hold_or_release(stack, days, HURDLE)
    assert found.worth.npv[0, 0] == pytest.approx(118_250)
    assert verdict(found, 0) == ("release now", "no later date is possible")
    empty = StacksOnLees(np.zeros(0), np.zeros((0, 3)), np.zeros((0, 3)), np.zeros((0, 3)))
    assert hold_or_release(empty, candidate_days(NOW, 12, 24), HURDLE).gain.shape == (0, 3)


def test_release_now_at_a_hurdle_above_the_flip():
    stack, days = worked_stack()
    found = hold_or_release(stack, days, RateCurve.flat(0.16))
    assert found.best[0] == 0
    assert found.flip_hurdle[0] == pytest.approx(0.140445, abs=5e-7)
    assert verdict(found, 0)[1].startswith("the best later date, in 12 months, is worth")


def test_at_each_flip_the_gain_is_zero():
    stack, days = many_stacks()
    found = hold_or_release(stack, days, HURDLE)
    scale = found.worth.npv[np.arange(12), found.first]
    assert np.isfinite(found.flip_hurdle).all()
    for row in range(12):
        one, other = stack.rows([row]), int(found.best_later[row])
        at_hurdle = hold_or_release(one, days, RateCurve.flat(float(found.flip_hurdle[row])))
        assert at_hurdle.gain[0, at_hurdle.best_later[0]] == pytest.approx(0, abs=1e-9 * scale[row])
        if np.isfinite(found.flip_storage[row]):
            dearer = replace(one, storage_per_bottle_year=found.flip_storage[[row]])
            again = hold_or_release(dearer, days, HURDLE)
            assert again.gain[0, again.best_later[0]] == pytest.approx(0, abs=1e-9 * scale[row])
        price = one.price.copy()
        price[0, other] = found.flip_price[row, other]
        assert hold_or_release(replace(one, price=price), days, HURDLE).gain[0, other] == pytest.approx(
            0, abs=1e-9 * scale[row]
        )


def test_at_the_break_even_price_the_year_returns_the_hurdle():
    stack, days = many_stacks()
    found = hold_or_release(stack, days, HURDLE)
    for step_end in (4, 20):
        price = stack.price.copy()
        price[:, step_end] = found.break_even_price[:, step_end]
        again = hold_or_release(replace(stack, price=price), days, HURDLE)
        asked = np.isfinite(found.break_even_price[:, step_end])
        assert asked.sum() > 8
        assert again.year_return[asked, step_end] == pytest.approx(np.full(asked.sum(), 0.10), abs=1e-9)
        change = again.worth.npv[asked, step_end] - again.worth.npv[asked, step_end - 1]
        assert change == pytest.approx(np.zeros(asked.sum()), abs=1e-6)


def test_needed_growth_leads_from_the_price_to_the_break_even_price():
    stack, days = worked_stack(step_months=6)
    found = hold_or_release(stack, days, HURDLE)
    years = np.diff(days) / 365
    reached = found.price[0, :-1] * (1 + found.price_growth_needed[0, 1:]) ** years
    assert reached == pytest.approx(found.break_even_price[0, 1:], rel=1e-12)


@pytest.mark.parametrize("row", [0, 5, 11])
def test_the_return_of_a_month_is_the_rate_of_its_flows(row):
    stack, days = many_stacks()
    found = hold_or_release(stack, days, HURDLE)
    step = int(found.first[row]) + 3
    start, end = days[step], days[step + 1]
    held = np.arange(start, end)
    storage = np.full(len(held), -found.worth.storage_a_year[row, step] / 365)
    flows = np.concatenate([[-found.worth.net[row, step]], storage, [found.worth.net[row, step + 1]]])
    theirs = rate_of_return(np.concatenate([[start], held + 0.5, [end]]), flows)
    assert found.year_return[row, step + 1] == pytest.approx(theirs.rate, abs=1e-7)


def test_a_year_that_only_pays_its_storage_returns_nothing():
    price = np.array([[20.0, 20.3, 20.3]])
    stack, days = worked_stack(price=price, finishing=np.zeros((1, 3)), survival_per_year=np.ones(1))
    found = hold_or_release(stack, days, HURDLE)
    assert found.year_return[0, 1] == pytest.approx(0, abs=1e-14)
    assert found.year_return[0, 2] == pytest.approx(-0.30 / 20.3, rel=1e-2)


def test_a_year_without_storage_returns_what_the_price_rises_by():
    stack, days = worked_stack(
        price=np.array([[20.0, 22.0, 21.0]]),
        finishing=np.zeros((1, 3)),
        survival_per_year=np.ones(1),
        storage_per_bottle_year=np.zeros(1),
    )
    assert hold_or_release(stack, days, HURDLE).year_return[0, 1:] == pytest.approx([0.1, 21 / 22 - 1])


def test_the_hurdle_of_a_month_is_told_by_the_year():
    stack, days = worked_stack(step_months=1)
    assert hold_or_release(stack, days, HURDLE).hurdle[1:] == pytest.approx(np.full(24, 0.10))


@pytest.mark.parametrize("wider", [1, 100, 1_000])
def test_sale_over_time_is_the_integral_over_daily_sales(wider):
    stack, days = many_stacks()
    stack = replace(stack, market_per_month=stack.market_per_month * wider)
    wait = np.full(stack.price.shape, 0.4)
    found = worth_by_date(stack, grid_on_curve(days, HURDLE), wait)
    row, date, force = 7, 12, np.log(1.10)
    bottles, sale = found.bottles[row, date], found.sale_years[row, date]
    assert sale == pytest.approx(bottles / (12 * stack.market_per_month[row, 0]))
    received = quad(lambda u: np.exp(-force * u), 0.4, 0.4 + sale)[0] * bottles / sale * stack.price[row, date]
    unsold = quad(lambda u: np.exp(-force * u) * min(1.0, 1 - (u - 0.4) / sale), 0, 0.4 + sale, points=[0.4])[0]
    expected = received - bottles * stack.finishing[row, date] - bottles * 0.35 * unsold
    assert found.net[row, date] == pytest.approx(expected, rel=1e-9)
    in_sale = quad(lambda u: np.exp(-force * u) * (1 - u / sale), 0, sale, epsabs=0, epsrel=1e-12)[0]
    at_once = worth_by_date(stack, grid_on_curve(days, HURDLE))
    assert at_once.unsold_years[row, date] == pytest.approx(in_sale, rel=1e-10)


def test_a_very_large_market_is_no_limit():
    stack, days = many_stacks()
    grid = grid_on_curve(days, HURDLE)
    none = worth_by_date(replace(stack, market_per_month=np.array([np.inf])), grid)
    large = worth_by_date(replace(stack, market_per_month=np.array([1e12])), grid)
    priced = np.isfinite(stack.price)
    assert large.npv[priced] == pytest.approx(none.npv[priced], rel=1e-8)
    assert (none.sale_years == 0).all()


def test_another_candidate_date_in_between_changes_nothing_without_losses():
    stack, days = worked_stack(survival_per_year=np.array([1.0]))
    finer, finer_days = worked_stack(step_months=1, survival_per_year=np.array([1.0]))
    coarse = hold_or_release(stack, days, HURDLE)
    fine = hold_or_release(finer, finer_days, HURDLE)
    assert fine.worth.npv[0, ::12] == pytest.approx(coarse.worth.npv[0], rel=1e-12)
    assert fine.average_capital[0, 12] == pytest.approx(coarse.average_capital[0, 1], rel=1e-12)


def test_survivors_do_not_depend_on_the_grid():
    coarse, days = worked_stack()
    fine, fine_days = worked_stack(step_months=1)
    bottles = worth_by_date(fine, grid_on_curve(fine_days, HURDLE)).bottles[0, ::12]
    assert bottles == pytest.approx(worth_by_date(coarse, grid_on_curve(days, HURDLE)).bottles[0], rel=1e-12)


def test_a_rate_that_changes_and_another_day_count():
    stack, days = worked_stack()
    rising = RateCurve(np.array([NOW, days[1]]), np.array([0.10, 0.20]))
    found = hold_or_release(stack, days, rising)
    assert found.hurdle[1:] == pytest.approx([0.10, 0.20])
    assert found.gain[0, 1] == pytest.approx(4_377.07, abs=5e-3)
    second_year = found.worth.net[0, 2] / 1.2 - found.worth.net[0, 1]
    storage = 0.30 * 5_472.5 * (0.2 / np.log(1.2)) / 1.2
    assert found.worth.npv[0, 2] - found.worth.npv[0, 1] == pytest.approx((second_year - storage) / 1.1)
    by_months = hold_or_release(stack, days, RateCurve.flat(0.10, "30E/360"))
    assert by_months.year_return[0, 1:] == pytest.approx([0.140445, 0.084289], abs=5e-7)
    by_360 = hold_or_release(stack, days, RateCurve.flat(0.10, "Act/360"))
    again = hold_or_release(stack, days, RateCurve.flat(float(by_360.flip_hurdle[0]), "Act/360"))
    assert again.gain[0, 1] == pytest.approx(0, abs=1e-4)


def test_storage_that_rises_by_date():
    stack, days = worked_stack(storage_per_bottle_year=np.array([[0.30, 0.36, 0.40]]))
    found = hold_or_release(stack, days, HURDLE)
    second = 0.36 * 5_472.5 * (0.1 / np.log(1.1)) / 1.21
    assert found.worth.storage_value[0, 2] - found.worth.storage_value[0, 1] == pytest.approx(second)
    assert found.flip_storage[0] == pytest.approx(1.1344, abs=5e-5)


def test_what_nothing_turns_has_no_flip():
    stack, days = worked_stack(price=np.array([[24.0, 20.0, 20.0]]), finishing=np.zeros((1, 3)))
    found = hold_or_release(stack, days, HURDLE)
    assert found.best[0] == 0
    assert np.isnan(found.flip_storage[0])  # not even free storage makes holding pay
    assert found.flip_hurdle[0] < 0  # only a negative hurdle would


def test_a_step_from_or_to_proceeds_of_nothing_has_no_return():
    """A price of 2.50 just pays the finishing, one of 2 does not."""
    prices = np.array([[2.5, 24.0, 2.5, 24.0, 2.0]])
    stack, days = worked_stack(horizon_months=48, price=prices, finishing=np.full((1, 5), 2.5))
    found = hold_or_release(stack, days, HURDLE)
    assert found.worth.net[0, [0, 2]].tolist() == [0.0, 0.0]
    assert np.isnan(found.year_return).all()


def test_proceeds_of_less_than_one_return_what_they_do_of_many():
    stack, days = worked_stack()
    few = replace(stack, bottles=np.array([0.01]))
    many, found = (hold_or_release(each, days, HURDLE) for each in (stack, few))
    assert found.worth.net.max() < 1.0
    assert found.year_return[0, 1:] == pytest.approx(many.year_return[0, 1:])


def test_where_any_price_breaks_even_no_growth_is_needed():
    """Nothing foregone, nothing to keep, nothing to finish."""
    finishing, free = np.array([[24.0, 0.0, 0.0]]), np.zeros(1)
    stack, days = worked_stack(price=np.full((1, 3), 24.0), finishing=finishing, storage_per_bottle_year=free)
    found = hold_or_release(stack, days, HURDLE)
    assert found.break_even_price[0, 1] == 0.0
    assert np.isnan(found.price_growth_needed[0, 1])


def test_candidate_dates_must_ascend():
    stack, _ = worked_stack()
    with pytest.raises(ValueError, match="ascend"):
        hold_or_release(stack, [NOW, NOW, NOW + 1], HURDLE)
    with pytest.raises(ValueError, match="survival"):
        worked_stack(survival_per_year=np.array([1.2]))


def test_months_are_calendar_months_and_days_a_share():
    assert age_in_months(day("2022-03-01"), day("2025-03-01")) == 36
    assert age_in_months(day("2024-01-31"), day("2024-02-29")) == 1
    assert age_in_months(day("2024-02-01"), day("2024-02-15")) == pytest.approx(14 / 29)
    assert age_in_months(day("2024-03-01"), day("2024-02-15")) == pytest.approx(-15 / 29)


def test_chance_that_holding_wins_agrees_with_drawn_prices():
    price, flip, volatility, years = 27.54, 26.6602, 0.15, 1.0
    random = np.random.default_rng(20250301)
    spread = volatility * np.sqrt(years)
    drawn = price * np.exp(spread * random.standard_normal(400_000) - spread**2 / 2)
    assert drawn.mean() == pytest.approx(price, rel=2e-3)
    expected = float((drawn > flip).mean())
    assert probability_holding_wins(price, flip, volatility, years) == pytest.approx(expected, abs=3e-3)


def test_chance_without_uncertainty_or_without_a_price():
    flip = [26.5, 26.5, 26.5, -3.0, 0.0]
    found = probability_holding_wins([27.0, 26.0, np.nan, 1.0, 1.0], flip, [0.0, 0.0, 0.1, 0.2, 0.2], 1.0)
    assert found[:2].tolist() == [1.0, 0.0]
    assert np.isnan(found[2])
    assert found[3:].tolist() == [1.0, 1.0]  # any price is above nothing
