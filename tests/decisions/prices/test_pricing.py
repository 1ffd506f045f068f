"""Target prices, rates of return, increases, promotions and formats."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import numpy_financial
import pytest
import pyxirr

from costing.decisions.prices.channels import list_price
from costing.decisions.prices.pricing import (
    KEEPS,
    SalePlan,
    break_even_volume_change,
    cash_flows,
    cost_plus_price,
    format_parity,
    monthly_dispatches,
    price_after_cost_change,
    price_for_margin,
    price_increase,
    rate_of_return,
    target_price,
)
from costing.engine.carrying import AccrualCurve, RateCurve


def day(text: str) -> int:
    return int(np.datetime64(text, "D").astype(int))


HURDLE = RateCurve.flat(0.12)
TIRAGE, FALL, DISGORGED = day("2022-03-01"), day("2023-06-15"), day("2025-03-01")
BOTTLES, AFTER_FALL, DRAWN = 10_000, 9_600, 4_050


def worked_cost() -> float:
    """Cost at 12 % of the first disgorgement: 72,200 at tirage, 0.20 a bottle-year, 400 of 10,000 lost."""
    storage = AccrualCurve.flat(0.20)
    stack = 72_200 * HURDLE.growth(TIRAGE, DISGORGED)
    stack = stack + BOTTLES * storage.value_at_end(TIRAGE, FALL, HURDLE) * HURDLE.growth(FALL, DISGORGED)
    stack = stack + AFTER_FALL * storage.value_at_end(FALL, DISGORGED, HURDLE)
    return float(stack * DRAWN / AFTER_FALL + 4_000 * 1.60)


def worked_plan() -> SalePlan:
    return SalePlan(
        cost=worked_cost(),
        disgorged_day=DISGORGED,
        dispatch_day=np.array([day("2025-06-01"), day("2025-12-01")]),
        bottles=np.array([2_400.0, 1_600.0]),
        terms_days=60,
        commission=0.10,
        selling_cost_per_bottle=1.25,
        storage_per_bottle_year=0.30,
    )


def worked_flows(price: float) -> tuple[np.ndarray, np.ndarray]:
    """All dated money of the release from tirage on, even accruals at mid-day."""
    share = DRAWN / AFTER_FALL
    on_lees = np.arange(TIRAGE, DISGORGED)
    storage = -0.20 / 365 * share * np.where(on_lees < FALL, BOTTLES, AFTER_FALL)
    days, amounts = cash_flows(worked_plan(), price)
    return (
        np.concatenate([[TIRAGE, DISGORGED], on_lees + 0.5, days]),
        np.concatenate([[-72_200 * share, -4_000 * 1.60], storage, amounts]),
    )


def test_price_for_twelve_percent_to_the_last_digit():
    found = target_price(worked_plan(), HURDLE)
    assert found.cost == pytest.approx(52_160.74, abs=5e-3)
    assert found.storage_value == pytest.approx(525.55, abs=5e-3)
    assert found.selling_value == pytest.approx(4_751.84, abs=5e-3)
    assert found.discounted_bottles == pytest.approx(3_358.1744, abs=5e-5)
    assert found.price == pytest.approx(17.1040, abs=5e-5)
    assert list_price(found.price, 0.15) == pytest.approx(20.1223, abs=5e-5)


def test_return_of_the_dated_flows_is_the_target_and_less_at_the_rounded_price():
    at_target = rate_of_return(*worked_flows(target_price(worked_plan(), HURDLE).price))
    at_rounded = rate_of_return(*worked_flows(17.10))
    assert at_target.rate == pytest.approx(0.12, abs=5e-9)
    assert at_rounded.rate == pytest.approx(0.119910, abs=5e-7)


@pytest.mark.parametrize("price", [17.10, 17.10397202, 25.0, 13.0])
def test_rate_of_return_agrees_with_an_independent_library(price):
    days, amounts = worked_flows(price)
    # Its dates are whole days: on a clock of half-days the yearly rate is the half-yearly one, compounded.
    halves = [date(2000, 1, 1) + timedelta(days=round(2 * (each - TIRAGE))) for each in days]
    theirs = (1 + pyxirr.xirr(halves, amounts)) ** 2 - 1
    assert rate_of_return(days, amounts).rate == pytest.approx(theirs, abs=1e-9)


@pytest.mark.parametrize(
    "amounts",
    [
        [-100, 39, 59, 55, 20],
        [-16_000, 2_000, 4_000, 5_000, 5_000, 5_000, 5_000],
        [-100, 0, 0, 60],
        [100, -60, -60],
    ],
)
def test_rate_of_return_of_yearly_flows_agrees_with_numpy_financial(amounts):
    ours = rate_of_return(365 * np.arange(len(amounts)), amounts)
    assert ours.rate == pytest.approx(numpy_financial.irr(amounts), abs=1e-9)


def test_cost_plus_falls_short():
    short = cost_plus_price(52_160.7395 / 4_000, 1.25, 0.10)
    assert short == pytest.approx(15.8780, abs=5e-5)
    assert target_price(worked_plan(), HURDLE).price - short == pytest.approx(1.2260, abs=5e-5)


def test_no_rate_where_several_fit():
    several = rate_of_return(365 * np.arange(3), [-100.0, 230.0, -132.0])  # 10 % and 20 %
    assert several.rate is None
    assert "10.0000%" in several.reason
    assert "20.0000%" in several.reason


def test_no_rate_where_it_may_not_be_the_only_one():
    doubtful = rate_of_return([0, 365, 730, 1095], [-100.0, 300.0, -250.0, 60.0])
    assert doubtful.rate is None
    assert doubtful.reason


def test_no_rate_without_an_outlay():
    assert rate_of_return([0, 365], [100.0, 20.0]).rate is None
    assert rate_of_return([0, 0], [100.0, -100.0]).rate is None


def test_a_loss_beyond_the_search_has_no_rate():
    assert rate_of_return([0, 365], [-1.0, 1e-4]).rate is None


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_each_rate_that_fits_is_named_once_though_one_of_them_is_nought(sign):
    several = rate_of_return(365 * np.arange(3), [-100.0 * sign, 230.0 * sign, -130.0 * sign])  # 0 % and 30 %
    assert several.reason == "several rates fit (0.0000%, 30.0000%); decide on net present value"


def test_money_that_is_all_back_before_it_goes_out_again_has_one_rate():
    """What is out in between is exactly nothing: the money is never lent the other way."""
    assert rate_of_return(365 * np.arange(4), [-100.0, 100.0, -100.0, 100.0]).rate == pytest.approx(0.0, abs=1e-12)


def test_flows_of_one_day_count_together():
    assert rate_of_return([0, 0, 365], [-150.0, 50.0, 110.0]).rate == pytest.approx(0.10, abs=1e-12)


def test_dispatch_before_disgorgement_is_refused():
    with pytest.raises(ValueError, match="before disgorgement"):
        SalePlan(1.0, 100, np.array([99]), np.array([1.0]))


@pytest.mark.parametrize(("commission", "bottles"), [(1.0, [1.0]), (0.1, [0.0]), (0.1, [-1.0, 3.0])])
def test_a_target_that_no_price_reaches_is_refused(commission, bottles):
    with pytest.raises(ValueError, match=r"commission|bottles"):
        SalePlan(1.0, 0, np.full(len(bottles), 10), np.array(bottles), commission=commission)


def test_the_floor_is_the_target_price_of_what_is_still_avoidable():
    plan = SalePlan(6_400.0, 0, np.array([0]), np.array([4_000.0]), selling_cost_per_bottle=1.25, commission=0.10)
    assert target_price(plan, HURDLE).price == pytest.approx((1.60 + 1.25) / 0.90)


def test_commission_and_terms_by_channel():
    plan = SalePlan(
        1_000.0,
        0,
        np.array([0, 0]),
        np.array([60.0, 40.0]),
        terms_days=np.array([0, 365]),
        commission=[0.0, 0.1],
    )
    assert target_price(plan, HURDLE).price == pytest.approx(1_000 / (60 + 40 * 0.9 / 1.12))


def test_a_release_sold_evenly_over_a_year():
    days, bottles = monthly_dispatches(1_200, day("2025-03-01"), 12)
    assert bottles == pytest.approx(np.full(12, 100.0))
    assert days[0] == day("2025-03-16")
    assert days[-1] == day("2026-02-15")
    flat = AccrualCurve.flat(1.0)
    held = (bottles * flat.amount(np.full(12, day("2025-03-01")), days)).sum()
    assert held == pytest.approx(1_200 / 2, rel=5e-3)  # months are not equally long
    days, bottles = monthly_dispatches(1_200, day("2025-03-01"), 0)
    assert days.tolist() == [day("2025-03-01")]
    assert bottles.tolist() == [1_200]


def test_margin_target_with_and_without_commission():
    assert price_for_margin(12.0, 0.25, 0.0) == pytest.approx(16.0)
    price = price_for_margin(13.0402 + 1.25, 0.30, 0.10)
    assert (price * 0.9 - 13.0402 - 1.25) / price == pytest.approx(0.30)
    with pytest.raises(ValueError, match="no price"):
        price_for_margin(12.0, 0.9, 0.1)


def test_a_price_of_which_exactly_nothing_is_left_is_refused():
    with pytest.raises(ValueError, match="no price"):
        price_for_margin(12.0, 0.75, 0.25)
    with pytest.raises(ValueError, match="contributes nothing"):
        price_increase(20.0, 1_000, 10.0, -0.5, 0.0)
    assert price_increase(20.0, 1_000, 19.5, 0.01, 0.0).bearable_volume_loss == pytest.approx(1 - 0.5 / 0.7)


def test_promotion_break_even():
    assert break_even_volume_change(0.40, -0.10) == pytest.approx(0.40 / 0.30 - 1)
    with pytest.raises(ValueError, match="no volume"):
        break_even_volume_change(0.10, -0.10)


def test_what_a_price_increase_does():
    raised = price_increase(20.0, 1_000, 12.0, 0.05, commission=0.10)
    assert raised.new_price == pytest.approx(21.0)
    assert raised.extra_at_same_volume == pytest.approx(1_000 * 0.90)
    kept = 1_000 * (1 - raised.bearable_volume_loss)
    assert kept * (21.0 * 0.9 - 12.0) == pytest.approx(1_000 * (20.0 * 0.9 - 12.0))
    margin = (20.0 - 12.0) / 20.0
    without_commission = price_increase(20.0, 1_000, 12.0, 0.05, 0.0)
    assert -without_commission.bearable_volume_loss == pytest.approx(break_even_volume_change(margin, 0.05))
    with pytest.raises(ValueError, match="contributes nothing"):
        price_increase(20.0, 1_000, 20.0, 0.05, 0.0)


@pytest.mark.parametrize("keep", KEEPS)
def test_the_increase_letter(keep):
    new = price_after_cost_change(20.0, 12.0, 13.2, keep, commission=0.10)
    if keep == "margin":
        assert (new * 0.9 - 13.2) / new == pytest.approx((20 * 0.9 - 12) / 20)
    else:
        assert new * 0.9 - 13.2 == pytest.approx(20 * 0.9 - 12)


def test_a_magnum_against_two_bottles():
    parity = format_parity(1.5, 46.0, 26.0, 20.0, 11.0)
    assert parity.equivalent == 2
    assert (parity.parity_price, parity.extra_price, parity.extra_cost) == (40.0, 6.0, 4.0)
    assert parity.extra_contribution == pytest.approx(2.0)


def test_a_gift_box_is_a_format_at_the_same_volume():
    assert format_parity(0.75, 24.0, 13.0, 20.0, 11.0).extra_contribution == pytest.approx(2.0)
