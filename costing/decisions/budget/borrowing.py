"""What the stock will bear of debt: loans of the sheet, base and headroom by month.

    base of a loan = Σ over kinds of  advance · (value − what is not eligible)
    headroom       = least of line and base, less what is owed

Conventions: stock counts at book cost, less a write-down to market; of a loan that names a place only what lies there
is eligible. Receivables are what customers owe for bottles sent. A loan without advances is lent on nothing: its base
has no end. After the last row of the workbook stock counts as on that day.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from costing.accounts.pledges import PLEDGED, RECEIVABLES, group_of
from costing.array_types import Floats, Ints
from costing.decisions.budget.entries import CashEntries
from costing.decisions.budget.loans import AT_WILL, Lines, Schedule, borrowing_base, schedule
from costing.graph.arrays import days
from costing.inputs.estate import Estate
from costing.inputs.loan_checks import ADVANCES
from costing.model import Runs
from costing.results.net_realisable import net_realisable_value


@dataclass(frozen=True, eq=False)
class Loan:
    """A row of Loans. row: its position; begins, due: day numbers; every_months: months between payments (None: blank);
    advance: on each of `PLEDGED`; location: "" for all stock.
    """

    row: int
    name: str
    begins: int
    due: int
    amount: float
    rate: float
    repayment: str
    every_months: int | None
    drawn: float
    step: float
    advance: Floats
    location: str
    least: float

    @property
    def secured(self) -> bool:
        """Whether anything is lent on."""
        return bool((self.advance > 0).any())


def loans_of(estate: Estate) -> tuple[Loan, ...]:
    """Loans of the sheet, in its order."""
    table = estate["loans"]
    begins, due = days(table["from_date"]), days(table["due_date"])
    advance = table[list(ADVANCES)].fillna(0.0).to_numpy()
    loans = []
    for row, line in enumerate(table.to_dict("records")):
        loans.append(
            Loan(
                row,
                str(line["loan"]),
                int(begins[row]),
                int(due[row]),
                float(line["amount"]),
                float(line["rate"]),
                str(line["repayment"]),
                None if pd.isna(line["payment_months"]) else int(line["payment_months"]),
                float(np.nan_to_num(line["drawn"])),
                float(np.nan_to_num(line["drawn_in_steps_of"])),
                advance[row],
                "" if pd.isna(line["location"]) else str(line["location"]),
                float(line["least_headroom"]),
            )
        )
    return tuple(loans)


def schedule_of(loan: Loan) -> Schedule:
    """Schedule of a loan with fixed payments."""
    return schedule(loan.amount, loan.rate, loan.begins, loan.due, loan.repayment, loan.every_months)


@dataclass(frozen=True, eq=False)
class Bases:
    """By loan, kind of stock (`PLEDGED`) and day, the valuation day first: value, what of it is not eligible, and what
    is lent on it [loans, kinds, days].
    """

    value: Floats
    not_eligible: Floats
    lent: Floats

    def of(self, loan: Loan) -> Floats:
        """Base of a loan on each day; without end where nothing is lent on."""
        if not loan.secured:
            return np.full(self.lent.shape[2], np.inf)
        return np.asarray(self.lent[loan.row].sum(axis=0))


def bases_of(runs: Runs, loans: tuple[Loan, ...], on: Ints, sold: CashEntries) -> Bases:
    """Bases of the loans on days. sold: entries of sales."""
    shape = (len(loans), len(PLEDGED), len(on))
    value, not_eligible, lent = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    if not any(loan.secured for loan in loans):
        return Bases(value, not_eligible, lent)
    owed = np.array([sold.amount[receivable(sold, int(day))].sum() for day in on])
    counted = np.minimum(on, runs.chain.horizon_day)
    dates, place = np.unique(counted, return_inverse=True)
    stock = net_realisable_value(runs.book, [np.datetime64(int(day), "D") for day in dates])
    day = np.searchsorted(dates, days(stock["date"]))
    group, where = group_of(stock["kind"]), stock["location"].astype(object).to_numpy()
    cost, down = stock["value"].to_numpy(), stock["write_down"].to_numpy()
    some = group >= 0
    for loan in loans:
        here = np.ones(len(stock), dtype=bool) if not loan.location else where == loan.location
        cell = (group * len(dates) + day)[some]
        size = len(PLEDGED) * len(dates)
        whole = np.bincount(cell, cost[some], size).reshape(len(PLEDGED), len(dates))
        out = np.bincount(cell, np.where(here, down, cost)[some], size).reshape(len(PLEDGED), len(dates))
        value[loan.row], not_eligible[loan.row] = whole[:, place], out[:, place]
        value[loan.row, RECEIVABLES] = owed
        lent[loan.row] = borrowing_base(value[loan.row], not_eligible[loan.row], loan.advance[:, np.newaxis])
    return Bases(value, not_eligible, lent)


def receivable(sold: CashEntries, day: int) -> np.ndarray:
    """Which entries of sales customers owe at the end of a day."""
    return np.asarray((sold.amount > 0) & (sold.incurred <= day) & (sold.paid > day))


def lines_of(
    loans: tuple[Loan, ...], bases: Bases, ends: Ints, today: int, starts: Ints
) -> tuple[tuple[str, ...], Lines]:
    """Names of the lines, and what they may do in each period. ends, starts: last days of the periods and of the ones
    before; bases: from the valuation day on.
    """
    rows = [loan for loan in loans if loan.repayment == AT_WILL]
    names = tuple(dict.fromkeys(loan.name for loan in rows))
    shape = (len(names), len(ends))
    most, rate, due = np.zeros(shape), np.zeros(shape), np.zeros(shape, dtype=bool)
    owed, step = np.zeros(len(names)), np.zeros(len(names))
    for line, name in enumerate(names):
        for loan in sorted((row for row in rows if row.name == name), key=lambda row: row.begins):
            runs_then = (loan.begins <= ends) & (loan.due > ends)
            base = bases.of(loan)[1:]
            most[line] = np.where(runs_then, np.minimum(loan.amount, base), most[line])
            rate[line] = np.where(loan.begins <= ends, loan.rate, rate[line])
            if loan.every_months:
                month = ends.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)
                first = np.datetime64(loan.begins, "D").astype("datetime64[M]").astype(np.int64)
                due[line] = np.where(loan.due > starts, (month - first) % loan.every_months == 0, due[line])
            if loan.begins <= today < loan.due:
                owed[line], step[line] = loan.drawn, loan.step
            elif loan.begins > today and not step[line]:
                step[line] = loan.step
    return names, Lines(owed, most, rate, due, step)
