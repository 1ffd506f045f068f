"""The way in from Python: answers as methods, frames that round-trip, another estate by replacing a table."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace

import pytest

import costing
from costing.accounts.origins import origins_of
from costing.commands.records import demo_folder
from costing.results.costs import releases


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
    with pytest.raises(costing.CostingError, match="'fixed_share' of sheet 'pressings' is blank"):
        house.replace(pressings=lambda t: t.assign(volume_l=t.volume_l * t.fixed_share))
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


@pytest.fixture(scope="module")
def small() -> costing.House:
    """The small example."""
    return costing.open(demo_folder() / "small")


def test_a_house_says_what_was_opened_in_three_lines(small) -> None:
    assert repr(small).splitlines() == ["House 'small': amounts in EUR", "30 rows on 13 sheets", "0 cautions when read"]
    assert repr(costing.House(replace(small.estate, cautions=(costing.Finding("A", "", "b", "c"),)))).splitlines() == [
        "House 'estate': amounts in EUR",
        "30 rows on 13 sheets",
        "1 caution when read",
    ]
    assert costing.open(small.frames()).name == "data frames"


def test_another_house_keeps_the_places_and_compares(small) -> None:
    dearer = small.replace(deliveries=lambda table: table.assign(price_per_unit=table["price_per_unit"] + 1.0))
    assert dearer.name == "small, changed"
    risen = dearer.estate["deliveries"]["price_per_unit"] - small.estate["deliveries"]["price_per_unit"]
    assert risen.tolist() == [1.0] * len(risen)
    names = [name for name in small.estate.tables if len(small.estate[name])]
    assert [dearer.estate.place(name, 0) for name in names] == [small.estate.place(name, 0) for name in names]
    moved = dearer.compare(small)
    assert [column for column in moved["scenario_changes_latest"] if ":" in column] == ["change:small, changed"]
    assert moved["scenario_changes_latest"].iloc[0, -1] > 0
    same = small.replace(settings=small.frames()["settings"])
    assert same.runs.economic.total.tolist() == small.runs.economic.total.tolist()


@pytest.mark.parametrize(
    ("tables", "said"),
    [
        ({"movement": None}, "there is no sheet 'movement'. Did you mean 'movements'?"),
        ({"costs": lambda t: t.assign(amont=1)}, "sheet 'costs' has no column 'amont'. Did you mean 'amount'?"),
        ({"costs": lambda t: t["lott"]}, "sheet 'costs' has no column 'lott'. Did you mean 'lot'?"),
        ({"costs": lambda t: t.elment}, "sheet 'costs' has no column 'elment'. Did you mean 'element'?"),
        ({"costs": lambda t: t.zzzzzz}, "sheet 'costs' has no column 'zzzzzz'."),
    ],
)
def test_what_a_change_misspells_is_said_with_the_nearest_name(small, tables, said: str) -> None:
    with pytest.raises(costing.CostingError) as refused:
        small.replace(**tables)
    assert str(refused.value) == said


def test_questions_reach_their_answers_with_all_that_was_given(small, monkeypatch) -> None:
    (release,) = releases(small.runs.book)["release"]
    assert small.runs is small.runs
    assert small.origins(release).to_json() == origins_of(small.runs, release).to_json()
    asked = []
    for module, name in (("decisions.changes.why", "why_answer"), ("report", "report_page")):
        monkeypatch.setattr(f"costing.{module}.{name}", lambda *given, of=name: asked.append((of, *given)))
    small.why("A", "B", small)
    small.why("A")
    small.report("now")
    assert asked == [
        ("why_answer", small.runs, "A", "B", small.estate),
        ("why_answer", small.runs, "A", None, None),
        ("report_page", small.runs, "now"),
    ]


def test_a_file_that_is_not_there_is_said_with_how_to_make_one() -> None:
    with pytest.raises(costing.CostingError) as refused:
        costing.open("cellar.xlsx")
    assert str(refused.value) == (
        "cellar.xlsx does not exist. Name a workbook or a folder of CSV files; "
        "`costing new cellar.xlsx` makes a workbook."
    )


def test_help_loads_nothing_heavy() -> None:
    code = "import sys, costing, costing.house; sys.exit('pandas' in sys.modules or 'numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
