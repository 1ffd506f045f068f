"""Cash, as people read it: month by month, by kind, the worst month traced to its rows, what is owed and owing, and
the bank's view of the stock.

The worst month is the planned one with the least money in the bank and headroom together. Arithmetic:
`decisions.budget.budget`, `decisions.budget.loans`, `decisions.budget.borrowing`.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.answers.answer import Answer
from costing.answers.kinds import about
from costing.decisions.budget.budget import MONTHS_AHEAD, Budget, budget
from costing.decisions.budget.entries import CASH_KINDS, CashEntries
from costing.decisions.cash.bank import bank_tables, headroom_of_loans
from costing.decisions.cash.planned import as_planned
from costing.errors import Finding, caution
from costing.inputs.estate import Estate
from costing.inputs.owners import both_sides
from costing.inputs.schema import sheets
from costing.model import Runs
from costing.money.postings import MONEY_COLUMNS, TABLE_NAMES
from costing.once import asked_once
from costing.results.lots import as_dates

NO_CASH = "No money is paid or received in these months."
_NOTE_ON_PLAN = (
    "Disgorgements and sales are those of `costing plan`, on the sheet Release plan once `costing run` has written it; "
    "rows typed for lots that it plans do not count."
)
NOTHING_PLANNED = "Nothing can be planned, no lot having a price at its age: dates are the workbook's own."
LARGEST = 12
"""Lines of the worst month that are shown."""
_COLUMN = dict(reversed(MONEY_COLUMNS))  # the first of each table
_COLUMN |= {"dispatches": "net_price", "movements": "proceeds", "other_payments": "amount", "loans": "amount"}
_COLUMN |= {"service_rates": "rate"}


@asked_once
def cash(runs: Runs, months_ahead: int = MONTHS_AHEAD, *, planned: bool = False) -> Answer:
    """Cash month by month, what is owed and owing at the valuation date, and what the stock will bear of debt.

    planned: with the best joint plan of all lots in place of the disgorgements and sales typed for them.
    """
    typed, runs = runs, as_planned(runs) if planned else runs
    money = budget(runs, months_ahead)
    facts = runs.facts
    if not money.by_kind.any():
        return Answer({"cash_by_month": pd.DataFrame(columns=["cash_month"])}, money.findings, (), facts, NO_CASH)
    worst = worst_period(money)
    owed = owed_and_owing(runs, money.entries)
    ahead = money.periods.planned
    tables = {
        "cash_by_month": _by_month(money),
        "worst_month": _largest(runs, money, worst),
        "cash_by_kind": _by_kind(money, ahead),
        "cash_paid": _by_kind(money, ~ahead),
        "owed_and_owing": owed,
    }
    if money.loans:
        tables |= bank_tables(runs, money)
    facts["worst"] = money.periods.names[worst]
    says = [_worst_said(money, worst, runs.currency), _owed_said(runs, owed)]
    on = {"Owed and owing": tuple(says[1:]), "Borrowing": _headroom_said(tables.get("loans_now"), runs.currency)}
    if planned:
        says.insert(0, NOTHING_PLANNED if runs is typed else _NOTE_ON_PLAN)
    if runs.estate.settings.bank_balance is None:
        says.append(f"No bank balance is entered on Settings: cash is counted from 0 at the end of {facts['day']}.")
    findings = (*money.findings, *_short(runs, money), *_nothing_planned(runs))
    if planned and months_ahead > runs.estate.settings.plan_horizon_months:
        findings = (*findings, _beyond_the_plan(runs, months_ahead))
    return Answer(tables, findings, tuple(says), facts, NO_CASH, says_on=on)


def worst_period(money: Budget) -> int:
    """Planned period with the least money in the bank and headroom together."""
    planned = np.flatnonzero(money.periods.planned)
    return int(planned[np.argmin(money.balance[planned] + money.headroom)])


def _by_month(money: Budget) -> pd.DataFrame:
    """Planned periods: balance, headroom, in, out, change, debt."""
    planned = money.periods.planned
    kinds = money.by_kind[planned]
    names = np.array(money.periods.names)[planned]
    frame = pd.DataFrame({"cash_month": names, "cash_balance": money.balance[planned]})
    if len(money.lines.owed):
        frame["cash_headroom"] = money.headroom
    frame["cash_in"], frame["cash_out"] = kinds.clip(min=0.0).sum(axis=1), kinds.clip(max=0.0).sum(axis=1)
    frame["cash_change"] = kinds.sum(axis=1)
    if money.loans:
        frame["debt"] = money.debt
    frame["cash_short"] = money.drawn.short
    return frame


def _by_kind(money: Budget, which: np.ndarray) -> pd.DataFrame:
    """Change, and money of each kind in use, in some periods."""
    frame = pd.DataFrame({"cash_month": np.array(money.periods.names)[which], "cash_change": money.change[which]})
    used = [kind for kind in range(len(CASH_KINDS)) if money.by_kind[:, kind].any()]
    return frame.assign(**{f"cash:{CASH_KINDS[kind]}": money.by_kind[which, kind] for kind in used})


def described(estate: Estate, table: str, row: int) -> str:
    """What a row is, in words."""
    frame = estate[table]
    words = [frame[column].iloc[row] for column in sheets()[table].named_by]
    return " ".join(f"{word:.0f}" if isinstance(word, float) else str(word) for word in words if pd.notna(word))


def _lines(runs: Runs, of: CashEntries, keys: list[str]) -> pd.DataFrame:
    """Entries added up by kind, row and days, each with its cell."""
    columns = {"kind": of.kind, "table": of.table, "row": of.row, "incurred": of.incurred, "paid": of.paid}
    summed = {"amount": "sum", **{name: "max" for name in ("incurred", "paid") if name not in keys}}
    frame = pd.DataFrame({**columns, "amount": of.amount})
    frame = frame.groupby(["kind", "table", "row", *keys], as_index=False).agg(summed)
    estate = both_sides(runs.estate)
    rows = [(TABLE_NAMES[table], int(row)) for table, row in zip(frame["table"], frame["row"], strict=True)]
    return pd.DataFrame(
        {
            "place": [estate.place(name, row, _COLUMN.get(name)) for name, row in rows],
            "payment_kind": np.array(CASH_KINDS, dtype=object)[frame["kind"]],
            "what": [described(estate, name, row) for name, row in rows],
            "amount": frame["amount"],
            "incurred": as_dates(frame["incurred"].to_numpy()),
            "due": as_dates(frame["paid"].to_numpy()),
        }
    )


def _largest(runs: Runs, money: Budget, period: int) -> pd.DataFrame:
    """Largest lines of a period, money out first."""
    lines = _lines(runs, money.entries.take(money.periods.of(money.entries.paid) == period), [])
    order = np.argsort(-lines["amount"].abs().to_numpy(), kind="stable")[:LARGEST]
    chosen = lines.iloc[order].sort_values("amount", kind="stable")
    return chosen[["place", "payment_kind", "what", "amount", "due"]].reset_index(drop=True)


def unpaid(of: CashEntries, today: int) -> CashEntries:
    """What was incurred by the end of a day and is paid later, loans apart: they are debt."""
    return of.take((of.incurred <= today) & (of.paid > today) & (of.kind != CASH_KINDS.index("loans")))


def owed_and_owing(runs: Runs, of: CashEntries) -> pd.DataFrame:
    """What customers owe the estate (above 0) and it owes (below 0) at the valuation date, by the day it is due."""
    lines = _lines(runs, unpaid(of, runs.today), ["incurred", "paid"])
    return lines.sort_values(["due", "amount"], kind="stable", ignore_index=True)


def _worst_said(money: Budget, worst: int, currency: str) -> str:
    left = f"{about(money.balance[worst])} {currency} in the bank"
    month = int(np.flatnonzero(money.periods.planned).tolist().index(worst))
    more = f" and {about(money.headroom[month])} of headroom" if money.lines.count else ""
    return f"Worst month: {money.periods.names[worst]}, with {left}{more} at its end."


def _owed_said(runs: Runs, owed: pd.DataFrame) -> str:
    amount, day = owed["amount"], runs.date
    owing, owe = abs(float(amount[amount < 0].sum())), float(amount[amount > 0].sum())
    state = abs(float(amount[owed["payment_kind"].isin(["duty", "VAT"])].sum()))
    of_it = f", {about(state)} of it duty and VAT" if state else ""
    unpaid_said = f"{about(owing)} {runs.currency} is incurred and unpaid{of_it}"
    return f"At the end of {day} {unpaid_said}, and customers owe {about(owe)}."


def _headroom_said(loans: pd.DataFrame | None, currency: str) -> tuple[str, ...]:
    """What is owed on loans, and the least that may still be borrowed."""
    if loans is None or not len(loans):
        return ()
    owed = f"{about(loans['owed_now'].sum())} {currency} is owed on loans"
    lowest = loans.dropna(subset=["lowest_headroom"])
    if not len(lowest):
        return (f"{owed}.",)
    least = lowest.iloc[int(lowest["lowest_headroom"].to_numpy().argmin())]
    return (
        f"{owed}; headroom is least on {least['loan']}, {about(least['lowest_headroom'])} in {least['lowest_in']}.",
    )


def _short(runs: Runs, money: Budget) -> list[Finding]:
    """Cautions: months in which cash falls short, promises of headroom that are broken."""
    chosen, names = runs.estate.settings, np.array(money.periods.names)[money.periods.planned]
    findings = []
    short = np.flatnonzero(money.drawn.short > 0.5)
    if len(short):
        most = int(short[np.argmax(money.drawn.short[short])])
        rule = (
            f"from {names[short[0]]} on the bank balance falls short of what is kept, by "
            f"{money.drawn.short[most]:,.0f} in {names[most]}, and nothing more may be drawn."
        )
        findings.append(caution("Settings", f"{chosen.cash_to_keep:,.0f}", rule, "Borrow, sell earlier or pay later."))
    return [*findings, *_promises(runs, money, names)]


def _promises(runs: Runs, money: Budget, names: np.ndarray) -> list[Finding]:
    """Lines and loans whose least headroom is not kept."""
    findings = []
    for loan, headroom in headroom_of_loans(money):
        least = float(np.nan_to_num(loan.least))
        broken = np.flatnonzero(headroom[1:] < least - 0.5)
        if len(broken):
            low = int(np.argmin(headroom[1:]))
            rule = (
                f"the headroom of '{loan.name}' falls below what is promised from {names[broken[0]]} on, "
                f"to {headroom[1:][low]:,.0f} in {names[low]}."
            )
            place = runs.estate.place("loans", loan.row, "least_headroom")
            findings.append(caution(place, f"{least:,.0f}", rule, "Speak to the bank before it does."))
    return findings


def _beyond_the_plan(runs: Runs, months_ahead: int) -> Finding:
    """A caution where the months go on after the last of the plan."""
    rule = f"months of the plan are fewer than the {months_ahead} of the cash: after them nothing is sold."
    planned = runs.estate.settings.plan_horizon_months
    return caution("Settings", str(planned), rule, "Plan further ahead, or ask for fewer months.")


def _nothing_planned(runs: Runs) -> list[Finding]:
    """A caution where no harvest is planned and none is budgeted."""
    estate, today = runs.estate, pd.Timestamp(runs.date)
    budgeted = estate["other_payments"]
    if (estate["deliveries"]["on_date"] > today).any() or not len(estate["deliveries"]):
        return []
    if ((budgeted["kind"] == "growers") & (budgeted["to_date"].fillna(budgeted["from_date"]) > today)).any():
        return []
    rule = "nothing is bought after the valuation date: no harvest to come is in the cash."
    return [caution("Other payments", "", rule, "Enter what growers will be paid, or the planned deliveries.")]
