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


@pytest.mark.parametrize(
    ("driver", "stage"), [("kg", "pressing"), ("kg", None), ("load", "pressing"), ("kg", "harvest")]
)
def test_a_press_load_on_a_day_between_two_periods_of_its_pool_lacks_it(driver: str, stage: str | None) -> None:
    days = (3, 4, 7, 8, 15, 16)
    on = {"Date": [f"2025-09-{day:02}" for day in days]}
    grapes, musts = [f"G{day}" for day in days], [f"M{day}" for day in days]
    come = {"Lot": grapes, "What": "grapes", "Quantity": 900.0, "Unit": "kg", "Price per unit": 6.0}
    press = {"Load": grapes, "From lot": grapes, "Grapes (kg)": 900.0, "Fraction": "first", "Must (L)": 600.0}
    tables = {"deliveries": pd.DataFrame({**on, **come}), "pressings": pd.DataFrame({**on, **press, "To lot": musts})}
    results = run(read_estate({**_two_periods(Driver=driver, Stage=stage, Element="energy"), **tables}), BOOK)
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


@pytest.mark.parametrize(("stage", "place", "lacking"), [("harvest", None, set()), (None, "Yard", {"M4"})])
def test_a_pool_of_the_first_stage_or_place_is_lacked_by_work_done_there_alone(
    stage: str | None, place: str | None, lacking: set[str]
) -> None:
    """All grapes come on a day of the first period but for those of G4, in the yard, if the pool is of a place."""
    arrival = "2025-09-03" if stage else "2025-09-04"
    come = {"Date": arrival, "Lot": ["G4", "G7"], "What": "grapes", "Quantity": 900.0, "Unit": "kg"}
    press = {"Date": "2025-09-05", "Load": ["P4", "P7"], "From lot": ["G4", "G7"], "Grapes (kg)": 900.0}
    press |= {"Fraction": "first", "Must (L)": 600.0, "To lot": ["M4", "M7"]}
    tables = {
        **_two_periods(Driver="kg", Stage=stage, Location=place, Element="energy"),
        "deliveries": pd.DataFrame({**come, "Price per unit": 6.0, "Location": ["Yard", "Hall"]}),
        "pressings": pd.DataFrame(press),
    }
    results = run(read_estate(tables), BOOK)
    lots = ["M4", "M7"]
    assert {lot for lot, said in zip(lots, coverage(results, lots), strict=True) if "pools" in said} == lacking


@pytest.mark.parametrize(("disgorged", "is_lacking"), [("2025-09-03", False), ("2025-09-04", True)])
def test_bottles_that_lay_on_lees_until_the_first_day_without_a_pool_lack_it(disgorged: str, is_lacking: bool) -> None:
    opening = {"Date": ["2025-09-02"], "Lot": ["T"], "Kind": ["on lees"], "Quantity": [900.0], "Unit": ["bottles"]}
    out = {"Date": [disgorged], "Release lot": ["D"], "From lot": ["T"], "Bottles in": [900], "Bottles out": [900]}
    tables = {
        **_two_periods(Driver="bottle-year", Stage="on lees", Element="overhead"),
        "opening_stock": pd.DataFrame({**opening, "Format": ["bottle"]}),
        "disgorgements": pd.DataFrame(out),
    }
    assert ("pools" in coverage(run(read_estate(tables), BOOK), ["D"])[0]) == is_lacking
