"""Losses: one movement at a time, and an annual allowance against a ledger kept row by row."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from costing.graph.balance import IN, IN_PLACE, work_begins
from costing.graph.losses import abnormal_share, abnormal_share_beyond, allowed_losses


def test_loss_within_the_norm_is_borne_by_what_survives():
    # 1,000 L at a norm of 2 %: 980 L expected
    np.testing.assert_array_equal(abnormal_share(1000.0, [1000.0, 990.0, 980.0], 0.02), [0.0, 0.0, 0.0])


def test_loss_beyond_the_norm_takes_its_share():
    assert abnormal_share(1000.0, 931.0, 0.02) == pytest.approx(49 / 980)
    assert abnormal_share(1000.0, 1029.0, 0.02, allow_gains=True) == pytest.approx(-49 / 980)
    assert abnormal_share(1000.0, 1029.0, 0.02) == 0.0


def test_a_whole_lot_lost_is_abnormal_in_full():
    np.testing.assert_array_equal(abnormal_share(500.0, 0.0, [0.0, 0.05, 1.0]), [1.0, 1.0, 1.0])
    assert abnormal_share_beyond(500.0, 0.0, 800.0) == 1.0


def test_nothing_in_is_nothing_lost():
    assert abnormal_share(0.0, 0.0, 0.05) == 0.0
    assert abnormal_share(0.0, 40.0, 0.05) == 0.0  # an addition
    assert abnormal_share(100.0, 1.0, 1.0) == 0.0  # nothing was expected
    assert abnormal_share_beyond(100.0, 1.0, 100.0, allow_gains=True) == 0.0


def test_an_allowance_in_litres():
    np.testing.assert_allclose(abnormal_share_beyond(1000.0, [990.0, 970.0, 960.0], 30.0), [0, 0, 10 / 970])


@given(entered=st.floats(0.1, 1e6), kept=st.one_of(st.just(0.0), st.floats(1e-4, 1.0)), norm=st.floats(0.0, 0.99))
def test_a_loss_never_lowers_the_unit_cost_of_what_survives(entered, kept, norm):
    good = entered * kept
    share = float(abnormal_share(entered, good, norm))
    assert 0.0 <= share <= 1.0
    if good > 0:
        assert (1 - share) * entered / good >= 1 - 1e-9


@given(
    entered=st.floats(1.0, 1e6),
    kept=st.floats(0.0, 1.0),
    norm=st.floats(0.0, 0.99),
    scale=st.floats(1e-3, 1e3),
)
def test_the_unit_does_not_matter(entered, kept, norm, scale):
    one = abnormal_share(entered, entered * kept, norm)
    other = abnormal_share(entered * scale, entered * kept * scale, norm)
    assert other == pytest.approx(one, abs=1e-9)


@given(entered=st.floats(1.0, 1e6), kept=st.floats(0.0, 1.2), norm=st.floats(0.0, 1.0))
def test_a_norm_per_movement_is_an_allowance_of_norm_times_input(entered, kept, norm):
    by_norm = abnormal_share(entered, entered * kept, norm)
    assert abnormal_share_beyond(entered, entered * kept, norm * entered) == pytest.approx(by_norm, abs=1e-6)


def test_impossible_rows_are_refused_with_their_position():
    with pytest.raises(ValueError, match=r"row 1: a loss norm of 1\.2"):
        abnormal_share(1.0, 1.0, [0.1, 1.2])
    with pytest.raises(ValueError, match="row 0: a loss norm of nan"):
        abnormal_share(1.0, 1.0, np.nan)
    with pytest.raises(ValueError, match="row 1: the input is -1"):
        abnormal_share([1.0, -1.0], 1.0, 0.1)
    with pytest.raises(ValueError, match="row 0: the good output is nan"):
        abnormal_share(1.0, np.nan, 0.1)
    with pytest.raises(ValueError, match="row 0: the allowance is below 0"):
        abnormal_share_beyond(1.0, 1.0, -0.1)


# The annual allowance


def test_a_barrel_topped_every_quarter():
    # 1,000 L at 4 % a year: 10 L a quarter. 6 and 9 L are allowed, then 20 L meet 15 L, then 5 L meet 10 L.
    allowed, before = allowed_losses([0, 0, 0, 0], [10.0, 20.0, 30.0, 40.0], [6.0, 9.0, 20.0, 5.0])
    np.testing.assert_allclose(allowed, [6.0, 9.0, 15.0, 5.0])
    np.testing.assert_allclose(before, [10.0, 14.0, 15.0, 10.0])


def test_each_stocktake_and_each_lot_starts_afresh():
    segment = [4, 4, 2, 9]
    allowed, before = allowed_losses(segment, [10.0, 20.0, 5.0, 10.0], [30.0, 30.0, 6.0, 1.0])
    np.testing.assert_allclose(allowed, [10.0, 10.0, 5.0, 1.0])
    np.testing.assert_allclose(before, [10.0, 10.0, 5.0, 10.0])


@st.composite
def ledgers(draw):
    lengths = draw(st.lists(st.integers(1, 20), min_size=1, max_size=8))
    segment = np.repeat(np.arange(len(lengths)), lengths)
    rows = len(segment)
    amount = st.lists(st.one_of(st.just(0.0), st.floats(0.0, 100.0)), min_size=rows, max_size=rows)
    accrued, loss = np.array(draw(amount)), np.array(draw(amount))
    return segment, np.concatenate([np.cumsum(accrued[segment == one]) for one in np.unique(segment)]), loss


@given(ledger=ledgers())
def test_allowances_follow_the_ledger_row_by_row(ledger):
    segment, allowance, loss = ledger
    allowed, before = allowed_losses(segment, allowance, loss)
    used = 0.0
    for row, accrued in enumerate(allowance):
        if row == 0 or segment[row] != segment[row - 1]:
            used = 0.0
        now_used = min(used + loss[row], accrued)
        assert allowed[row] == pytest.approx(now_used - used, rel=1e-9, abs=1e-9)
        assert before[row] == pytest.approx(accrued - used, rel=1e-9, abs=1e-9)
        used = now_used
    assert (allowed <= loss).all()
    assert (allowed <= before).all()


@given(ledger=ledgers(), cut=st.floats(0.0, 1.0))
def test_a_loss_cut_in_two_on_one_day_is_allowed_as_much(ledger, cut):
    segment, allowance, loss = ledger
    whole = allowed_losses(segment, allowance, loss)[0]
    twice = np.repeat(segment, 2)
    halves = np.column_stack([loss * cut, loss - loss * cut]).ravel()
    in_two = allowed_losses(twice, np.repeat(allowance, 2), halves)[0].reshape(-1, 2).sum(axis=1)
    np.testing.assert_allclose(in_two, whole, rtol=1e-9, atol=1e-9)


def test_many_rows_of_one_lot_keep_their_digits():
    rows = 200_000
    allowed, _ = allowed_losses(np.zeros(rows, dtype=int), 0.1 * np.arange(1, rows + 1), 0.2)
    np.testing.assert_allclose(allowed, 0.1, rtol=1e-6)  # every loss is twice what accrued


def test_ledgers_that_make_no_sense_are_refused():
    with pytest.raises(ValueError, match="row 1: the loss is below 0"):
        allowed_losses([0, 0], [1.0, 2.0], [0.0, -1.0])
    with pytest.raises(ValueError, match="row 1: the allowance falls"):
        allowed_losses([0, 0], [2.0, 1.0], [0.0, 0.0])
    with pytest.raises(ValueError, match="must stand together"):
        allowed_losses([0, 1, 0], 1.0, 0.0)


def test_no_rows():
    allowed, before = allowed_losses([], [], [])
    assert allowed.shape == before.shape == (0,)


@pytest.mark.parametrize(("parts", "begins"), [((40.0, 60.0), [0, 1, 1]), ((60.0, 60.0), [0, 1, 2])])
def test_work_in_parts_is_one_as_far_as_the_lot_goes(parts: tuple[float, float], begins: list[int]) -> None:
    """Of 100 L; parts that together take more follow one another."""
    touches: Any = SimpleNamespace(
        flow=np.arange(3), role=np.array([IN, IN_PLACE, IN_PLACE]), first_of_lot=np.array([True, False, False])
    )
    flows: Any = SimpleNamespace(day=np.array([1, 2, 2]), sequence=np.zeros(3), operation=np.array([0, 5, 5]))
    balance: Any = SimpleNamespace(before=np.array([0.0, 100.0, 100.0]), drawn=np.array([0.0, *parts]))
    assert work_begins(touches, balance, flows).tolist() == begins


@pytest.mark.parametrize("wrong", [-0.01, 1.01, np.nan])
def test_the_first_norm_that_is_no_fraction_is_named_and_nothing_and_all_are_fractions(wrong: float) -> None:
    with pytest.raises(ValueError, match=r"row 2: a loss norm of .* is not a fraction from 0 to 1"):
        abnormal_share(100.0, 90.0, [0.0, 1.0, wrong])
