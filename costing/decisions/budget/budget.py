"""Cash period by period: what comes in and goes out by kind, loans, lines drawn as needed, balance.

    balance[t] = balance[t−1] + Σ kinds[t]

Conventions: a period is a calendar month; the one that the valuation date cuts is two. Up to the valuation date money
is as paid, later as planned. The balance starts from the bank balance of Settings on the valuation date: before it the
workbook holds no balance. Loans are a kind of payment: paid out and drawn in, interest and repayments out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from costing.array_types import Flags, Floats, Ints
from costing.calendar import add_months, financial_year, month_ends
from costing.decisions.budget.borrowing import Bases, Loan, bases_of, lines_of, loans_of, schedule_of
from costing.decisions.budget.entries import CASH_KINDS, CashEntries, cash_entries, spent_and_other
from costing.decisions.budget.loans import AT_WILL, Drawdowns, Lines, Schedule, draw_as_needed
from costing.decisions.budget.sales import cash_of_sales
from costing.engine.carrying import day_numbers
from costing.errors import Finding
from costing.model import Runs
from costing.once import asked_once

MONTHS_AHEAD = 24
LOANS = CASH_KINDS.index("loans")


@dataclass(frozen=True, eq=False)
class Periods:
    """edge: last day before the first period, and the last day of each [n + 1]; today: valuation day."""

    edge: Ints
    today: int

    @property
    def count(self) -> int:
        """Number of periods."""
        return len(self.edge) - 1

    @property
    def planned(self) -> Flags:
        """Whether each period is after the valuation date."""
        return np.asarray(self.edge[1:] > self.today)

    @property
    def months(self) -> Floats:
        """Length of each period as a part of its calendar month."""
        month = self.edge[1:].astype("datetime64[D]").astype("datetime64[M]")
        whole = day_numbers((month + 1).astype("datetime64[D]")) - day_numbers(month.astype("datetime64[D]"))
        return np.asarray(np.diff(self.edge) / whole)

    @property
    def names(self) -> list[str]:
        """Month of each period; with its last day where the valuation date cuts it short."""
        return [str(day)[:7] for day in self.edge[1:].astype("datetime64[D]")]

    def of(self, day: Ints) -> Ints:
        """Period of each day (−1: before the first, or after the last)."""
        period = np.searchsorted(self.edge, day, side="left") - 1
        return np.where((period >= 0) & (period < self.count), period, -1)


def periods_of(runs: Runs, months_ahead: int) -> Periods:
    """Months of the financial year up to the valuation date, and those ahead."""
    _, begins = financial_year(runs.today, runs.estate.settings.fiscal_year_start_month)
    ahead = runs.date.astype("datetime64[M]") + months_ahead
    ends = month_ends(begins - 1, ahead.astype("datetime64[D]"))
    return Periods(np.union1d(ends, [runs.today]).astype(np.int64), runs.today)


@dataclass(frozen=True, eq=False)
class Budget:
    """periods; entries: every amount but what lines do; by_kind: with lines [periods, kinds]; balance: NaN before the
    valuation date; schedules: of loans with fixed payments, by row of Loans; bases: on the valuation date and at
    the end of each planned period; drawn: what lines did in the planned periods.
    """

    periods: Periods
    entries: CashEntries
    by_kind: Floats
    balance: Floats
    loans: tuple[Loan, ...]
    schedules: dict[int, Schedule]
    bases: Bases
    lines: Lines
    line_names: tuple[str, ...]
    drawn: Drawdowns
    findings: tuple[Finding, ...]

    @property
    def change(self) -> Floats:
        """Money in less money out of each period."""
        return np.asarray(self.by_kind.sum(axis=1))

    @property
    def headroom(self) -> Floats:
        """What may still be drawn on lines at the end of each planned period, below 0 where more is owed."""
        return np.asarray((self.lines.most - self.drawn.owed).sum(axis=0))

    @property
    def debt(self) -> Floats:
        """What is owed on all loans at the end of each planned period."""
        ends = self.periods.edge[1:][self.periods.planned]
        fixed = sum((schedule.owed_on(ends) for schedule in self.schedules.values()), np.zeros(len(ends)))
        return np.asarray(self.drawn.owed.sum(axis=0) + fixed)


@asked_once
def budget(runs: Runs, months_ahead: int = MONTHS_AHEAD) -> Budget:
    """Cash of the workbook's own dates, month by month."""
    periods = periods_of(runs, months_ahead)
    until = int(periods.edge[-1])
    sold, findings = cash_of_sales(runs)
    loans = loans_of(runs.estate)
    schedules = {loan.row: schedule_of(loan) for loan in loans if loan.repayment != AT_WILL}
    fixed = [_loan_entries(loan, schedules[loan.row]) for loan in loans if loan.row in schedules]
    all_entries = CashEntries.joined([spent_and_other(runs, until), sold, *fixed])
    period = periods.of(all_entries.paid)
    inside = period >= 0
    cell = period[inside] * len(CASH_KINDS) + all_entries.kind[inside]
    summed = np.bincount(cell, all_entries.amount[inside], periods.count * len(CASH_KINDS))
    by_kind = np.asarray(summed, dtype=np.float64).reshape(periods.count, len(CASH_KINDS))
    planned = periods.planned
    ends = np.concatenate([[periods.today], periods.edge[1:][planned]])
    bases = bases_of(runs, loans, ends, sold)
    names, lines = lines_of(loans, bases, ends[1:], runs.today, periods.edge[:-1][planned])
    chosen = runs.estate.settings
    drawn = draw_as_needed(
        by_kind.sum(axis=1)[planned], periods.months[planned], chosen.bank_balance or 0.0, chosen.cash_to_keep, lines
    )
    by_kind[planned, LOANS] += (drawn.drawn - drawn.repaid - drawn.interest).sum(axis=0)
    balance = np.full(periods.count, np.nan)
    balance[planned] = drawn.balance
    return Budget(periods, all_entries, by_kind, balance, loans, schedules, bases, lines, names, drawn, tuple(findings))


def _loan_entries(loan: Loan, of: Schedule) -> CashEntries:
    """Paid out, interest and repayments of a loan with fixed payments."""
    row = np.full(len(of.day), loan.row)
    lent = np.zeros(len(of.day))
    lent[0] = loan.amount
    return cash_entries("loans", "loans", row, of.day, of.day, lent - of.interest - of.principal)


def last_of_year(periods: Periods) -> Ints:
    """Planned periods that end within twelve months of the valuation date, counted among the planned ones."""
    year = int(day_numbers(add_months(np.datetime64(periods.today, "D"), 12.0)))
    ends = periods.edge[1:][periods.planned]
    return np.flatnonzero(ends <= year)
