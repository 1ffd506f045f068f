"""From kilo to bottle, against arithmetic by hand.

The yield of the first case, 160 kg to 102 litres with 2,550 litres from a load of 4,000 kg, is from memory (rules of a
region of traditional method); losses are invented.
"""

from __future__ import annotations

import pandas as pd
import pytest

from costing.accounts.yields import kilo_to_bottle

COLUMNS = [
    *("stage", "unit", "format", "opening_quantity", "received", "from_stages_quantity", "added"),
    *("to_stages_quantity", "lost_quantity"),
]


def moved(*rows: tuple) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=COLUMNS)


PRESSED = ("harvest", "kg", "", 0.0, 4000.0, 0.0, 0.0, -4000.0, 0.0)


def test_without_a_loss_litres_alone_decide() -> None:
    found = kilo_to_bottle(moved(PRESSED, ("vinification", "L", "", 0.0, 0.0, 2550.0, 0.0, -2550.0, 0.0)))
    assert list(found["step"]) == ["must", "good bottles"]
    # 2,550 L / 4,000 kg = 0.6375 L a kg: 1,000 kg give 637.5 L, 850 bottles of 0.75 L.
    assert list(found["bottles_total"]) == pytest.approx([850.0, 850.0])


@pytest.mark.parametrize("kilograms", [0.5, 1.0])
def test_a_kilo_that_is_pressed_for_a_trial_has_its_yield(kilograms: float) -> None:
    pressed = (*PRESSED[:7], -kilograms, 0.0)
    found = kilo_to_bottle(moved(pressed, ("vinification", "L", "", 0.0, 0.0, 0.6 * kilograms, 0.0, 0.0, 0.0)))
    assert found["bottles_total"].iloc[-1] == pytest.approx(800.0)  # 600 L of 1,000 kg


def test_every_stage_takes_its_share_of_what_the_one_before_left() -> None:
    found = kilo_to_bottle(
        moved(
            PRESSED,
            ("vinification", "L", "", 450.0, 0.0, 2550.0, 0.0, -2900.0, -30.0),  # 1 % of 3,000 L
            ("tirage", "L", "", 0.0, 0.0, 2000.0, 100.0, -2079.0, -21.0),  # 5 % added, then 1 % of 2,100 L lost
            ("finishing", "bottles", "bottle", 0.0, 0.0, 900.0, 0.0, -880.0, -20.0),  # 675 L, 15 L lost
            ("finishing", "bottles", "magnum", 0.0, 0.0, 50.0, 0.0, -50.0, 0.0),  # 75 L: 2 % of 750 L together
        )
    ).set_index("step")
    assert found.loc["vinification", "bottles_fall"] == pytest.approx(8.5)
    assert found.loc["added at tirage", "bottles_rise"] == pytest.approx(841.5 * 0.05)
    assert found.loc["tirage", "bottles_fall"] == pytest.approx(841.5 * 1.05 * 0.01)
    assert found.loc["finishing", "lost_share"] == pytest.approx(0.02)
    assert found.loc["good bottles", "bottles_total"] == pytest.approx(850 * 0.99 * 1.05 * 0.99 * 0.98)
    floating = found.dropna(subset="bottles_fall")
    assert (floating["bottles_base"] + floating["bottles_fall"]).iloc[-1] == pytest.approx(850 * 0.99 * 1.05 * 0.99)


def test_litres_and_bottles_of_one_stage_are_taken_together_however_few() -> None:
    found = kilo_to_bottle(
        moved(
            PRESSED,
            ("vinification", "L", "", 0.0, 0.0, 2550.0, 0.0, -2550.0, 0.0),
            ("finished stock", "L", "", 0.0, 0.0, 25.0, 0.0, -25.0, 0.0),  # opened again: decanted, none lost
            ("finished stock", "bottles", "bottle", 0.0, 0.0, 100.0, 0.0, -90.0, -10.0),  # 75 L, 7.5 L lost: 7.5 %
            ("tirage", "L", "", 0.0, 0.0, 0.5, 0.0, -0.4, -0.1),  # a trial of half a litre: a fifth of it lost
        )
    ).set_index("step")
    assert found.loc["finished stock", "lost_share"] == pytest.approx(0.075)
    assert found.loc["tirage", "lost_share"] == pytest.approx(0.2)
    assert found.loc["good bottles", "bottles_total"] == pytest.approx(850 * 0.925 * 0.8)


def test_an_estate_without_grapes_has_no_picture() -> None:
    assert len(kilo_to_bottle(moved((*PRESSED[:7], 0.0, 0.0)))) == 0
    assert len(kilo_to_bottle(moved())) == 0
    must = ("vinification", "L", "", 0.0, 0.0, 2550.0, 0.0, -2550.0, 0.0)  # pressed from grapes of the year before
    assert len(kilo_to_bottle(moved(must))) == 0
    assert len(kilo_to_bottle(moved(PRESSED))) == 0  # sold as grapes


def test_the_demo_gives_good_bottles_from_its_own_yield(demo_runs) -> None:
    from costing.accounts.over_time import over_time

    found = over_time(demo_runs)["kilo_to_bottle"]
    assert 700 < found["bottles_total"].iloc[-1] < 1000
    assert found["bottles_total"].iloc[-1] == pytest.approx(
        found["bottles_total"].iloc[0] + found["bottles_rise"].sum() - found["bottles_fall"].sum()
    )


def test_must_that_lay_there_and_bottles_that_come_on_are_no_must_of_the_year() -> None:
    old = ("pressing", "L", "", 600.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    bottles = ("finishing", "bottles", "bottle", 0.0, 0.0, 900.0, 0.0, -900.0, 0.0)
    found = kilo_to_bottle(moved(PRESSED, old, ("vinification", "L", "", 0.0, 0.0, 2550.0, 0.0, -2550.0, 0.0), bottles))
    assert found["bottles_total"].iloc[0] == pytest.approx(850.0)
    assert len(kilo_to_bottle(moved(PRESSED, old, bottles))) == 0
    drawn = ("reserve", "L", "", 500.0, 0.0, 120.0, 0.0, -120.0, 0.0)  # of other years, and named first
    found = kilo_to_bottle(moved(PRESSED, drawn, ("vinification", "L", "", 0.0, 0.0, 2550.0, 0.0, -2550.0, 0.0)))
    assert found["bottles_total"].iloc[0] == pytest.approx(850.0)
