"""The bank's view on days that a loan begins and ends, in a month cut by the valuation date, without a hurdle, and of
amounts of less than one, by hand.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from costing.decisions.budget.budget import budget
from costing.decisions.cash.bank import interest_and_capital, owed_on_loan
from costing.decisions.cash.cash import _owed_said, _promises, _short
from tests.decisions.cash.small import small

LINE = {"loan": "Line", "from_date": "2025-12-31", "due_date": "2027-12-31", "amount": 4_000.0, "rate": 6.0}
LINE |= {"repayment": "at will"}
RENT = {"from_date": "2026-01-31", "what": "Rent", "amount": 500.0}


def sale(day: str) -> dict:
    return {"on_date": day, "release_lot": "D", "channel": "Trade", "bottles": 1, "net_price": 0.0}


def test_a_line_is_owed_from_the_day_it_opens_and_by_the_next_one_from_the_day_it_ends() -> None:
    first = {**LINE, "due_date": "2026-03-31", "drawn": 500.0}
    money = budget(small(loans=[first, {**LINE, "from_date": "2026-03-31"}]), 4)
    owed = [owed_on_loan(money, loan).tolist() for loan in money.loans]
    assert owed == [[500.0, 500.0, 500.0, 0.0, 0.0], [0.0, 0.0, 0.0, 500.0, 500.0]]


def test_debt_of_a_month_cut_by_the_valuation_date_counts_by_its_days() -> None:
    """1,000 for 16 of the 31 days of December, 1,500 for January and February."""
    line = {**LINE, "from_date": "2025-12-15", "drawn": 1_000.0}
    runs = small("2025-12-15", loans=[line], other_payments=[RENT], dispatches=[sale("2026-02-28")])
    lines = interest_and_capital(runs, budget(runs, 2)).set_index("interest_line")
    debt = (1_000.0 * 16 / 31 + 1_500.0 * 2) / (2 + 16 / 31)
    assert lines.loc["interest of the loans", "money_in_it"] == pytest.approx(debt)
    assert lines.loc["interest of the loans", "amount"] == pytest.approx(debt * 0.06 / 12 * (2 + 16 / 31))


def test_without_a_hurdle_no_money_is_in_the_capital_charged() -> None:
    free = pd.DataFrame({"From": ["2020-01-01"], "Hurdle rate (%)": [0]}).to_dict("records")
    runs = small(loans=[{**LINE, "drawn": 500.0}], dispatches=[sale("2026-03-31")], interest_rates=free)
    lines = interest_and_capital(runs, budget(runs, 3)).set_index("interest_line")
    assert lines.loc["capital charged to stock", ["amount", "money_in_it"]].tolist() == [0.0, 0.0]
    assert lines.loc["stock that no loan pays for", "amount"] == 0.0


def test_where_the_workbook_ends_before_the_first_month_no_month_of_capital_is_compared() -> None:
    runs = small(loans=[{**LINE, "drawn": 500.0}], dispatches=[sale("2026-01-10")])
    lines = interest_and_capital(runs, budget(runs, 3)).set_index("interest_line")
    assert lines["money_in_it"].tolist() == [0.0] * 4
    assert lines["amount"].iloc[:3].tolist() == [0.0] * 3


def test_amounts_of_less_than_one_are_owed_and_owing() -> None:
    owed = pd.DataFrame({"amount": [-0.6, 0.6], "payment_kind": ["labour", "customers"]})
    said = _owed_said(small(), owed)
    assert said.endswith("1 EUR is incurred and unpaid, and customers owe 1.")


@pytest.mark.parametrize(("kept", "said"), [(501, "by 1 in 2026-01"), (500.5, "")])
def test_a_balance_short_by_one_is_said_and_by_half_of_it_is_not(kept: float, said: str) -> None:
    settings = {"Bank balance": 1_000, "Cash to keep": kept}
    runs = small(settings=settings, other_payments=[RENT])
    found = [finding.rule for finding in _short(runs, budget(runs, 1))]
    assert [said in rule for rule in found] == [True] * bool(said)


@pytest.mark.parametrize(("least", "broken"), [(3_501.0, 1), (3_500.5, 0)])
def test_headroom_below_what_is_promised_by_one_is_said_and_by_half_of_it_is_not(least: float, broken: int) -> None:
    runs = small(loans=[{**LINE, "drawn": 500.0, "least_headroom": least}], other_payments=[{**RENT, "amount": 0.0}])
    money = budget(runs, 1)
    assert len(_promises(runs, money, np.array(money.periods.names)[money.periods.planned])) == broken
