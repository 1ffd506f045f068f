"""Rule sets: what ships loads, what lacks a source or a date does not, and the right row counts."""

from __future__ import annotations

from datetime import date
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from costing.errors import CostingError
from costing.inputs.appellations import _COLUMNS, folded_words, read_figures, rule_set, rule_set_names

GOOD = {
    "rule": "months on lees",
    "applies_to": "",
    "bound": "min",
    "value": "9",
    "unit": "months",
    "in_force_from": "2020-01-01",
    "in_force_to": "",
    "source": "An invented rule",
    "section": "art. 1",
    "source_date": "2019-12-01",
    "note": "",
}


def written(folder: Path, *rows: dict[str, str], header: tuple[str, ...] = _COLUMNS) -> Path:
    lines = [",".join(header), *(",".join(row[column] for column in header if column in row) for row in rows)]
    path = folder / "invented.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_every_shipped_figure_has_its_source_its_section_and_its_dates():
    for name in rule_set_names():
        for figure in rule_set(name).figures:
            assert figure.source
            assert figure.section
            assert date(1970, 1, 1) < figure.source_date < date(2030, 1, 1)
            assert figure.in_force_from <= figure.last_day
            assert str(figure.source_date) in figure.cite()
            assert figure.rule_set in rule_set_names()


def test_the_places_asked_for_ship():
    asked = {
        "Champagne",
        "Crémant de Bourgogne",
        "Crémant de Loire",
        "Franciacorta",
        "Trento",
        "Cava",
        "Sussex",
        "Cap Classique",
        "European Union",
    }
    assert asked <= set(rule_set_names())


def test_every_file_is_registered_and_every_registered_file_is_there():
    folder = files("costing.inputs.appellations")
    there = {file.name.removesuffix(".csv") for file in folder.iterdir() if file.name.endswith(".csv")}
    registered = {fold_name(name) for name in rule_set_names()}
    assert there - {"register", "rules"} == registered


def fold_name(title: str) -> str:
    return "_".join(folded_words(title))


@pytest.mark.parametrize(
    "column", ["rule", "bound", "value", "unit", "in_force_from", "source", "section", "source_date"]
)
def test_a_figure_with_a_blank_cell_does_not_load(tmp_path, column):
    path = written(tmp_path, GOOD, {**GOOD, "applies_to": "vintage", column: " "})
    with pytest.raises(CostingError, match=rf"invented\.csv:3: .*{column}"):
        read_figures(path, "Invented")


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"rule": "month on lees"}, "Did you mean 'months on lees'"),
        ({"unit": "weeks"}, "has the unit months"),
        ({"bound": "max"}, "the bound min"),
        ({"value": "nine"}, "nine"),
        ({"value": "nan"}, "not a number"),
        ({"in_force_from": "2020-13-01"}, "month"),
        ({"source_date": "last year"}, "last year"),
        ({"in_force_to": "2019-01-01"}, "before 2020-01-01"),
        ({"rule": "earliest tirage", "unit": "year of harvest", "value": "12-32"}, "day"),
    ],
)
def test_a_figure_that_makes_no_sense_does_not_load(tmp_path, change, says):
    with pytest.raises(CostingError, match=r"invented\.csv:2: ") as caught:
        read_figures(written(tmp_path, {**GOOD, **change}), "Invented")
    assert says in str(caught.value)


def test_every_bad_line_is_named_at_once(tmp_path):
    path = written(tmp_path, {**GOOD, "source": ""}, GOOD, {**GOOD, "source_date": ""})
    with pytest.raises(CostingError) as caught:
        read_figures(path, "Invented")
    assert "invented.csv:2" in str(caught.value)
    assert "invented.csv:4" in str(caught.value)
    assert "invented.csv:3" not in str(caught.value)


def test_two_figures_for_the_same_wine_and_days_are_refused(tmp_path):
    later = {**GOOD, "in_force_from": "2021-01-01", "value": "12"}
    with pytest.raises(CostingError, match=r"invented\.csv:3: a second 'months on lees'"):
        read_figures(written(tmp_path, GOOD, later), "Invented")
    ended = {**GOOD, "in_force_to": "2020-12-31"}
    assert len(read_figures(written(tmp_path, ended, later), "Invented")) == 2


def test_a_figure_may_be_in_force_on_one_day_alone(tmp_path):
    one_day = {**GOOD, "in_force_to": GOOD["in_force_from"]}
    assert len(read_figures(written(tmp_path, one_day), "Invented")) == 1


@pytest.mark.parametrize("is_earlier_first", [True, False])
def test_two_figures_that_share_no_more_than_a_day_are_refused(tmp_path, is_earlier_first):
    rows = [{**GOOD, "in_force_to": "2021-01-01"}, {**GOOD, "in_force_from": "2021-01-01", "value": "12"}]
    with pytest.raises(CostingError, match=r"invented\.csv:3: a second 'months on lees'"):
        read_figures(written(tmp_path, *(rows if is_earlier_first else reversed(rows))), "Invented")


def test_a_missing_column_and_a_short_row_are_refused(tmp_path):
    with pytest.raises(CostingError, match=r"invented\.csv:1: the columns must be"):
        read_figures(written(tmp_path, GOOD, header=_COLUMNS[:-1]), "Invented")
    short = {column: GOOD[column] for column in _COLUMNS[:-1]}
    with pytest.raises(CostingError, match=r"invented\.csv:2: the row must have 11 cells"):
        read_figures(written(tmp_path, short), "Invented")


def test_an_unknown_set_is_answered_with_the_nearest():
    with pytest.raises(CostingError, match=r"'Champange'.*Did you mean 'Champagne'"):
        rule_set("Champange")


def test_case_accents_and_hyphens_of_a_name_do_not_matter():
    assert rule_set("cremant-de_LOIRE").figures == rule_set("Crémant de Loire").figures


def test_the_row_in_force_on_the_day_counts():
    cava = rule_set("Cava")
    assert cava.figure("months on lees", "reserva", date(2021, 12, 31)).value == 15
    assert cava.figure("months on lees", "reserva", date(2022, 1, 1)).value == 18
    assert cava.figure("months on lees", "reserva", date(1999, 1, 1)) is None


def test_the_category_that_matches_by_most_words_counts_and_blank_is_for_all():
    cava = rule_set("Cava")
    on = date(2023, 1, 1)
    assert cava.figure("months on lees", "gran reserva", on).value == 30
    assert cava.figure("months on lees", "reserva", on).value == 18
    assert cava.figure("months on lees", "blanc de blancs", on).value == 9
    assert cava.figure("months on lees", "", on).value == 9


def test_of_two_categories_the_strictest_counts():
    assert rule_set("Franciacorta").figure("months on lees", "Rosé, vintage", date(2020, 1, 1)).value == 30


@pytest.mark.parametrize("category", ["non-vintage", "Non vintage", "multi-vintage", "non  vintage"])
def test_non_vintage_is_not_vintage(category):
    assert rule_set("Champagne").figure("months to sale", category, date(2020, 1, 1)).value == 15


def test_a_general_set_stands_behind_and_gives_way_rule_by_rule():
    on = date(2020, 6, 1)
    champagne = rule_set("Champagne")
    assert champagne.figure("alcohol gain by tirage", "", on).rule_set == "European Union"
    assert champagne.figure("months to sale", "", on).rule_set == "Champagne"
    assert {f.rule_set for f in champagne.in_force("months to sale", on)} == {"Champagne"}
    assert rule_set("Sussex").figure("nominal volume from", "", on).rule_set == "United Kingdom"
    assert rule_set("Sussex").figure("sugar maximum", "brut", on).rule_set == "European Union"
    assert rule_set("Cap Classique").figure("sugar maximum", "brut", on) is None


def test_rows_and_figure_agree_row_by_row():
    rules = rule_set("Cava")
    days = np.array(["2019-06-01", "2021-06-01", "2024-06-01", "NaT", "2024-06-01"], dtype="datetime64[D]")
    categories = ["reserva", "gran reserva", "paraje calificado", "reserva", float("nan")]
    index = rules.rows("months on lees", categories, days)
    assert [rules.figures[i].value if i >= 0 else None for i in index] == [15, 30, 36, None, 9]


def test_a_rule_that_nobody_knows_is_a_mistake_of_the_program():
    with pytest.raises(KeyError):
        rule_set("Cava").figure("moon phase", "", date(2020, 1, 1))


def test_figures_from_press_pages_or_memory_say_so():
    second_hand = ("second-hand", "from memory", "carried over", "not read", "not identified")
    for name in ("Franciacorta", "Sussex", "Cap Classique"):
        own = [figure for figure in rule_set(name).figures if figure.rule_set == name]
        assert own
        assert all(any(word in figure.note for word in second_hand) for figure in own)
    repealed = date(2023, 1, 1)
    for figure in rule_set("Champagne").figures:
        if figure.rule_set == "Champagne" and figure.in_force_from <= repealed <= figure.last_day:
            assert "carried over" in figure.note
