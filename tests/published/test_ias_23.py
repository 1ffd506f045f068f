"""IAS 23 Borrowing Costs, paragraph 14: the capitalisation rate, a weighted average of borrowings.

The standard prints no figures. The two examples are teaching examples of the paragraph: two loans of 15 and
24 million (publisher not recorded), and an examination question with a bank debt, a term debt and an
overdraft.
"""

import pytest

from costing.engine.carrying import capitalisation_rate


def test_two_loans():
    # 9 % on 15 million and 11 % on 24 million: 3.99 / 39
    assert capitalisation_rate([15e6, 24e6], [0.09, 0.11]) == pytest.approx(3.99 / 39, rel=1e-12)
    assert round(capitalisation_rate([15e6, 24e6], [0.09, 0.11]), 6) == 0.102308


def test_bank_debt_term_debt_and_overdraft():
    # average liabilities 10,000, 25,000 and 5,000 with interest of 900, 2,000 and 600
    borrowings, interest = [10_000, 25_000, 5_000], [900, 2_000, 600]
    rates = [cost / owed for cost, owed in zip(interest, borrowings, strict=True)]
    assert capitalisation_rate(borrowings, rates) == pytest.approx(0.0875, rel=1e-12)
