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


def _two_periods(**pool: object) -> dict[str, pd.DataFrame]:
    """A pool of two periods with days between them, and after them."""
    periods = {
        "From": ["2025-09-01", "2025-09-08"],
        "To": ["2025-09-03", "2025-09-15"],
        "Pool": "House",
        "Amount": 900.0,
    }
    settings = pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-12-31"]})
    return {"settings": settings, "pools": pd.DataFrame({**periods, **pool})}


@pytest.mark.parametrize("stage", ["pressing", None])
def test_a_press_load_on_a_day_between_two_periods_of_its_pool_lacks_it(stage: str | None) -> None:
    days = (3, 4, 7, 8, 15, 16)
    on = {"Date": [f"2025-09-{day:02}" for day in days]}
    grapes, musts = [f"G{day}" for day in days], [f"M{day}" for day in days]
    come = {"Lot": grapes, "What": "grapes", "Quantity": 900.0, "Unit": "kg", "Price per unit": 6.0}
    press = {"Load": grapes, "From lot": grapes, "Grapes (kg)": 900.0, "Fraction": "first", "Must (L)": 600.0}
    tables = {"deliveries": pd.DataFrame({**on, **come}), "pressings": pd.DataFrame({**on, **press, "To lot": musts})}
    results = run(read_estate({**_two_periods(Driver="kg", Stage=stage, Element="energy"), **tables}), BOOK)
    lacking = {lot for lot, said in zip(musts, coverage(results, musts), strict=True) if "pools" in said}
    assert lacking == {"M4", "M7", "M16"}


@pytest.mark.parametrize(("place", "lacking"), [(None, {"T1", "T2"}), ("Deep", {"T1"})])
def test_bottles_that_lay_somewhere_between_two_periods_of_its_pool_lack_it(
    place: str | None, lacking: set[str]
) -> None:
    """Wine in a vat bears no bottle-year."""
    opening = pd.DataFrame(
        {
            **{"Date": "2025-09-02", "Lot": ["T1", "T2", "V3"], "Kind": ["on lees", "on lees", "wine"]},
            **{"Quantity": 900.0, "Unit": ["bottles", "bottles", "L"], "Format": ["bottle", "bottle", None]},
            **{"Location": ["Deep", "Hall", "Deep"]},
        }
    )
    pools = _two_periods(Driver="bottle-year", Element="overhead", Location=place)
    results = run(read_estate({**pools, "opening_stock": opening}), BOOK)
    lots = ["T1", "T2", "V3"]
    assert {lot for lot, said in zip(lots, coverage(results, lots), strict=True) if "pools" in said} == lacking
