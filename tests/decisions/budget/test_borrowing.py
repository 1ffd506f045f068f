"""Lines of several rows on the days on which one ends and the next begins, by hand."""

from __future__ import annotations

import numpy as np

from costing.decisions.budget.borrowing import Bases, Loan, lines_of
from costing.decisions.budget.loans import AT_WILL, Lines

ENDS = np.array(["2026-01-31", "2026-02-28", "2026-03-31", "2026-04-30"], dtype="datetime64[D]").astype(np.int64)
STARTS = np.append(ENDS[0] - 31, ENDS[:-1])
NOTHING_LENT_ON = Bases(*(np.zeros((1, 4, 5)) for _ in range(3)))


def day(text: str) -> int:
    return int(np.datetime64(text).astype(int))


def row(begins: str, due: str, amount: float, *, rate: float = 0.06, step: float = 0.0, drawn: float = 0.0) -> Loan:
    """A row of one line, its interest paid each month."""
    return Loan(0, "Line", day(begins), day(due), amount, rate, AT_WILL, 1, drawn, step, np.zeros(4), "", np.nan)


def lines(*rows: Loan, today: int = int(STARTS[0])) -> Lines:
    names, found = lines_of(rows, NOTHING_LENT_ON, ENDS, today, STARTS)
    assert names == ("Line",)
    return found


def test_a_line_may_be_drawn_from_the_day_it_opens_and_no_more_on_the_day_it_falls_due() -> None:
    found = lines(row("2026-01-31", "2026-03-31", 1_000.0))
    assert found.most[0].tolist() == [1_000.0, 1_000.0, 0.0, 0.0]
    assert found.rate[0].tolist() == [0.06] * 4


def test_interest_by_the_month_falls_in_no_month_after_the_one_that_a_line_ends_with() -> None:
    assert lines(row("2026-01-31", "2026-03-31", 1_000.0)).interest_due[0].tolist() == [True, True, True, False]


def test_on_the_day_on_which_one_row_follows_another_the_new_one_holds() -> None:
    first = row("2025-06-30", "2026-03-31", 1_000.0, step=50.0, drawn=300.0)
    found = lines(first, row("2026-03-31", "2027-03-31", 2_000.0, rate=0.05, step=100.0))
    assert found.most[0].tolist() == [1_000.0, 1_000.0, 2_000.0, 2_000.0]
    assert found.rate[0].tolist() == [0.06, 0.06, 0.05, 0.05]
    assert (found.owed.tolist(), found.step.tolist()) == ([300.0], [50.0])


def test_a_line_that_opens_or_ends_on_the_valuation_date_owes_what_its_running_row_says() -> None:
    first = row("2025-06-30", "2025-12-31", 1_000.0, step=50.0)
    found = lines(first, row("2025-12-31", "2027-03-31", 2_000.0, step=100.0, drawn=300.0))
    assert (found.owed.tolist(), found.step.tolist()) == ([300.0], [100.0])
