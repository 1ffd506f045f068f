"""Cash budget, borrowing base and loan schedules of general finance texts."""

from __future__ import annotations

import numpy as np
import numpy_financial as npf
import pytest

from costing.decisions.budget.loans import AT_ONCE, EQUAL, Lines, borrowing_base, draw_as_needed, schedule


def one_line(periods: int, *, owed: float = 0.0, most: float = 1e9, rate: float = 0.12, step: float = 0.0) -> Lines:
    """A line whose interest is due with the repayment."""
    whole = np.full((1, periods), 1.0)
    return Lines(np.array([owed]), most * whole, rate * whole, whole < 0, np.array([step]))


def test_a_cash_budget() -> None:
    # Textbook exercise, recomputed: start 8,000, at least 4,000 kept, borrowed in thousands at the start of a month,
    # 1 % a month simple, repaid with its interest at the end
    receipts, payments = np.array([56_000, 67_200, 82_800]), np.array([62_650, 73_960, 72_250])
    found = draw_as_needed((receipts - payments).astype(float), np.ones(3), 8_000.0, 4_000.0, one_line(3, step=1_000.0))
    np.testing.assert_allclose(found.drawn[0], [3_000, 7_000, 0])
    np.testing.assert_allclose(found.balance, [4_350, 4_590, 4_910])
    assert found.interest.sum() == pytest.approx(230.0)
    np.testing.assert_allclose(found.owed[0], [3_000, 10_000, 0])


def test_a_borrowing_base_certificate() -> None:
    # General finance text on borrowing-base certificates, recomputed
    value, apart = np.array([2_000_000.0, 700_000.0]), np.array([120_000.0 + 60_000.0, 120_000.0])
    lent = borrowing_base(value, apart, np.array([0.85, 0.60]))
    np.testing.assert_allclose(lent, [1_547_000, 348_000])
    assert lent.sum() - 1_000_000 == pytest.approx(895_000)


def test_the_amortisation_table_of_numpy_financial() -> None:
    # numpy-financial, documentation of `ipmt`: 2,500 over a year at 8.24 %, by month
    table = schedule(2_500.0, 0.0824, 0, 365, EQUAL, 1)
    principal = [200.58, 201.96, 203.35, 204.74, 206.15, 207.56, 208.99, 210.42, 211.87, 213.32, 214.79, 216.26]
    owed = [2299.42, 2097.46, 1894.11, 1689.37, 1483.22, 1275.66, 1066.67, 856.25, 644.38, 431.05, 216.26, 0.0]
    np.testing.assert_allclose(table.principal[1:], principal, atol=0.005)
    np.testing.assert_allclose(table.owed[1:], owed, atol=0.006)
    assert table.interest.sum() == pytest.approx(112.98, abs=0.005)
    np.testing.assert_allclose(table.interest[1:] + table.principal[1:], -npf.pmt(0.0824 / 12, 12, 2_500.0))


def test_six_instalments_at_two_per_cent_a_month() -> None:
    # sapling.com, "How to Calculate a Reducing Balance Interest Rate": 1,000 in six instalments of 178.53
    table = schedule(1_000.0, 0.24, 0, 182, EQUAL, None)
    np.testing.assert_allclose(table.interest[1:4] + table.principal[1:4], 178.53, atol=0.005)
    np.testing.assert_allclose(table.owed[1:2], 841.47, atol=0.006)
    assert table.interest.sum() == pytest.approx(71.15, abs=0.01)


def test_quarterly_instalments_and_a_loan_repaid_at_once() -> None:
    ten_years = (np.datetime64("2032-06-30") - np.datetime64("2022-06-30")).astype(int)
    begins = int(np.datetime64("2022-06-30", "D").astype(int))
    table = schedule(180_000.0, 0.029, begins, begins + int(ten_years), EQUAL, 3)
    number = np.arange(1, 41)
    np.testing.assert_allclose(table.interest[1:], -npf.ipmt(0.029 / 4, number, 40, 180_000.0))
    np.testing.assert_allclose(table.principal[1:], -npf.ppmt(0.029 / 4, number, 40, 180_000.0))
    assert str(table.day[1].astype("datetime64[D]")) == "2022-09-30"
    assert table.owed_on(begins - 1) == 0.0
    assert table.owed_on(begins + 1) == 180_000.0
    at_once = schedule(90_000.0, 0.041, begins, begins + 365, AT_ONCE, None)
    np.testing.assert_allclose([at_once.interest.sum(), at_once.principal.sum()], [3_690, 90_000])
    assert len(at_once.day) == 2
    by_half = schedule(90_000.0, 0.041, begins, begins + 365, AT_ONCE, 6)
    np.testing.assert_allclose(by_half.interest[1:], [1_845, 1_845])
