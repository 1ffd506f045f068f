"""What loans pay and cost: schedules of those with fixed payments, and lines drawn and repaid as cash needs it.

    instalment            = numpy_financial.pmt(rate / 12 · k, n, −amount), its interest ipmt and its principal ppmt
    drawn in a period     = keep − (balance + cash in − cash out − interest due), rounded up to a step, as room is left
    repaid in a period    = what is above keep, rounded down to a step
    interest of a period  = rate / 12 · months of the period · owed after the draw

Conventions: rates are nominal yearly, a month costs a twelfth. A line is drawn at the start of a period and repaid at
its end. Where interest is due with the repayment it accrues without interest on it and is paid on what is repaid.
Lines are drawn the cheapest first and repaid the dearest first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import numpy_financial as npf  # type: ignore[import-untyped]

from costing.array_types import Flags, Floats, Ints
from costing.calendar import MONTHS_A_YEAR, add_months, months_between
from costing.engine.carrying import day_numbers

EQUAL, AT_ONCE, AT_WILL = "equal instalments", "at once", "at will"
_CENT = 0.005


@dataclass(frozen=True, eq=False)
class Schedule:
    """Payments of one loan: day, interest, principal, owed after it [n]; day 0 of it is that of the loan."""

    day: Ints
    interest: Floats
    principal: Floats
    owed: Floats

    def owed_on(self, day: npt.ArrayLike) -> Floats:
        """What is owed at the end of each day; nothing before the loan is paid out."""
        place = np.searchsorted(self.day, np.asarray(day), side="right") - 1
        return np.where(place >= 0, self.owed[place], 0.0)


def schedule(amount: float, rate: float, begins: int, due: int, repayment: str, every_months: int | None) -> Schedule:
    """Schedule of a loan with fixed payments. begins, due: day numbers; every_months: months between payments (None:
    each month for instalments, and for a loan repaid at once interest with the repayment).
    """
    months = max(int(months_between(begins, due)), 1)
    step = every_months or (1 if repayment == EQUAL else months)
    count = max(months // step, 1)
    number = np.arange(1, count + 1)
    per_step = rate / MONTHS_A_YEAR * step
    if repayment == EQUAL:
        interest = -np.asarray(npf.ipmt(per_step, number, count, amount), dtype=np.float64)
        principal = -np.asarray(npf.ppmt(per_step, number, count, amount), dtype=np.float64)
    else:
        interest = np.full(count, amount * per_step)
        principal = np.where(number == count, amount, 0.0)
    day = day_numbers(add_months(np.datetime64(begins, "D"), number * float(step)))
    nothing = np.zeros(1)
    owed = np.maximum(amount - np.cumsum(principal), 0.0)
    owed[-1] = 0.0
    return Schedule(
        np.concatenate([[begins], day]),
        np.concatenate([nothing, interest]),
        np.concatenate([nothing, principal]),
        np.concatenate([[amount], owed]),
    )


@dataclass(frozen=True, eq=False)
class Lines:
    """Lines drawn at will, [lines] or [lines, periods]. owed, accrued: at the start; most: what may be owed in each
    period; rate: nominal yearly; interest_due: whether interest is paid in each period, apart from repayments;
    step: drawn and repaid in multiples of it (0: any amount).
    """

    owed: Floats
    most: Floats
    rate: Floats
    interest_due: Flags
    step: Floats

    @property
    def count(self) -> int:
        """Number of lines."""
        return len(self.owed)


@dataclass(frozen=True, eq=False)
class Drawdowns:
    """What lines did: drawn, repaid, interest paid, interest accrued and owed at the end [lines, periods]; balance at
    the end of each period, and what it lacked of the cash to keep [periods].
    """

    drawn: Floats
    repaid: Floats
    interest: Floats
    charged: Floats
    owed: Floats
    balance: Floats
    short: Floats


def draw_as_needed(change: Floats, months: Floats, start: float, keep: float, lines: Lines) -> Drawdowns:
    """Cash period by period. change: cash in less out before lines [periods]; months: length of each period; start:
    balance before; keep: balance below which lines are drawn.
    """
    shape = (lines.count, len(change))
    drawn, repaid, interest, charged, owed = (np.zeros(shape) for _ in range(5))
    balance, short = np.zeros(len(change)), np.zeros(len(change))
    debt, accrued, cash = lines.owed.astype(float).copy(), np.zeros(lines.count), start
    for period in range(len(change)):
        cost = lines.rate[:, period] / MONTHS_A_YEAR * months[period]
        due = lines.interest_due[:, period]
        cash += change[period] - float((accrued + debt * cost)[due].sum())
        for line in np.argsort(lines.rate[:, period], kind="stable"):
            need = keep - cash
            room = max(lines.most[line, period] - debt[line], 0.0)
            if need <= _CENT or room <= _CENT:
                continue
            net = 1.0 - cost[line] * due[line]  # interest on the draw itself may be due at the end of the period
            wanted = _stepped(need / net, lines.step[line], up=True)
            taken = min(wanted, _stepped(room, lines.step[line], up=False))
            drawn[line, period], debt[line], cash = taken, debt[line] + taken, cash + taken * net
        charged[:, period] = debt * cost
        accrued += charged[:, period]
        interest[due, period] = accrued[due]
        accrued[due] = 0.0
        for line in np.argsort(-lines.rate[:, period], kind="stable"):
            forced = debt[line] > 0 and lines.most[line, period] <= 0
            spare = cash - keep
            if debt[line] <= 0 or (spare <= _CENT and not forced) or (drawn[line, period] > 0 and not forced):
                continue
            each = 1.0 + accrued[line] / debt[line]
            back = debt[line]
            if not forced and back * each > spare:
                back = min(_stepped(spare / each, lines.step[line], up=False), back)
            paid = back * (each - 1.0)
            repaid[line, period], interest[line, period] = back, interest[line, period] + paid
            accrued[line] -= paid
            debt[line] -= back
            cash -= back + paid
        owed[:, period], balance[period], short[period] = debt, cash, max(keep - cash, 0.0)
    return Drawdowns(drawn, repaid, interest, charged, owed, balance, short)


def _stepped(amount: float, step: float, *, up: bool) -> float:
    """An amount as a multiple of a step."""
    if step <= 0:
        return amount
    return float((np.ceil(amount / step - 1e-9) if up else np.floor(amount / step + 1e-9)) * step)


def borrowing_base(value: Floats, not_eligible: Floats, advance: Floats) -> Floats:
    """What is lent on each kind of stock: advance · (value − what is not eligible), never below 0."""
    return np.asarray(np.maximum(value - not_eligible, 0.0) * advance)
