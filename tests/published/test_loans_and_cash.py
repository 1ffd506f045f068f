"""Cash budget, borrowing base and loan schedules of general finance texts."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy_financial as npf
import pytest

from costing.decisions.budget.loans import AT_ONCE, EQUAL, Lines, Schedule, borrowing_base, draw_as_needed, schedule
from tests.published.figures import Figure


def one_line(periods: int, *, owed: float = 0.0, most: float = 1e9, rate: float = 0.12, step: float = 0.0) -> Lines:
    """A line whose interest is due with the repayment."""
    whole = np.full((1, periods), 1.0)
    return Lines(np.array([owed]), most * whole, rate * whole, whole < 0, np.array([step]))


def cash_budget() -> list[float]:
    """Start 8,000, at least 4,000 kept, borrowed in thousands at the start of a month, 1 % a month simple, repaid with
    its interest at the end: drawn in the first two months, in hand at the end of each, interest.
    """
    receipts, payments = np.array([56_000, 67_200, 82_800]), np.array([62_650, 73_960, 72_250])
    made = draw_as_needed((receipts - payments).astype(float), np.ones(3), 8_000.0, 4_000.0, one_line(3, step=1_000.0))
    return [*made.drawn[0][:2].tolist(), *made.balance.tolist(), float(made.interest.sum())]


def certificate() -> list[float]:
    """Lent on receivables and on stock, and what may still be drawn when 1,000,000 is."""
    value, apart = np.array([2_000_000.0, 700_000.0]), np.array([120_000.0 + 60_000.0, 120_000.0])
    lent = borrowing_base(value, apart, np.array([0.85, 0.60]))
    return [*lent.tolist(), float(lent.sum()) - 1_000_000]


def a_year_by_month() -> Schedule:
    """2,500 over a year at 8.24 %."""
    return schedule(2_500.0, 0.0824, 0, 365, EQUAL, 1)


def six_instalments() -> list[float]:
    """1,000 at 2 % a month: the instalment, what is owed after the first, interest in all."""
    table = schedule(1_000.0, 0.24, 0, 182, EQUAL, None)
    return [float(table.interest[1] + table.principal[1]), float(table.owed[1]), float(table.interest.sum())]


def loan(amount: float, rate: float, months: int) -> Schedule:
    """Repaid in equal instalments by the month."""
    begins = np.datetime64("2001-01-01")
    due = (begins.astype("M8[M]") + months).astype("M8[D]")
    return schedule(amount, rate, int(begins.astype(int)), int(due.astype(int)), EQUAL, 1)


def instalment(table: Schedule) -> float:
    return float(table.interest[1] + table.principal[1])


def of_excel(name: str) -> str:
    return f"Microsoft, documentation of {name}; from memory"


BUDGET = "Cash budget of three months, textbook exercise (from its inputs)"
BASE = "Borrowing-base certificate, general finance text (from its inputs)"
IPMT = "numpy-financial, documentation of ipmt"
REDUCING = "sapling.com, How to Calculate a Reducing Balance Interest Rate"
PRINCIPAL = [200.58, 201.96, 203.35, 204.74, 206.15, 207.56, 208.99, 210.42, 211.87, 213.32, 214.79, 216.26]
OWED = [2299.42, 2097.46, 1894.11, 1689.37, 1483.22, 1275.66, 1066.67, 856.25, 644.38, 431.05, 216.26, 0.0]


def steps(source: str, found: Callable[[], Sequence[float]], digits: int, *stated: tuple[str, float], **more: float):
    return [
        Figure(source, what, figure, digits, lambda place=place: float(found()[place]), False, **more)
        for place, (what, figure) in enumerate(stated)
    ]


HOUSE = loan(125_000.0, 0.09, 360)

FIGURES = [
    *steps(
        BUDGET,
        cash_budget,
        0,
        *(
            ("drawn, 1", 3_000),
            ("drawn, 2", 7_000),
            ("in hand, 1", 4_350),
            ("in hand, 2", 4_590),
            ("in hand, 3", 4_910),
        ),
        ("interest", 230),
        is_worked_out=True,
    ),
    *steps(
        BASE,
        certificate,
        0,
        *(("on receivables", 1_547_000), ("on stock", 348_000), ("still to draw", 895_000)),
        is_worked_out=True,
    ),
    Figure(IPMT, "interest in all", 112.98, 2, lambda: float(a_year_by_month().interest.sum()), False),
    Figure(IPMT, "principal, first month", 200.58, 2, lambda: float(a_year_by_month().principal[1]), False),
    Figure(IPMT, "owed after half a year", 1_275.66, 2, lambda: float(a_year_by_month().owed[6]), False),
    *steps(
        REDUCING, six_instalments, 2, ("instalment", 178.53), ("owed", 841.47), ("interest", 71.15), rounded_before=0.01
    ),
    Figure(of_excel("PMT"), "instalment", 1_037.03, 2, lambda: instalment(loan(10_000.0, 0.08, 10)), False),
    Figure(of_excel("IPMT"), "first month", 66.67, 2, lambda: float(loan(8_000.0, 0.10, 36).interest[1]), False),
    Figure(of_excel("PPMT"), "first month", 75.62, 2, lambda: float(loan(2_000.0, 0.10, 24).principal[1]), False),
    Figure(of_excel("CUMIPMT"), "first month", 937.50, 2, lambda: float(HOUSE.interest[1]), False),
    Figure(of_excel("CUMIPMT"), "second year", 11_135.23, 2, lambda: float(HOUSE.interest[13:25].sum()), False),
    Figure(of_excel("CUMPRINC"), "first month", 68.28, 2, lambda: float(HOUSE.principal[1]), False),
    Figure(of_excel("CUMPRINC"), "second year", 934.11, 2, lambda: float(HOUSE.principal[13:25].sum()), False),
]


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.name)
def test_a_published_figure(figure: Figure) -> None:
    figure.check()


def test_the_amortisation_table_of_numpy_financial() -> None:
    table = a_year_by_month()
    np.testing.assert_allclose(table.principal[1:], PRINCIPAL, atol=0.005)
    np.testing.assert_allclose(table.owed[1:], OWED, atol=0.006)
    np.testing.assert_allclose(table.interest[1:] + table.principal[1:], -npf.pmt(0.0824 / 12, 12, 2_500.0))


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
