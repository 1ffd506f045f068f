"""Costs and purchases in another currency: expected amounts by hand, amount · rate (common practice, no source)."""

from __future__ import annotations

import pandas as pd
import pytest

from costing import BOOK, InputError, read_estate, run
from costing.inputs.frames import frames_of


def _frames(**columns: list[object]) -> dict[str, pd.DataFrame]:
    return {
        "settings": pd.DataFrame({"setting": ["Valuation date", "Currency"], "value": ["2025-12-31", "EUR"]}),
        "channels": pd.DataFrame(
            {
                "channel": ["UK", "UK"],
                "from_date": [None, "2025-06-01"],
                "currency": ["GBP", "GBP"],
                "currency_rate": [1.2, 1.1],
            }
        ),
        "deliveries": pd.DataFrame(
            {
                "on_date": ["2025-01-10"],
                "lot": ["V1"],
                "what": ["wine"],
                "quantity": [100.0],
                "unit": ["L"],
                "price_per_unit": [10.0],
                "currency": ["GBP"],
            }
        ),
        "costs": pd.DataFrame(
            {"on_date": ["2025-02-01", "2025-07-01", "2025-07-02"], "lot": "V1", "element": "labour", "amount": 100.0}
        ).assign(**columns),
    }


def test_the_rate_of_the_row_goes_before_that_of_channels_on_its_day() -> None:
    """1,000 GBP of wine at 1.2; 100 GBP at 1.2 in February, at 1.1 in July, and 100 USD at a rate of its own, 0.9."""
    estate = read_estate(_frames(currency=["GBP", "GBP", "USD"], currency_rate=[None, None, 0.9]))
    assert estate["deliveries"]["price_per_unit"].tolist() == pytest.approx([12.0])
    assert estate["costs"]["amount"].tolist() == pytest.approx([120.0, 110.0, 90.0])
    results = run(estate, BOOK)
    results.check_identity()
    assert results.charges.postings.amount.sum() == pytest.approx(1200 + 320)
    assert read_estate(frames_of(estate))["costs"].equals(estate["costs"])


def test_the_estate_s_own_currency_needs_no_rate() -> None:
    assert read_estate(_frames(currency=["EUR", None, "EUR"]))["costs"]["amount"].tolist() == [100.0] * 3


def test_a_currency_without_a_rate_is_a_finding() -> None:
    with pytest.raises(InputError) as wrong:
        read_estate(_frames(currency=["USD", None, "GBP"], currency_rate=[None, 1.5, None]))
    found = {one.place: (one.value, one.rule) for one in wrong.value.findings}
    assert found == {
        "Costs!E2": ("USD", "has no currency rate on that day."),
        "Costs!F3": ("1.5", "stands beside no currency."),
    }
