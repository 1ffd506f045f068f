"""The way in from Python: answers as methods, frames that round-trip, another estate by replacing a table."""

from __future__ import annotations

import subprocess
import sys

import pytest

import costing
from costing.commands.records import demo_folder


@pytest.fixture(scope="module")
def house(demo_estate, demo_runs):
    opened = costing.House(demo_estate, "demo")
    opened.__dict__["runs"] = demo_runs
    return opened


def test_frames_give_the_same_figures_when_opened_again(house) -> None:
    again = costing.open(house.frames())
    assert again.runs.book.total.tolist() == house.runs.book.total.tolist()
    assert again.runs.economic.total.tolist() == house.runs.economic.total.tolist()


def test_a_folder_and_its_house_agree(house) -> None:
    assert costing.open(demo_folder()).runs.book.total.tolist() == house.runs.book.total.tolist()


def test_dearer_grapes_make_dearer_bottles(house) -> None:
    dearer = house.replace(grape_prices=lambda t: t.assign(price_per_kg=t.price_per_kg * 1.1))
    table = dearer.compare(house)["scenarios_per_bottle"].set_index("release")
    change = table[f"change:{dearer.name}"]
    assert change["D25-3-BRUT"] > 0
    assert (change >= -1e-9).all()
    assert house.runs.economic is house.runs.economic  # the first house is as it was, and computed once


def test_a_replaced_table_leaves_the_places_of_the_others(house) -> None:
    dearer = house.replace(grape_prices=lambda t: t.iloc[::-1])
    assert dearer.estate.place("deliveries", 3, "quantity") == house.estate.place("deliveries", 3, "quantity")


def test_a_misspelt_sheet_or_column_suggests_the_nearest(house) -> None:
    with pytest.raises(costing.CostingError, match="Did you mean 'grape_prices'"):
        house.replace(grape_price=lambda t: t)
    with pytest.raises(costing.CostingError, match="Did you mean 'price_per_kg'"):
        house.replace(grape_prices=lambda t: t.assign(price_per_kg=t.price_per_kgs))
    with pytest.raises(costing.CostingError, match="Did you mean 'price_per_kg'"):
        house.replace(grape_prices=lambda t: t.rename(columns={"price_per_kg": "price_per_kgs"}))
    with pytest.raises(costing.CostingError, match=r"'price_per_kgs'\. Did you mean 'price_per_kg'"):
        house.replace(grape_prices=lambda t: t.assign(price_per_kgs=t.price_per_kg * 1.1))  # it would change nothing


def test_what_is_no_data_frame_is_refused(house) -> None:
    with pytest.raises(costing.CostingError, match="sheet 'grape_prices' is given as NoneType: give a data frame"):
        house.replace(grape_prices=lambda _: None)
    with pytest.raises(costing.CostingError, match="sheet 'deliveries' is given as list"):
        costing.open({"deliveries": [1, 2]})


def test_a_replaced_table_is_validated_as_a_sheet_is(house) -> None:
    with pytest.raises(costing.InputError) as wrong:
        house.replace(grape_prices=lambda t: t.assign(price_per_kg="dear"))
    assert "Grape prices!" in str(wrong.value.findings[0])


def test_what_is_shown_is_short(house) -> None:
    assert len(repr(house).splitlines()) == 3
    answer = house.vats()
    assert len(repr(answer).splitlines()) <= 3
    assert answer is house.vats()
    page = answer._repr_html_()
    assert page.startswith("<table><caption>")
    assert page.count("<tr>") <= 22


def test_help_loads_nothing_heavy() -> None:
    code = "import sys, costing, costing.house; sys.exit('pandas' in sys.modules or 'numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
