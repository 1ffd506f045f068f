"""Months and financial years, counted by hand."""

from __future__ import annotations

import datetime as dt

import pytest

from costing.calendar import financial_year


@pytest.mark.parametrize(
    ("first_month", "day", "year", "begins"),
    [
        (1, "2025-01-01", 2025, "2025-01-01"),
        (1, "2024-12-31", 2024, "2024-01-01"),
        (2, "2025-01-31", 2025, "2024-02-01"),
        (2, "2025-02-01", 2026, "2025-02-01"),
        (9, "2024-08-31", 2024, "2023-09-01"),
        (12, "2024-12-01", 2025, "2024-12-01"),
    ],
)
def test_a_financial_year_bears_the_name_of_the_year_in_which_it_ends(
    first_month: int, day: str, year: int, begins: str
) -> None:
    named, first = financial_year(dt.date.fromisoformat(day), first_month)
    assert (int(named), dt.date(1970, 1, 1) + dt.timedelta(days=int(first))) == (year, dt.date.fromisoformat(begins))
