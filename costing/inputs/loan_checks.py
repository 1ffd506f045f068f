"""Rules on loans and other payments: dates, what is owed, what is pledged twice."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from costing.calendar import months_between
from costing.errors import CAUTION
from costing.inputs.rows import Breach, Rows, rule_of

ADVANCES = ("advance_on_receivables", "advance_on_wine", "advance_on_lees", "advance_on_finished")
LINE = "at will"


@rule_of("loans")
def loan_dates(loans: Rows) -> Iterator[Breach]:
    """Yield loans due before they begin, instalments that do not fit, and rows of one loan that overlap."""
    begins, due, rows = loans["from_date"], loans["due_date"], np.arange(len(loans))
    yield due <= begins, "due_date", "is not after 'From'.", "Correct one of the two dates."
    months = np.nan_to_num(months_between(begins.to_numpy(), due.to_numpy()))
    uneven = (due > begins) & ~loans.are("repayment", LINE) & (months % loans["payment_months"] > 0)
    rule = "does not divide the months from 'From' to 'Due'."
    yield uneven, "payment_months", rule, "Correct it or one of the dates."
    for row, (name, begin) in enumerate(zip(loans["loan"], begins, strict=True)):
        earlier = ((begins < begin) & (due > begin)) | ((begins == begin) & (rows < row))
        others = np.flatnonzero(loans.are("loan", name) & earlier)
        if len(others):
            place = loans.place(int(others[0]), "from_date")
            rule = f"overlaps the row of '{name}' at {place}: it would be lent twice."
            remedy = "Let one row end before the next begins, or give them different names."
            yield [row], "from_date", rule, remedy


@rule_of("loans")
def what_is_owed(loans: Rows) -> Iterator[Breach]:
    """Yield what only a line can have on other loans, and lines drawn beyond their amount or on another day."""
    is_line, today = loans.are("repayment", LINE), loans.estate.settings.valuation_date
    rule = "stands on a loan that is not repaid at will: what is owed follows from its dates."
    for column in ("drawn", "drawn_in_steps_of"):
        yield ~is_line & loans.given(column), column, rule, "Delete it, or choose the repayment 'at will'."
    over = is_line & (loans["drawn"] > loans["amount"])
    yield over, "drawn", "is more than the amount of the line.", "Correct one of the two.", CAUTION
    if today is not None:
        day = pd.Timestamp(today)
        apart = is_line & ((loans["from_date"] > day) | (loans["due_date"] <= day)) & (loans["drawn"] > 0)
        rule = "is owed at the valuation date, on which this row does not run."
        yield apart, "drawn", rule, "Enter it on the row that runs then."


@rule_of("loans")
def what_is_pledged(loans: Rows) -> Iterator[Breach]:
    """Yield advances that together are above 100 %, and caution where headroom is promised on nothing."""
    begins, due, where = loans["from_date"], loans["due_date"], loans["location"].astype(object)
    for column in ADVANCES:
        advance = loans[column].fillna(0.0)
        for row in np.flatnonzero(advance > 0).tolist():
            beside = (begins <= begins.iloc[row]) & (due > begins.iloc[row])
            if column != "advance_on_receivables" and pd.notna(where.iloc[row]):
                beside &= where.isna() | (where == where.iloc[row])
            total = float(advance[beside].sum())
            if total > 1.0 + 1e-9:
                rule = f"with the other loans that run then, {100 * total:.6g} % of it would be lent."
                yield [row], column, rule, "Correct the advances: 100 % at the most."
    unsecured = ~(loans.frame[list(ADVANCES)] > 0).any(axis=1) & ~loans.are("repayment", LINE)
    rule = "no stock is lent on and nothing can be drawn: there is no headroom to keep."
    idle = unsecured & loans.given("least_headroom")
    yield idle, "least_headroom", rule, "Enter the advances, or delete it.", CAUTION


@rule_of("other_payments")
def other_payments(payments: Rows) -> Iterator[Breach]:
    """Yield payments that end before they begin."""
    wrong = payments["to_date"] < payments["from_date"]
    yield wrong, "to_date", "is before 'From'.", "Correct one of the two dates."
