"""Pools: rates, what is left unabsorbed, periods cut at the valuation date, service departments."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from costing.engine.pools import SERVICE_METHODS, Period, direct, open_period, pool_rate, reciprocal, step_down

amounts = st.floats(-1e6, 1e6)
quantities = st.one_of(st.just(0.0), st.floats(0.01, 1e6))


def test_rate_on_normal_capacity_and_on_the_driver():
    rate, absorbed, unabsorbed = pool_rate([1200.0, 1200.0, 1200.0], [400.0, 800.0, 400.0], [600.0, 600.0, 0.0])
    np.testing.assert_allclose(rate, [2.0, 1.5, 3.0])
    np.testing.assert_allclose(absorbed, [800.0, 1200.0, 1200.0])
    np.testing.assert_allclose(unabsorbed, [400.0, 0.0, 0.0], atol=1e-12)


def test_nothing_over_nothing_is_a_rate_of_nothing():
    rate, absorbed, unabsorbed = pool_rate(500.0, 0.0, 0.0)
    assert (rate, absorbed, unabsorbed) == (0.0, 0.0, 500.0)
    idle = pool_rate(500.0, 0.0, 100.0)  # a cellar that stood still
    assert (idle.rate, idle.absorbed, idle.unabsorbed) == (5.0, 0.0, 500.0)


@given(amount=amounts, driver=quantities, capacity=quantities)
def test_absorbed_and_unabsorbed_add_up(amount, driver, capacity):
    pool = pool_rate(amount, driver, capacity)
    assert pool.absorbed + pool.unabsorbed == pytest.approx(amount, rel=1e-12, abs=1e-9)
    assert pool.absorbed == pytest.approx(pool.rate * driver, rel=1e-12, abs=1e-9)
    assert abs(pool.absorbed) <= abs(amount) * (1 + 1e-12)
    if driver >= capacity and driver > 0:
        assert pool.unabsorbed == 0.0


def test_quantities_below_nothing_are_refused_with_their_row():
    with pytest.raises(ValueError, match="row 1: the driver is -1"):
        pool_rate(1.0, [1.0, -1.0], 1.0)
    with pytest.raises(ValueError, match="row 0: the normal capacity is nan"):
        pool_rate(1.0, 1.0, np.nan)


# January to December of a common year, 3,650 of capacity: 10 a day
YEAR = Period(36_500.0, 18_993, 19_357, normal_capacity=3_650.0)


def test_an_open_period_is_cut_at_the_valuation_day():
    parts = open_period(YEAR, valuation_day=18_993 + 72, driver_actual=1_000.0, driver_planned=2_000.0)
    # 73 of 365 days are past (the valuation day included): 7,300 over max(730, 1,000)
    assert parts.actual.rate == pytest.approx(7.3)
    assert parts.actual.unabsorbed == pytest.approx(0.0, abs=1e-9)
    # 29,200 over 292 days of capacity, whatever is planned
    assert parts.planned.rate == pytest.approx(10.0)
    assert parts.planned.absorbed == pytest.approx(20_000.0)
    assert parts.planned.unabsorbed == pytest.approx(9_200.0)


def test_a_plan_above_capacity_absorbs_more_than_its_amount():
    parts = open_period(YEAR, valuation_day=18_993 + 72, driver_actual=0.0, driver_planned=4_000.0)
    assert parts.planned.rate == pytest.approx(10.0)
    assert parts.planned.unabsorbed == pytest.approx(29_200.0 - 40_000.0)


def test_without_capacity_the_actual_rate_continues():
    year = YEAR._replace(normal_capacity=0.0)
    parts = open_period(year, valuation_day=18_993 + 72, driver_actual=500.0, driver_planned=3_000.0)
    assert parts.actual.rate == pytest.approx(14.6)
    assert parts.planned.rate == pytest.approx(14.6)
    untouched = open_period(year, valuation_day=18_993 + 72, driver_actual=0.0, driver_planned=2_920.0)
    assert untouched.actual.rate == 0.0
    assert untouched.actual.unabsorbed == pytest.approx(7_300.0)
    assert untouched.planned.rate == pytest.approx(10.0)  # 29,200 over what is planned
    nothing = open_period(year, valuation_day=18_993 + 72, driver_actual=0.0, driver_planned=0.0)
    assert nothing.planned.rate == 0.0
    assert nothing.planned.unabsorbed == pytest.approx(29_200.0)


def test_a_period_that_is_over_and_one_that_is_ahead():
    over = open_period(YEAR, valuation_day=20_000, driver_actual=5_000.0, driver_planned=0.0)
    whole = pool_rate(36_500.0, 5_000.0, 3_650.0)
    assert over.actual == whole
    assert over.planned == (0.0, 0.0, 0.0)
    ahead = open_period(YEAR, valuation_day=18_992, driver_actual=0.0, driver_planned=1_000.0)
    assert ahead.actual == (0.0, 0.0, 0.0)
    assert ahead.planned.rate == pytest.approx(10.0)
    one_day = open_period(Period(100.0, 19_000, 19_000, 0.0), 19_000, 4.0, 0.0)
    assert one_day.actual.rate == pytest.approx(25.0)
    with pytest.raises(ValueError, match="pool 1: its period ends before it starts"):
        open_period(Period([1.0, 1.0], 19_000, [19_000, 18_999], 1.0), 19_000, 1.0, 1.0)


@given(
    amount=st.floats(0.0, 1e6),
    done=quantities,
    plan=quantities,
    other_plan=quantities,
    capacity=quantities,
    past=st.integers(-10, 380),
)
def test_a_plan_never_reprices_the_past(amount, done, plan, other_plan, capacity, past):
    period = YEAR._replace(amount=amount, normal_capacity=capacity)
    one, other = (open_period(period, 18_992 + past, done, planned) for planned in (plan, other_plan))
    assert one.actual == other.actual
    if capacity > 0 or done > 0:
        assert one.planned.rate == other.planned.rate
    total = sum(part.absorbed + part.unabsorbed for part in one[:2])
    assert total == pytest.approx(amount, abs=1e-6 + 1e-12 * one.planned.absorbed)


def test_a_press_house_fully_used_by_mid_september_leaves_nothing_idle():
    """24,000 for 70,000 kg: once 17,951 stood in the must on 30 September and 6,049 were called idle."""
    year = Period(24_000.0, 20_089, 20_453, normal_capacity=70_000.0, seasonal=True)
    for valued in (20_089 + 257, 20_089 + 272, 20_453, 20_600):
        season = open_period(year, valuation_day=valued, driver_actual=70_000.0, driver_planned=0.0)
        assert season.actual.absorbed == pytest.approx(24_000.0)
        assert season.actual.unabsorbed + season.planned.unabsorbed == pytest.approx(0.0, abs=1e-9)


def test_what_an_open_season_has_not_used_is_idle_at_its_end_alone():
    year = YEAR._replace(seasonal=True)
    season = open_period(year, valuation_day=19_000, driver_actual=365.0, driver_planned=0.0)
    assert season.actual.rate == pytest.approx(10.0)
    assert season.actual.unabsorbed == 0.0
    assert season.planned.unabsorbed == pytest.approx(32_850.0)  # not yet used
    over = open_period(year, valuation_day=19_357, driver_actual=365.0, driver_planned=0.0)
    assert over.actual.rate == season.actual.rate  # the valuation date moves nothing
    assert over.actual.unabsorbed == pytest.approx(32_850.0)
    assert over.planned.unabsorbed == 0.0


def test_the_rate_carried_on_is_that_of_normal_capacity_or_of_what_was_used():
    for capacity, rate in ((100.0, 7.0), (0.0, 14.0)):
        closed = open_period(Period(700.0, 1, 10, capacity), 20, driver_actual=50.0, driver_planned=0.0)
        assert closed.carried_on == pytest.approx(rate)


@pytest.mark.parametrize("seasonal", [False, True])
@pytest.mark.parametrize("capacity", [0.0, 200.0])
@pytest.mark.parametrize("done", [0.0, 50.0])
@pytest.mark.parametrize("planned", [0.0, 30.0])
def test_the_unit_of_a_driver_does_not_matter(seasonal: bool, capacity: float, done: float, planned: float):
    """In thousands every rate is a thousand times as high, and what is absorbed is the same."""
    for today in (-5, 0, 4, 9, 20):
        whole, thousandths = (
            open_period(Period(700.0, 0, 9, capacity / unit, seasonal), today, done / unit, planned / unit)
            for unit in (1.0, 1000.0)
        )
        for one, other in zip(whole[:2], thousandths[:2], strict=True):
            assert other.rate == pytest.approx(1000.0 * one.rate)
            np.testing.assert_allclose(other[1:], one[1:], rtol=1e-12, atol=1e-9)
        assert thousandths.carried_on == pytest.approx(1000.0 * whole.carried_on)


# Service departments: 2 services, 3 productions

OWN = np.array([600.0, 400.0])
AMONG = np.array([[0.0, 0.2], [0.1, 0.0]])
OUT = np.array([[0.4, 0.3, 0.1], [0.3, 0.3, 0.3]])


def test_direct_ignores_what_services_do_for_each_other():
    np.testing.assert_allclose(direct(OWN, AMONG, OUT), 600 * np.array([4, 3, 1]) / 8 + 400 * np.array([1, 1, 1]) / 3)


def test_step_down_closes_one_department_after_the_other():
    first = 600 * np.array([0.4, 0.3, 0.1]) + (400 + 120) / 3
    np.testing.assert_allclose(step_down(OWN, AMONG, OUT), first)
    second = 400 * np.array([0.3, 0.3, 0.3]) + (600 + 40) * np.array([4, 3, 1]) / 8
    np.testing.assert_allclose(step_down(OWN[::-1], AMONG[::-1, ::-1], OUT[::-1]), second)


def test_reciprocal_is_the_limit_of_handing_on_again_and_again():
    held, charged = OWN.copy(), np.zeros(3)
    for _ in range(60):
        charged += held @ OUT
        held = held @ AMONG
    np.testing.assert_allclose(reciprocal(OWN, AMONG, OUT), charged, rtol=1e-12)


@st.composite
def service_departments(draw):
    services, productions = draw(st.integers(1, 5)), draw(st.integers(1, 4))
    own = draw(st.lists(st.floats(0, 1e5), min_size=services, max_size=services))
    flow = st.lists(st.floats(0.0, 10.0), min_size=services, max_size=services)
    among = draw(st.lists(flow, min_size=services, max_size=services))
    served = st.lists(st.floats(0.5, 10.0), min_size=productions, max_size=productions)
    return (
        np.array(own),
        np.array(among),
        np.array(draw(st.lists(served, min_size=services, max_size=services))),
    )


@pytest.mark.parametrize("method", SERVICE_METHODS)
@given(departments=service_departments(), scale=st.floats(0.1, 100.0))
def test_every_cent_reaches_production_and_units_do_not_matter(method, departments, scale):
    own, among, out = departments
    charged = SERVICE_METHODS[method](own, among, out)
    assert charged.sum() == pytest.approx(own.sum(), rel=1e-9, abs=1e-9)
    np.testing.assert_allclose(SERVICE_METHODS[method](own, among * scale, out * scale), charged, rtol=1e-8)


@given(departments=service_departments())
def test_without_service_among_services_all_methods_agree(departments):
    own, among, out = departments
    by_method = [method(own, among * 0, out) for method in SERVICE_METHODS.values()]
    np.testing.assert_allclose(by_method[1], by_method[0], rtol=1e-9)
    np.testing.assert_allclose(by_method[2], by_method[0], rtol=1e-9)


def test_cost_that_can_reach_no_production_is_refused():
    with pytest.raises(ValueError, match="department 1: it has cost that reaches no production"):
        direct(OWN, AMONG, np.array([[1.0], [0.0]]))
    only_each_other = np.array([[0.0, 1.0], [1.0, 0.0]])
    with pytest.raises(ValueError, match="department 0"):
        reciprocal(OWN, only_each_other, np.zeros((2, 1)))
    # the first hands half to the second, which serves nobody
    with pytest.raises(ValueError, match="department 1"):
        reciprocal([100.0, 0.0], [[0.0, 0.5], [0.0, 0.0]], [[0.5], [0.0]])
    with pytest.raises(ValueError, match="department 1"):
        step_down([100.0, 0.0], [[0.0, 0.5], [0.0, 0.0]], [[0.5], [0.0]])
    # a department that costs nothing and receives nothing may serve nobody
    for method in SERVICE_METHODS.values():
        np.testing.assert_allclose(method([100.0, 0.0], np.zeros((2, 2)), [[1.0], [0.0]]), [100.0])


def test_cost_reaches_production_through_other_services():
    """The first serves the second alone, the second the third, and that one production."""
    among = np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [0.0, 0.0, 0.0]])
    out = np.array([[0.0, 0.0], [0.0, 0.0], [1.0, 3.0]])
    for method in (reciprocal, step_down):
        np.testing.assert_allclose(method([100.0, 20.0, 0.0], among, out), [30.0, 90.0])


def test_tables_that_do_not_fit_are_refused():
    with pytest.raises(ValueError, match="square table"):
        direct(OWN, AMONG[:1], OUT)
    with pytest.raises(ValueError, match="service to production is -1"):
        direct(OWN, AMONG, -np.ones((2, 1)))


def test_an_open_season_without_a_normal_capacity_is_cut_by_days() -> None:
    """30 of 100 days are past: 30 % of 1,000 is shared by the 10 units done, the rest waits."""
    found = open_period(Period(1_000.0, 0, 99, 0.0, seasonal=True), 29, 10.0, 5.0)
    assert float(found.actual.rate) == pytest.approx(30.0)
    assert float(found.planned.rate) == pytest.approx(30.0)
    assert float(found.planned.unabsorbed) == pytest.approx(700.0 - 150.0)
