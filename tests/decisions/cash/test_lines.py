"""Lines of credit by hand, period by period: drawn where cash falls below what is kept, repaid from what is over.

A month costs 1 % of what is owed at 12 % a year.
"""

from __future__ import annotations

import numpy as np
import pytest

from costing.decisions.budget.loans import AT_ONCE, Drawdowns, Lines, draw_as_needed, schedule

KEEP = 100.0


def drawn(change: list[float], lines: Lines, start: float = KEEP, month: float = 1.0) -> Drawdowns:
    return draw_as_needed(np.array(change), np.full(len(change), month), start, KEEP, lines)


def line(owed: float, most: list[float], *, is_due: bool = False, step: float = 0.0) -> Lines:
    """One line at 12 % a year, its interest due with the repayment or by the month."""
    limit = np.array([most])
    return Lines(np.array([owed]), limit, np.full(limit.shape, 0.12), np.full(limit.shape, is_due), np.array([step]))


def test_the_cheapest_line_is_drawn_first_and_the_dearest_repaid_first() -> None:
    """1,500 are lacking: 1,000 at 6 % and 500 at 12 %. Of 700 in the next month 510 clear the dear one, and 190 bring
    back what they do of the other, of which each euro takes 1 cent of interest with it.
    """
    most, rate = np.array([[2_000.0] * 2, [1_000.0] * 2]), np.array([[0.12] * 2, [0.06] * 2])
    lines = Lines(np.zeros(2), most, rate, np.zeros((2, 2), dtype=bool), np.zeros(2))
    made = drawn([-1_500.0, 700.0], lines)
    back = 190 / 1.01
    assert made.drawn == pytest.approx(np.array([[500.0, 0.0], [1_000.0, 0.0]]))
    assert made.charged == pytest.approx(np.array([[5.0, 5.0], [5.0, 5.0]]))
    assert made.repaid == pytest.approx(np.array([[0.0, 500.0], [0.0, back]]))
    assert made.interest == pytest.approx(np.array([[0.0, 10.0], [0.0, 190 - back]]))
    assert made.owed == pytest.approx(np.array([[500.0, 0.0], [1_000.0, 1_000 - back]]))
    assert made.balance == pytest.approx([KEEP, KEEP])
    assert made.short.tolist() == [0.0, 0.0]


@pytest.mark.parametrize("month", [1.0, 0.5])
def test_interest_due_by_the_month_is_drawn_too_with_its_own_interest(month: float) -> None:
    cost = 0.01 * month
    made = drawn([0.0], line(1_000.0, [1e9], is_due=True), month=month)
    more = 1_000 * cost / (1 - cost)
    assert made.drawn[0] == pytest.approx([more])
    assert made.interest[0] == pytest.approx([(1_000 + more) * cost])
    assert made.balance == pytest.approx([KEEP])


def test_a_line_that_ends_is_repaid_though_nothing_is_over() -> None:
    made = drawn([0.0, 0.0], line(1_000.0, [1_000.0, 0.0]))
    assert made.repaid[0].tolist() == [0.0, 1_000.0]
    assert made.interest[0] == pytest.approx([0.0, 20.0])
    assert made.owed[0].tolist() == [1_000.0, 0.0]
    assert made.balance == pytest.approx([KEEP, KEEP - 1_020])
    assert made.short == pytest.approx([0.0, 1_020.0])


def test_half_a_euro_is_due_at_the_end_and_a_limit_of_one_is_no_end() -> None:
    assert drawn([0.0, 0.0], line(0.5, [1_000.0, 0.0])).repaid[0].tolist() == [0.0, 0.5]
    assert not drawn([0.0, 0.0], line(1.0, [1.0, 1.0])).repaid.any()


def test_draws_and_repayments_go_by_steps_within_the_limit() -> None:
    """1,500 are lacking, 1,700 may be drawn in thousands: 1,000. Then 499 over bring nothing back, 1,999 all of it."""
    made = drawn([-1_500.0, 999.0, 1_500.0], line(0.0, [1_700.0] * 3, step=1_000.0))
    assert made.drawn[0].tolist() == [1_000.0, 0.0, 0.0]
    assert made.repaid[0].tolist() == [0.0, 0.0, 1_000.0]
    assert made.interest[0] == pytest.approx([0.0, 0.0, 30.0])
    assert made.balance == pytest.approx([-400.0, 599.0, 1_069.0])
    assert made.short == pytest.approx([500.0, 0.0, 0.0])
    within = drawn([-1_500.0], line(0.0, [2_000.0], step=1_000.0))
    assert (within.drawn[0].tolist(), within.balance.tolist()) == ([2_000.0], [600.0])


def test_what_is_lacking_or_over_by_less_than_a_cent_moves_nothing() -> None:
    made = drawn([-0.004, 0.0, 0.007], line(0.0, [1e9] * 3))
    assert not made.drawn.any()
    assert drawn([0.004], line(50.0, [1e9])).repaid.tolist() == [[0.0]]
    assert drawn([0.02], line(50.0, [1e9])).repaid.sum() == pytest.approx(0.02 / 1.01)


def test_what_just_clears_a_line_with_its_interest_clears_it_though_it_is_no_whole_number_of_steps() -> None:
    """1,500 owed in steps of 1,000, and 15 of interest: 1,515 are over; of 1,510 a step goes back."""
    assert drawn([1_510.0], line(1_500.0, [1e9], step=1_000.0)).repaid.tolist() == [[1_000.0]]
    made = drawn([1_515.0], line(1_500.0, [1e9], step=1_000.0))
    assert made.repaid.tolist() == [[1_500.0]]
    assert made.interest[0] == pytest.approx([15.0])
    assert made.balance == pytest.approx([KEEP])


def test_steps_of_one_are_whole_amounts() -> None:
    """400.40 are lacking: 401. Of 101.50 over, 99 go back, with 1.98 for two months at 1 %."""
    made = drawn([-400.4, 100.9], line(0.0, [1e9] * 2, step=1.0))
    assert made.drawn[0].tolist() == [401.0, 0.0]
    assert made.repaid[0].tolist() == [0.0, 99.0]
    assert made.interest[0] == pytest.approx([0.0, 1.98])


def test_a_line_drawn_by_half_a_euro_is_not_repaid_in_the_same_month() -> None:
    """Of 1,000.50 lacking the cheap line bears 0.50, the dear one 2,000 in one step: 999.50 are over until the next."""
    most, rate = np.array([[0.5] * 2, [1e9] * 2]), np.array([[0.06] * 2, [0.12] * 2])
    lines = Lines(np.zeros(2), most, rate, np.zeros((2, 2), dtype=bool), np.array([0.0, 2_000.0]))
    made = drawn([-1_000.5, 0.0], lines)
    assert made.drawn.tolist() == [[0.5, 0.0], [2_000.0, 0.0]]
    assert made.repaid.tolist() == [[0.0, 0.5], [0.0, 0.0]]


def test_a_loan_repaid_at_once_pays_interest_by_its_months_and_is_owed_to_the_end() -> None:
    """1,000 at 12 % for a year, interest by the quarter; with no months given, in one sum."""
    begins, due = (int(np.datetime64(day).astype(int)) for day in ("2025-01-01", "2026-01-01"))
    table = schedule(1_000.0, 0.12, begins, due, AT_ONCE, 3)
    assert table.day.astype("datetime64[D]").astype(str).tolist() == [
        *("2025-01-01", "2025-04-01", "2025-07-01", "2025-10-01", "2026-01-01")
    ]
    assert table.interest == pytest.approx([0.0, 30.0, 30.0, 30.0, 30.0])
    assert table.principal.tolist() == [0.0, 0.0, 0.0, 0.0, 1_000.0]
    assert table.owed.tolist() == [1_000.0] * 4 + [0.0]
    assert table.owed_on([begins - 1, begins, due - 1, due]).tolist() == [0.0, 1_000.0, 1_000.0, 0.0]
    once = schedule(1_000.0, 0.12, begins, due, AT_ONCE, None)
    assert (once.interest.tolist(), once.principal.tolist()) == ([0.0, 120.0], [0.0, 1_000.0])
