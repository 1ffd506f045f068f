"""Rules on loans and other payments: dates, what is owed, what is pledged twice."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd

from costing.calendar import months_between
from costing.errors import CAUTION, Finding
from costing.inputs.estate import Estate
from costing.inputs.headers import closest
from costing.inputs.row_findings import each, filled, shown

ADVANCES = ("advance_on_receivables", "advance_on_wine", "advance_on_lees", "advance_on_finished")
LINE = "at will"
_PLACED = ("pools", "opening_stock", "deliveries", "movements", "tirage")


def loan_dates(estate: Estate) -> Iterator[Finding]:
    """Yield loans due before they begin, instalments that do not fit, and rows of one loan that overlap."""
    table = estate["loans"]
    begins, due = table["from_date"], table["due_date"]
    wrong = (due <= begins).to_numpy()
    yield from each(estate, "loans", wrong, "due_date", "is not after 'From'.", "Correct one of the two dates.")
    months = months_between(begins.to_numpy(), due.to_numpy())
    every = table["payment_months"].fillna(1.0).to_numpy()
    uneven = ~wrong & (table["repayment"] != LINE).to_numpy() & filled(estate, "loans", "payment_months")
    uneven &= ~(np.nan_to_num(months) % every == 0)
    rule = "does not divide the months from 'From' to 'Due'."
    yield from each(estate, "loans", uneven, "payment_months", rule, "Correct it or one of the dates.")
    for row, (name, begin) in enumerate(zip(table["loan"], begins, strict=True)):
        others = (table["loan"] == name).to_numpy() & (begins < begin).to_numpy() & (due > begin).to_numpy()
        others |= (table["loan"] == name).to_numpy() & (begins == begin).to_numpy() & (np.arange(len(table)) < row)
        if others.any():
            place = estate.place("loans", int(np.flatnonzero(others)[0]), "from_date")
            rule = f"overlaps the row of '{name}' at {place}: it would be lent twice."
            remedy = "Let one row end before the next begins, or give them different names."
            yield from each(estate, "loans", [row], "from_date", rule, remedy)


def what_is_owed(estate: Estate) -> Iterator[Finding]:
    """Yield what only a line can have on other loans, and lines drawn beyond their amount or on another day."""
    table, today = estate["loans"], estate.settings.valuation_date
    is_line = (table["repayment"] == LINE).to_numpy()
    rule = "stands on a loan that is not repaid at will: what is owed follows from its dates."
    for column in ("drawn", "drawn_in_steps_of"):
        misplaced = ~is_line & filled(estate, "loans", column)
        yield from each(estate, "loans", misplaced, column, rule, "Delete it, or choose the repayment 'at will'.")
    over = is_line & (table["drawn"] > table["amount"]).to_numpy()
    rule, remedy = "is more than the amount of the line.", "Correct one of the two."
    yield from each(estate, "loans", over, "drawn", rule, remedy, CAUTION)
    if today is not None:
        day = pd.Timestamp(today)
        apart = ((table["from_date"] > day) | (table["due_date"] <= day)).to_numpy() & (table["drawn"] > 0).to_numpy()
        rule = "is owed at the valuation date, on which this row does not run."
        yield from each(estate, "loans", is_line & apart, "drawn", rule, "Enter it on the row that runs then.")


def what_is_pledged(estate: Estate) -> Iterator[Finding]:
    """Yield advances that together are above 100 %, promises of headroom on nothing, and unknown places."""
    table = estate["loans"]
    known = sorted({str(name) for sheet in _PLACED for name in estate[sheet]["location"].dropna().unique()})
    for row in np.flatnonzero(filled(estate, "loans", "location")).tolist():
        name = shown(estate, "loans", row, "location")
        if name not in known:
            near = closest(name, known, 0.6)
            remedy = f"Did you mean '{near}'?" if near else f"Choose one of: {', '.join(known) or 'none is named yet'}."
            yield from each(estate, "loans", [row], "location", "is no place in which a lot lies.", remedy)
    begins, due = table["from_date"], table["due_date"]
    where = table["location"].astype(object)
    for column in ADVANCES:
        part = table[column].fillna(0.0)
        for row in np.flatnonzero(part.to_numpy() > 0).tolist():
            beside = (begins <= begins.iloc[row]) & (due > begins.iloc[row])
            if column != "advance_on_receivables" and pd.notna(where.iloc[row]):
                beside &= where.isna() | (where == where.iloc[row])
            total = float(part[beside].sum())
            if total > 1.0 + 1e-9:
                rule = f"with the other loans that run then, {100 * total:.6g} % of it would be lent."
                yield from each(estate, "loans", [row], column, rule, "Correct the advances: 100 % at the most.")
    secured = (table[list(ADVANCES)].fillna(0.0) > 0).any(axis=1).to_numpy()
    idle = filled(estate, "loans", "least_headroom") & ~secured & (table["repayment"] != LINE).to_numpy()
    rule = "no stock is lent on and nothing can be drawn: there is no headroom to keep."
    yield from each(estate, "loans", idle, "least_headroom", rule, "Enter the advances, or delete it.", CAUTION)


def other_payments(estate: Estate) -> Iterator[Finding]:
    """Yield payments that end before they begin."""
    table = estate["other_payments"]
    wrong = (table["to_date"] < table["from_date"]).to_numpy()
    yield from each(estate, "other_payments", wrong, "to_date", "is before 'From'.", "Correct one of the two dates.")


LOAN_CHECKS: tuple[Callable[[Estate], Iterator[Finding]], ...] = (
    loan_dates,
    what_is_owed,
    what_is_pledged,
    other_payments,
)
