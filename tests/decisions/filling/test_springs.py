"""Springs of a small house by hand: what wine comes for each, and what a bad harvest asks to be kept."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from costing import read_estate
from costing.decisions.filling.spring_tirage import Filling, filling_of
from costing.decisions.filling.springs import SORTS, harvests_of, harvests_to_come
from costing.inputs.estate import Estate
from costing.model import Runs


def small_house(spring: str, *more: tuple[str, str, float], harvests: int = 3) -> Filling:
    """Wine bought in of the last of three harvests, 500, 800 and 2,600 L; 2,000 bottles to be filled in a spring, of
    1,428 L each year again; 2 % of a reserve is lost a year. more: day, lot and litres of wine to come.
    """
    came = [("2023-10-01", "W23", 500.0), ("2024-10-01", "W24", 800.0), ("2025-10-01", "W25", 2_600.0)]
    came = [*came[-harvests:], *more]
    norms = pd.DataFrame({"Operation or stage": ["reserve"], "Norm (%)": [2.0], "Time base": "per year"})
    prices = {"Cuvée": "Brut", "Months on lees": [0, 120], "Ex-cellar price": [20.0, 30.0], "Money of": "2025-12-31"}
    found = filling_of(
        Runs(
            read_estate(
                {
                    "Settings": pd.DataFrame(
                        {"Setting": ["Valuation date", "Date style"], "Value": ["2025-12-31", "year first"]}
                    ),
                    "Interest rates": pd.DataFrame({"From": ["2020-01-01"], "Hurdle rate (%)": [5.0]}),
                    "Loss norms": norms,
                    "Cuvées": pd.DataFrame({"Cuvée": ["Brut"]}),
                    "Deliveries": pd.DataFrame(came, columns=["Date", "Lot", "Quantity"]).assign(
                        **{"What": "wine", "Unit": "L", "Price per unit": 4.0}
                    ),
                    "Tirage": pd.DataFrame(
                        {"Date": [spring], "Cuvée": ["Brut"], "Bottle lot": ["T"], "Wine lot": ["W25"]}
                    ).assign(**{"Wine (L)": 1_500.0, "Bottles (bottles)": 2_000.0}),
                    "Price by age": pd.DataFrame(prices).assign(**{"Market takes a month": 250.0}),
                }
            )
        )
    )
    assert found is not None
    return found


def test_wine_bought_for_the_next_spring_is_so_much_less_to_keep_against_a_bad_harvest() -> None:
    """2,000 bottles take 0.75 · (1 − 24/500) L each, 1,428 L: 928 L are wanting after 500, 628 after 800, none after
    2,600; with 300 L bought for that spring 628, 328 and none. Of what is kept 98 % is left by then.
    """
    assert small_house("2026-04-01").needs == pytest.approx(np.array([928.0, 628.0, 0.0]) / 0.98)
    bought = small_house("2026-04-01", ("2026-10-01", "W26", 300.0))
    assert bought.needs == pytest.approx(np.array([628.0, 328.0, 0.0]) / 0.98)
    assert bought.springs.wine.comes[0, :3] == pytest.approx([3_900.0, 1_600.0, 1_300.0])


def test_two_springs_are_enough_to_say_what_to_keep_and_wine_after_the_last_one_is_left_out() -> None:
    found = small_house("2031-04-01", ("2031-10-01", "W31", 300.0), ("2032-10-01", "W32", 700.0))
    assert found.springs.years.tolist() == [2031, 2032]
    assert found.springs.wine.comes[0] == pytest.approx([3_900.0, 1_600.0])
    assert len(found.needs) == 3


@pytest.mark.parametrize(("harvests", "known"), [(1, 0), (2, 2)])
def test_two_harvests_are_enough_to_say_what_to_keep_and_one_is_not(harvests: int, known: int) -> None:
    assert len(small_house("2031-04-01", harvests=harvests).needs) == known


@pytest.mark.parametrize("month", [1, 2, 3, 4])
def test_wine_of_a_spring_and_the_bottles_filled_with_it_meet_on_one_date_of_the_plan(month: int) -> None:
    """On the last days of months, some of which are dates of the plan themselves."""
    last = pd.Timestamp(2026, month, 1) + pd.offsets.MonthEnd()
    springs = small_house(f"{last:%Y-%m-%d}").springs
    spring, arrives = springs.wine.spring, springs.facts.stacks.arrives
    filled = spring >= 0
    assert arrives[filled].tolist() == springs.wine.step[spring[filled]].tolist()
    at = springs.facts.dates.day[springs.wine.step[0]]
    assert at >= day(f"{last:%Y-%m-%d}") > springs.facts.dates.day[springs.wine.step[0] - 1]


def day(text: str) -> int:
    return int(np.datetime64(text).astype(np.int64))


@pytest.fixture(scope="module")
def bought() -> Estate:
    """Must and wine bought in 2024 and 2025, half a litre of it in 2024; nothing was ever pressed."""
    came = {"Date": ["2024-10-01", "2025-10-01"], "Lot": ["M24", "W25"], "What": ["must", "wine"]}
    return read_estate({"Deliveries": pd.DataFrame(came).assign(Quantity=[0.5, 800.0], Unit="L")})


def pressed(estate: Estate, *loads: tuple[str, str, float]) -> Estate:
    """The same with press loads: day, fraction, litres of must."""
    rows = pd.DataFrame(loads, columns=["on_date", "fraction", "volume_l"])
    rows["on_date"] = pd.to_datetime(rows["on_date"])
    return replace(estate, tables={**estate.tables, "pressings": rows})


def test_a_harvest_that_gave_nothing_is_none_and_half_a_litre_is_one(bought: Estate) -> None:
    loads = pressed(bought, ("2022-09-10", "first", 0.0), ("2023-09-10", "second", 0.25), ("2025-09-10", "first", 90.0))
    harvests = harvests_of(loads, day("2025-12-31"))
    assert harvests[SORTS[0]].to_dict() == {2023: 0.0, 2024: 0.5, 2025: 890.0}
    assert harvests[SORTS[1]].to_dict() == {2023: 0.25, 2024: 0.0, 2025: 0.0}


def test_who_buys_wine_and_presses_nothing_has_no_harvest_to_come(bought: Estate) -> None:
    today, spring = day("2025-12-31"), day("2027-04-01")
    assert not harvests_to_come(bought, today, spring, harvests_of(bought, today)).any()


def test_a_load_that_is_pressed_on_the_day_itself_has_come_by_then(bought: Estate) -> None:
    days = ("2025-09-10", "2025-12-31", "2026-09-10", "2026-09-11")
    loads = pressed(bought, *zip(days, ["first"] * 4, (100.0, 5.0, 60.0, 7.0), strict=True))
    today = day("2025-12-31")
    harvests = harvests_of(loads, today)
    by_day = [harvests_to_come(loads, today, day(f"2026-09-{on}"), harvests)[0] for on in ("09", "10", "11")]
    assert by_day == [0.0, 60.0, 67.0]
