"""Properties that prices and release dates keep whatever the figures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from costing.decisions.plan.ageing import hold_or_release
from costing.decisions.prices.channels import (
    EXCISE_BASES,
    MARGIN_BASES,
    TradeTerms,
    to_cellar,
    to_shelf,
)
from costing.decisions.prices.pricing import (
    SalePlan,
    cash_flows,
    price_for_margin,
    rate_of_return,
    target_price,
    target_prices,
)
from costing.decisions.prices.release_dates import StacksOnLees, candidate_days
from costing.engine.carrying import RateCurve
from tests.form import chosen

share = st.floats(0, 0.6)
money = st.floats(0, 3)

chains = st.builds(
    TradeTerms,
    discount=share,
    commission=share,
    selling_cost_per_bottle=money,
    freight_per_bottle=money,
    insurance=st.floats(0, 0.05),
    customs=share,
    excise_basis=st.sampled_from(sorted(EXCISE_BASES)),
    excise_amount=st.floats(0, 30),
    importer_margin=share,
    distributor_margin=share,
    retailer_margin=share,
    margin_basis=st.sampled_from(sorted(MARGIN_BASES)),
    vat=share,
    currency_rate=st.floats(0.01, 100),
    currency_buffer=st.floats(0, 0.3),
    shelf_step=st.sampled_from([0.0, 0.05, 1.0]),
)


@given(chains, st.floats(5, 500), st.sampled_from([0.375, 0.75, 1.5]), st.floats(5, 15))
def test_the_chain_is_inverse_and_adds_up(chain, net, bottle_l, alcohol):
    up = to_shelf(chain, net, bottle_l, alcohol)
    down = to_cellar(chain, up.shelf_price, bottle_l, alcohol)
    # A large duty in a weak currency hides the net price: then the digits of the shelf price are the limit.
    digits = float(up.shelf_price * chain.currency_rate)
    assert down.net_price == pytest.approx(net, rel=1e-9, abs=1e-12 * digits)
    assert up.amounts.sum() == pytest.approx(float(up.shelf_price), rel=1e-12)
    assert up.rounded_shelf_price >= up.shelf_price * (1 - 1e-9)


def test_sales_by_no_channel_have_no_target_price() -> None:
    """An estate without channels ended its run in a traceback."""
    assert target_prices([], RateCurve.flat(0.05)) == []


@given(st.floats(0, 0.95))
def test_margin_and_markup_agree(margin):
    markup = margin / (1 - margin)
    assert MARGIN_BASES["margin on price"](margin) == pytest.approx(MARGIN_BASES["mark-up on cost"](markup))
    assert price_for_margin(10.0, margin, 0.0) == pytest.approx(10.0 * MARGIN_BASES["mark-up on cost"](markup))


plans = st.integers(1, 4).flatmap(
    lambda count: st.builds(
        SalePlan,
        cost=st.floats(1_000, 1e6),
        disgorged_day=st.just(20_000),
        dispatch_day=st.lists(st.integers(20_001, 20_700), min_size=count, max_size=count),
        bottles=st.lists(st.floats(10, 5_000), min_size=count, max_size=count),
        terms_days=st.integers(0, 120),
        commission=st.floats(0, 0.3),
        selling_cost_per_bottle=money,
        storage_per_bottle_year=st.floats(0, 1),
    )
)


@given(plans, st.floats(0.01, 0.4))
@settings(max_examples=chosen(full=60, short=20))
def test_the_target_price_gives_exactly_the_target(plan, rate):
    curve = RateCurve.flat(rate)
    found = target_price(plan, curve)
    days, amounts = cash_flows(plan, found.price)
    years = (days - plan.disgorged_day) / 365
    worth = float((amounts * (1 + rate) ** -years).sum()) - plan.cost
    # Storage at mid-day is even storage to (ln(1 + r)/365)²/24, 4e-8 of it.
    assert worth == pytest.approx(0, abs=1e-7 * found.storage_value + 1e-10 * plan.cost)
    earned = rate_of_return(np.append(days, plan.disgorged_day), np.append(amounts, -plan.cost))
    if earned.rate is not None:
        assert earned.rate == pytest.approx(rate, abs=1e-5)
    # Cutting a dispatch in two changes nothing.
    halves = replace(plan, dispatch_day=np.repeat(plan.dispatch_day, 2), bottles=np.repeat(plan.bottles, 2) / 2)
    assert target_price(halves, curve).price == pytest.approx(found.price, rel=1e-12)


DAYS = candidate_days(20_000, 6, 30)


@st.composite
def held(draw):
    prices = draw(st.lists(st.floats(8, 60), min_size=len(DAYS), max_size=len(DAYS)))
    return StacksOnLees(
        bottles=np.array([draw(st.floats(10, 50_000))]),
        price=np.array(prices),
        finishing=np.full(len(DAYS), draw(st.floats(0, 5))),
        age_months=np.arange(len(DAYS)) * 6.0,
        storage_per_bottle_year=np.array([draw(st.floats(0, 1))]),
        survival_per_year=np.array([draw(st.floats(0.97, 1))]),
        market_per_month=np.array([draw(st.sampled_from([np.inf, 400.0, 3_000.0]))]),
        finished_storage_per_bottle_year=np.array([draw(st.floats(0, 1))]),
    )


@given(held(), st.floats(0.01, 0.3))
@settings(max_examples=chosen(full=60, short=20))
def test_decisions_are_consistent(stack, rate):
    curve = RateCurve.flat(rate)
    found = hold_or_release(stack, DAYS, curve)
    npv = found.worth.npv[0]
    assert npv[found.best[0]] == npv.max()
    # A step beats the hurdle just where it adds to net present value, and where the price beats break-even.
    for date in range(1, len(DAYS)):
        if found.worth.net[0, date - 1] > 0 and found.worth.net[0, date] > 0:
            slack = 1e-9 * abs(npv).max()
            if abs(npv[date] - npv[date - 1]) > slack:
                rises = npv[date] > npv[date - 1]
                assert (found.year_return[0, date] > found.hurdle[date]) == rises
                assert (found.price[0, date] > found.break_even_price[0, date]) == rises
    other = int(found.best_later[0])
    scale = abs(npv).max()
    if np.isfinite(found.flip_hurdle[0]):
        again = hold_or_release(stack, DAYS, RateCurve.flat(float(found.flip_hurdle[0])))
        nearby = np.abs(again.worth.npv).max()
        assert again.gain[0, again.best_later[0]] == pytest.approx(0, abs=1e-8 * nearby)
    price = stack.price.copy()
    price[0, other] = found.flip_price[0, other]
    turned = hold_or_release(replace(stack, price=price), DAYS, curve)
    assert turned.gain[0, other] == pytest.approx(0, abs=1e-9 * scale)
    if np.isfinite(found.flip_storage[0]):
        dearer = replace(stack, storage_per_bottle_year=found.flip_storage)
        later = hold_or_release(dearer, DAYS, curve)
        assert later.gain[0, later.best_later[0]] == pytest.approx(0, abs=1e-9 * scale)


@given(held(), st.floats(0.05, 0.95), st.floats(0.02, 0.2))
@settings(max_examples=chosen(full=40, short=15))
def test_splitting_a_stack_in_two_changes_no_decision_unless_the_market_binds(stack, part, rate):
    curve = RateCurve.flat(rate)
    free = replace(stack, market_per_month=np.array([np.inf]))
    whole = hold_or_release(free, DAYS, curve)
    two = replace(free.rows([0, 0]), bottles=stack.bottles * np.array([[part], [1 - part]]))
    split = hold_or_release(two, DAYS, curve)
    assert split.worth.npv.sum(axis=0) == pytest.approx(whole.worth.npv[0], rel=1e-9, abs=1e-6)
    scale = abs(whole.worth.npv).max()
    for row in range(2):
        assert whole.worth.npv[0, split.best[row]] == pytest.approx(whole.worth.npv.max(), abs=1e-9 * scale)
