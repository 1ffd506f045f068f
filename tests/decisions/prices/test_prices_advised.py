"""What is said of a list price, and the money by which bottles miss their target at it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from costing.decisions.prices.prices import _advised


@pytest.mark.parametrize(
    ("advised", "listed", "needed", "said", "short"),
    [
        (np.nan, 10.0, np.nan, "", 0.0),
        (0.0, 10.0, 0.0, "", 0.0),
        (0.9, 0.8, 0.9, "raise by 0.10 EUR", 200.0),
        (12.0, np.nan, 12.0, "set 12.00 EUR", 0.0),
        (12.0, 12.0, 12.0, "keep", 0.0),
        (12.0, 12.0, 12.0 + 1e-9, "keep", 0.0),
        (12.0, 12.5, 11.9, "keep", 0.0),
        (1_250.0, 12.5, 13.0, "raise by 1,237.50 EUR", 200.0),
    ],
)
def test_a_list_price_is_kept_raised_or_set(
    advised: float, listed: float, needed: float, said: str, short: float
) -> None:
    columns = {
        "advised_in_market": advised,
        "list_in_market": listed,
        "list_price": listed,
        "list_price_needed": needed,
    }
    more = {"market_currency": "EUR", "target_price": 9.0, "net_price_at_list": 7.0, "bottles_to_sell": 100.0}
    found = _advised(pd.DataFrame([columns | more])).iloc[0]
    assert (found["do"], found["short_of_target"]) == (said, short)


def test_bottles_that_bring_more_than_their_target_are_not_short() -> None:
    columns = {"advised_in_market": 12.0, "list_in_market": 10.0, "list_price": 10.0, "list_price_needed": 12.0}
    more = {"market_currency": "EUR", "target_price": 7.0, "net_price_at_list": 9.0, "bottles_to_sell": 100.0}
    found = _advised(pd.DataFrame([columns | more, columns | more | {"bottles_to_sell": np.nan}]))
    assert found["short_of_target"].tolist() == [0.0, 0.0]
