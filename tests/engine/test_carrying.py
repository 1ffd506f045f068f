"""Day counts, growth and even accruals: closed forms, cuts, and a simulation in fractions of a day."""

import datetime
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from costing.engine.carrying import (
    DAY_COUNTS,
    AccrualCurve,
    RateCurve,
    day_numbers,
)
from tests.form import chosen

NAMES = list(DAY_COUNTS)
FIRST, LAST = 14_000, 22_000  # 2008 to 2030


def day(text):
    return int(np.datetime64(text, "D").astype(np.int64))


@st.composite
def rate_curves(draw, day_counts=tuple(NAMES)):
    steps = draw(st.lists(st.integers(FIRST, LAST), min_size=1, max_size=5, unique=True))
    rates = draw(st.lists(st.one_of(st.just(0.0), st.floats(-0.2, 0.5)), min_size=len(steps), max_size=len(steps)))
    return RateCurve(np.sort(steps), np.array(rates), draw(st.sampled_from(day_counts)))


@st.composite
def accrual_curves(draw):
    steps = draw(st.lists(st.integers(FIRST, LAST), min_size=1, max_size=5, unique=True))
    charges = draw(st.lists(st.floats(0.0, 10.0), min_size=len(steps), max_size=len(steps)))
    return AccrualCurve(np.sort(steps), np.array(charges))


days_held = st.integers(FIRST - 500, LAST + 500)


# Day counts and growth


def test_day_counts_over_one_leap_year():
    start, end = day("2024-01-01"), day("2025-01-01")
    assert DAY_COUNTS["Act/365"](start, end) == 366 / 365
    assert DAY_COUNTS["Act/360"](start, end) == 366 / 360
    assert DAY_COUNTS["30E/360"](start, end) == 1.0


@pytest.mark.parametrize("name", NAMES)
@given(first=days_held, second=days_held, third=days_held)
def test_day_counts_add_up_over_a_cut(name, first, second, third):
    years = DAY_COUNTS[name]
    assert years(first, second) + years(second, third) == pytest.approx(years(first, third), abs=1e-12)


def test_days_may_be_dates_integers_or_whole_floats():
    expected = np.array([19_000, 19_001])
    for given_days in (
        expected,
        expected.astype("datetime64[D]"),
        expected.astype(float),
        expected.astype("int32"),
    ):
        np.testing.assert_array_equal(day_numbers(given_days), expected)
    assert day_numbers([]).dtype == np.int64


@pytest.mark.parametrize("bad", [[19_000.5], [math.nan], ["2024-01-01"], np.array(["2024-01-01", "NaT"], "M8[D]")])
def test_days_that_are_no_days_are_refused(bad):
    with pytest.raises(ValueError, match=r"whole day numbers|date is missing"):
        day_numbers(bad)


def test_growth_multiplies_each_rate_over_its_own_days():
    curve = RateCurve(np.array([day("2020-01-01"), day("2021-01-01")]), np.array([0.04, 0.10]))
    # 2020 has 366 days; then 73 days of 2021
    assert curve.growth(day("2020-01-01"), day("2021-03-15")) == pytest.approx(
        1.04 ** (366 / 365) * 1.10 ** (73 / 365), rel=1e-14
    )


def test_the_first_rate_also_holds_before_its_date():
    curve = RateCurve(np.array([19_000, 20_000]), np.array([0.05, 0.08]))
    assert curve.growth(18_270, 18_635) == pytest.approx(1.05, rel=1e-14)
    assert curve.log_index(19_000) == 0.0
    assert RateCurve(np.array([19_000]), np.array([0.05])).log_index([19_000, 19_365]) == pytest.approx(
        [0, np.log(1.05)]
    )


@pytest.mark.parametrize("name", NAMES)
@given(start=days_held, end=days_held)
def test_rate_zero_grows_nothing(name, start, end):
    assert RateCurve.flat(0.0, name).growth(start, end) == 1.0
    assert RateCurve(np.array([FIRST, FIRST + 900]), np.zeros(2), name).growth(start, end) == 1.0


@given(curve=rate_curves(), start=days_held, cut=days_held, end=days_held)
def test_growth_is_the_same_however_it_is_cut(curve, start, cut, end):
    assert curve.growth(start, cut) * curve.growth(cut, end) == pytest.approx(curve.growth(start, end), rel=1e-12)
    assert curve.growth(start, end) * curve.growth(end, start) == pytest.approx(1.0, rel=1e-12)


def test_growth_works_on_arrays_and_broadcasts():
    curve = RateCurve(np.array([19_000, 19_365]), np.array([0.05, 0.10]))
    grown = curve.growth(19_000, np.array([19_000, 19_365, 19_730]))
    np.testing.assert_allclose(grown, [1.0, 1.05, 1.05 * 1.10], rtol=1e-14)


@pytest.mark.parametrize(
    ("from_day", "rate", "day_count", "words"),
    [
        ([19_000], [0.05], "Act/364", "unknown day count 'Act/364'. Did you mean"),
        ([19_000, 19_000], [0.05, 0.06], "Act/365", "rate 1: dates must ascend"),
        ([19_001, 19_000], [0.05, 0.06], "Act/365", "rate 1: dates must ascend"),
        ([19_000], [-1.0], "Act/365", "rate 0: an annual rate of -100 %"),
        ([19_000, 19_001], [0.05, math.nan], "Act/365", "rate 1: not a number"),
        ([19_000], [0.05, 0.06], "Act/365", "needs one date"),
        ([], [], "Act/365", "at least one"),
    ],
)
def test_a_curve_that_makes_no_sense_is_refused(from_day, rate, day_count, words):
    with pytest.raises(ValueError, match=words):
        RateCurve(np.array(from_day), np.array(rate), day_count)


def test_a_curve_keeps_its_own_copy():
    days, rates = np.array([19_000]), np.array([0.05])
    curve = RateCurve(days, rates)
    rates[0] = 9.0
    assert curve.growth(19_000, 19_365) == pytest.approx(1.05)
    with pytest.raises(ValueError, match="read-only"):
        curve.rate[0] = 9.0


# Even accruals


def test_amount_adds_each_charge_over_its_own_days():
    storage = AccrualCurve(np.array([19_000, 19_100, 19_200]), np.array([3.65, 7.30, 0.0]))
    assert storage.amount(19_000, 19_100) == pytest.approx(1.00)
    assert storage.amount(19_050, 19_150) == pytest.approx(0.50 + 1.00)
    assert storage.amount(18_000, 19_010) == pytest.approx(0.10)  # nothing before the first date
    assert storage.amount(19_190, 30_000) == pytest.approx(0.20)  # a charge of nothing from the end on
    assert storage.amount(18_000, 19_000) == 0.0
    assert storage.amount(19_200, 19_300) == 0.0


def test_at_one_rate_the_worth_is_the_closed_form():
    growth = 1.06 ** (500 / 365)
    expected = 2.0 * 500 / 365 * (growth - 1) / math.log(growth)
    worth = AccrualCurve.flat(2.0).value_at_end(19_000, 19_500, RateCurve.flat(0.06))
    assert worth == pytest.approx(expected, rel=1e-13)


@pytest.mark.parametrize("rate", [0.0, 1e-300, 1e-18, 1e-12, 1e-9, 1e-6, -1e-12])
def test_tiny_rates_keep_their_digits(rate):
    x = math.log1p(rate) * 730 / 365
    worth = AccrualCurve.flat(1.0).value_at_end(19_000, 19_730, RateCurve.flat(rate))
    assert worth == pytest.approx(2.0 * (1 + x / 2 + x * x / 6), rel=1e-15)


def test_intervals_of_no_length_are_worth_nothing():
    charge = AccrualCurve(np.array([19_000]), np.array([5.0]))
    for name in NAMES:
        curve = RateCurve(np.array([18_900, 19_100]), np.array([0.05, 0.07]), name)
        days = np.array([18_000, 18_900, 19_000, 19_050, 19_100, 25_000])
        np.testing.assert_array_equal(charge.value_at_end(days, days, curve), np.zeros(6))
        assert charge.value_at_end(19_050, 19_050, curve) == 0.0
    assert charge.value_at_end([], [], RateCurve.flat(0.05)).shape == (0,)


def test_a_single_day_late_in_a_long_history_keeps_its_digits():
    # 100 years at 10 %: the index is 13,780, the charges before weigh a million times this day's
    curve = RateCurve(np.array([0, 20_000]), np.array([0.10, 0.10]))
    charge = AccrualCurve(np.array([0, 30_000]), np.array([1.0, 1.0]))
    days = np.array([0, 36_500])
    log_day = math.log(1.10) / 365
    worth = charge.value_at_end(days, days + 1, curve)
    np.testing.assert_allclose(worth, math.expm1(log_day) / log_day / 365, rtol=1e-11)


def test_a_charge_that_has_always_run_is_worth_what_one_is_that_began_just_before():
    """Two thousand years at 8 % before the interval would leave none of its digits."""
    changes = np.array([FIRST, FIRST + 400, FIRST + 800, FIRST + 1_100])
    curve = RateCurve(changes, np.array([0.08, 0.05, 0.09, 0.08]))
    always, begun = AccrualCurve.flat(3.0), AccrualCurve(np.array([FIRST - 1]), np.array([3.0]))
    span = np.array([FIRST, FIRST + 10]), np.array([FIRST + 2_000, FIRST + 1_000])
    np.testing.assert_allclose(always.value_at_end(*span, curve), begun.value_at_end(*span, curve), rtol=1e-12)


def test_an_end_before_the_start_is_refused_with_its_row():
    with pytest.raises(ValueError, match="row 1: it ends on day 18999, before its start 19000"):
        AccrualCurve.flat(1.0).value_at_end(19_000, np.array([19_001, 18_999]), RateCurve.flat(0.05))
    with pytest.raises(ValueError, match="row 0"):
        AccrualCurve.flat(1.0).amount(19_000, 18_000)


@settings(max_examples=chosen(full=300, short=60))
@given(charge=accrual_curves(), curve=rate_curves(), days=st.tuples(days_held, days_held, days_held))
def test_a_cut_changes_nothing(charge, curve, days):
    start, cut, end = sorted(days)
    whole = charge.value_at_end(start, end, curve)
    halves = charge.value_at_end(start, cut, curve) * curve.growth(cut, end) + charge.value_at_end(cut, end, curve)
    assert halves == pytest.approx(whole, rel=1e-12, abs=1e-13)
    assert charge.amount(start, cut) + charge.amount(cut, end) == pytest.approx(
        charge.amount(start, end), rel=1e-12, abs=1e-13
    )


@given(charge=accrual_curves(), curve=rate_curves(), days=st.lists(days_held, min_size=2, max_size=12))
def test_rows_do_not_depend_on_their_company(charge, curve, days):
    starts, ends = np.array(days[:-1]), np.maximum(np.array(days[:-1]), np.array(days[1:]))
    together = charge.value_at_end(starts, ends, curve)
    alone = [float(charge.value_at_end(start, end, curve)) for start, end in zip(starts, ends, strict=True)]
    # prefix sums over other knots: at 50 % a year over twenty years growth is 2,000, and so is the loss of digits
    np.testing.assert_allclose(together, alone, rtol=1e-11, atol=1e-12)


@given(
    charge=accrual_curves(),
    curve=rate_curves(),
    scale=st.floats(0.01, 100),
    days=st.tuples(days_held, days_held),
)
def test_charges_times_k_are_worth_k_times_as_much(charge, curve, scale, days):
    scaled = AccrualCurve(charge.from_day, charge.annual_rate * scale)
    start, end = sorted(days)
    assert scaled.value_at_end(start, end, curve) == pytest.approx(
        charge.value_at_end(start, end, curve) * scale, rel=1e-12
    )


def simulated(charge, curve, start, end, steps_a_day=24):
    """Charge in the middle of every hour, interest by the standard library's calendar: no shared code."""
    epoch = datetime.date(1970, 1, 1)

    def fraction_of_a_year(number):
        if curve.day_count == "Act/365":
            return 1 / 365
        if curve.day_count == "Act/360":
            return 1 / 360
        today, tomorrow = (epoch + datetime.timedelta(days=number + k) for k in (0, 1))
        months = (tomorrow.year - today.year) * 12 + tomorrow.month - today.month
        return (30 * months + min(tomorrow.day, 30) - min(today.day, 30)) / 360

    worth = 0.0
    for number in range(start, end):
        rate = [r for d, r in zip(curve.from_day, curve.rate, strict=True) if d <= number] or [curve.rate[0]]
        charges = [s for d, s in zip(charge.from_day, charge.annual_rate, strict=True) if d <= number] or [0.0]
        per_step = charges[-1] / 365 / steps_a_day
        step_growth = (1 + rate[-1]) ** (fraction_of_a_year(number) / steps_a_day)
        for _ in range(steps_a_day):
            worth = worth * step_growth + per_step * math.sqrt(step_growth)
    return worth


@settings(max_examples=chosen(full=40, short=15), deadline=None)
@given(charge=accrual_curves(), curve=rate_curves(), start=st.integers(FIRST, LAST), length=st.integers(0, 300))
def test_the_worth_is_what_a_simulation_hour_by_hour_gives(charge, curve, start, length):
    worth = charge.value_at_end(start, start + length, curve)
    assert worth == pytest.approx(simulated(charge, curve, start, start + length), rel=1e-8, abs=1e-12)


@pytest.mark.parametrize("name", NAMES)
def test_simulation_across_a_change_of_charge_and_of_rate(name):
    curve = RateCurve(np.array([day("2023-01-31"), day("2024-02-28")]), np.array([0.03, 0.09]), name)
    changes = [day("2023-03-01"), day("2024-01-01"), day("2024-05-31")]
    charge = AccrualCurve(np.array(changes), np.array([1.5, 2.5, 0.0]))
    start, end = day("2023-01-01"), day("2024-07-01")
    worth = charge.value_at_end(start, end, curve)
    assert worth == pytest.approx(simulated(charge, curve, start, end), rel=1e-9)


@pytest.mark.parametrize("name", NAMES)
def test_what_accrues_up_to_any_day_around_the_end_of_february_is_what_accrued_before_and_on_that_day(name):
    """The 28th counts three days of 30/360 in one, so the last day of what is held matters."""
    rates, charge = RateCurve([FIRST], [0.08], name), AccrualCurve([FIRST], [1.0])
    start = day("2022-12-30")
    for end in range(day("2023-02-20"), day("2023-03-04")):
        for cut in (end - 1, end - 2, start + 1):
            before = charge.value_at_end(start, cut, rates) * rates.growth(cut, end)
            after = charge.value_at_end(cut, end, rates)
            assert charge.value_at_end(start, end, rates) == pytest.approx(before + after, rel=1e-13)
