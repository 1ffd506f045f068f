"""The bank's view: what is lent on the stock, each loan with its headroom, debt by month, what stock is insured for,
and the interest of the loans beside the capital that prices charge.

    capital charged = interest of the loans
                    + the same debt at the hurdle instead of the rate of the loans
                    + the hurdle on the part of the stock that no loan pays for

Conventions: headroom is that of `decisions.budget.borrowing`; of a loan that is not drawn at will it is what its base
exceeds it by. Stock is insured at what making it again costs today. Debt and stock of the comparison are means over
the planned months of the first year: stock is the capital charged over the hurdle.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from costing.accounts.pledges import PLEDGED, group_of
from costing.array_types import Floats
from costing.calendar import MONTHS_A_YEAR
from costing.decisions.budget.borrowing import Loan
from costing.decisions.budget.budget import Budget, last_of_year
from costing.decisions.budget.loans import AT_WILL
from costing.model import Runs
from costing.results.lots import as_dates
from costing.results.roll_forward import roll_forward
from costing.results.stock import stock_values


def bank_tables(runs: Runs, money: Budget) -> dict[str, pd.DataFrame]:
    """Tables of the sheet Borrowing."""
    return {
        "loans_now": _loans_now(money),
        "debt_by_month": _debt_by_month(money),
        "lent_on_stock": _lent_on_stock(money),
        "insured_value": _insured(runs),
        "interest_and_capital": interest_and_capital(runs, money),
    }


def owed_on_loan(money: Budget, loan: Loan) -> Floats:
    """What is owed on a row of Loans on the valuation date and at the end of each planned period."""
    days = np.concatenate([[money.periods.today], money.periods.edge[1:][money.periods.planned]])
    if loan.repayment != AT_WILL:
        return money.schedules[loan.row].owed_on(days)
    line = money.line_names.index(loan.name)
    owed = np.concatenate([[money.lines.owed[line]], money.drawn.owed[line]])
    return np.where((loan.begins <= days) & (loan.due > days), owed, 0.0)


def headroom_of_loans(money: Budget) -> Iterator[tuple[Loan, Floats]]:
    """Loans with anything to draw or pledged, and their headroom on the valuation date and in each planned period."""
    days = np.concatenate([[money.periods.today], money.periods.edge[1:][money.periods.planned]])
    for loan in money.loans:
        if loan.repayment != AT_WILL and not loan.secured:
            continue
        most = money.bases.of(loan)
        if loan.repayment == AT_WILL:
            most = np.minimum(most, loan.amount)
        runs_then = (loan.begins <= days) & (loan.due > days)
        yield loan, np.where(runs_then, most - owed_on_loan(money, loan), np.inf)


def _loans_now(money: Budget) -> pd.DataFrame:
    """Every loan that runs on the valuation date or later."""
    names = np.array(money.periods.names)[money.periods.planned]
    room = {loan.row: headroom for loan, headroom in headroom_of_loans(money)}
    rows = []
    for loan in money.loans:
        owed, base = owed_on_loan(money, loan), money.bases.of(loan)[0]
        if loan.due <= money.periods.today:
            continue
        headroom = room.get(loan.row, np.full(len(owed), np.inf))
        low = int(np.argmin(headroom[1:]))
        rows.append(
            {
                "loan": loan.name,
                "owed_now": owed[0],
                "headroom_now": headroom[0],
                "lowest_headroom": headroom[1:][low],
                "lowest_in": names[low] if np.isfinite(headroom[1:][low]) else "",
                "least_headroom": loan.least,
                "loan_amount": loan.amount,
                "borrowing_base": base,
                "loan_rate": loan.rate,
                "repayment": loan.repayment,
                "due": as_dates(np.array([loan.due]))[0],
            }
        )
    return pd.DataFrame(rows).replace([np.inf, -np.inf], np.nan)


def _debt_by_month(money: Budget) -> pd.DataFrame:
    """Debt and what may be owed, with interest charged, drawn and repaid on lines, by month."""
    planned = money.periods.planned
    frame = pd.DataFrame({"cash_month": np.array(money.periods.names)[planned]})
    fixed = money.debt - money.drawn.owed.sum(axis=0)
    frame["debt"] = money.debt
    frame["may_be_owed"] = fixed + money.lines.most.sum(axis=0)
    frame["drawn_on_lines"], frame["repaid_on_lines"] = money.drawn.drawn.sum(axis=0), money.drawn.repaid.sum(axis=0)
    frame["interest_charged"] = _interest_by_month(money)
    return frame


def _interest_by_month(money: Budget) -> Floats:
    """Interest of all loans in each planned period: of lines as it accrues, of others as they pay it."""
    total = money.drawn.charged.sum(axis=0)
    planned = np.flatnonzero(money.periods.planned)
    for schedule in money.schedules.values():
        period = money.periods.of(schedule.day)
        inside = period >= 0
        total = total + np.bincount(period[inside], schedule.interest[inside], money.periods.count)[planned]
    return np.asarray(total)


def _lent_on_stock(money: Budget) -> pd.DataFrame:
    """What each loan is lent on at the valuation date, by kind of stock."""
    rows = [
        {
            "loan": loan.name,
            "lent_on": name,
            "stock_at_cost": money.bases.value[loan.row, kind, 0],
            "not_eligible": money.bases.not_eligible[loan.row, kind, 0],
            "advance": loan.advance[kind],
            "lent": money.bases.lent[loan.row, kind, 0],
            "lent_in": loan.location or "all",
        }
        for loan in money.loans
        if loan.begins <= money.periods.today < loan.due
        for kind, name in enumerate(PLEDGED)
        if loan.advance[kind] > 0
    ]
    return pd.DataFrame(rows)


def _insured(runs: Runs) -> pd.DataFrame:
    """What stock cost and what making it again costs, by kind."""
    again, book = stock_values(runs.replacement), stock_values(runs.book)
    kind = [PLEDGED[group] if group >= 0 else "grapes" for group in group_of(again["kind"])]
    frame = pd.DataFrame({"lent_on": kind, "book_value": book["value"], "insured_value": again["value"]})
    return frame.groupby("lent_on", as_index=False, sort=False).sum()


def interest_and_capital(runs: Runs, money: Budget) -> pd.DataFrame:
    """The interest that loans cost over the year to come, and the capital that stock is charged in it."""
    year = last_of_year(money.periods)
    ends = money.periods.edge[1:][money.periods.planned][year]
    until = min(int(ends[-1]) if len(ends) else runs.today, runs.chain.horizon_day)
    curve = runs.economic.charges.curve
    if until <= runs.today or curve is None:
        return pd.DataFrame({"interest_line": []})
    year = year[ends <= until]
    months = money.periods.months[money.periods.planned][year]
    roll = roll_forward(runs.economic, runs.date, np.datetime64(until, "D"))
    capital = float(roll.loc[roll["stage"] == "total", "capital"].iloc[0])
    length = months.sum() / MONTHS_A_YEAR
    hurdle = float(curve.rate[max(int(np.searchsorted(curve.from_day, runs.today, "right")) - 1, 0)])
    interest = float(_interest_by_month(money)[year].sum())
    debt = float((money.debt[year] * months).sum() / months.sum()) if len(year) else 0.0
    stock = capital / (hurdle * length) if hurdle > 0 and length > 0 else 0.0
    lines = [
        ("interest of the loans", interest, debt, "what the bank is paid on the debt"),
        (
            "the same debt at the hurdle",
            hurdle * length * debt - interest,
            debt,
            "the hurdle is not the rate of the loans",
        ),
        (
            "stock that no loan pays for",
            hurdle * length * (stock - debt),
            stock - debt,
            "your own money in the stock must earn the hurdle too",
        ),
        ("capital charged to stock", capital, stock, f"at the hurdle of {hurdle:.1%}; what prices must earn"),
    ]
    return pd.DataFrame(lines, columns=["interest_line", "amount", "money_in_it", "reason"])
