"""What lies somewhere for a month and bears no storage is said to lack it."""

from __future__ import annotations

import pandas as pd
import pytest

from costing import BOOK, read_estate, run
from costing.results.coverage import coverage


@pytest.mark.parametrize(("until", "is_stored"), [("2025-12-30", False), ("2025-12-31", True)])
def test_bottles_and_wine_are_stored_from_the_thirtieth_day(until: str, is_stored: bool) -> None:
    opening = pd.DataFrame(
        {
            **{"Date": "2025-12-01", "Lot": ["T20", "V24"], "Kind": ["on lees", "wine"]},
            **{"Quantity": [1_000.0, 2_000.0], "Unit": ["bottles", "L"], "Format": ["bottle", None]},
        }
    )
    costs = pd.DataFrame({"Lot": ["T20", "V24"], "Element": "grapes", "Amount": 5_000.0})
    settings = pd.DataFrame({"Setting": ["Valuation date"], "Value": [until]})
    results = run(read_estate({"Settings": settings, "Opening stock": opening, "Opening costs": costs}), BOOK)
    said = coverage(results, ["T20", "V24"])
    assert ("storage" in said[0]) == is_stored, said
    assert said[1] == ("vinification missing" if is_stored else "complete")
