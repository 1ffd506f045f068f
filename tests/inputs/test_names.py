"""One name in two spellings is said with both places; a series of numbers or letters is left alone."""

from __future__ import annotations

from itertools import pairwise

import pandas as pd
import pytest

from costing.errors import CAUTION, ERROR
from costing.inputs import spellings
from costing.inputs.load import load, read_frames
from costing.inputs.spellings import differs_in, keys_of, one_letter_apart, without_zeros
from tests.inputs.planted import findings_of, only, planted

SAME = [
    ("B24 Rosé", "B24 Rose"),
    ("B24 Rosé", "b24 ROSÉ"),
    ("V25-PM 2", "V25-PM2"),
    ("V25-PM 2", "V25 PM_2"),
    ("T25-BRUT", "T25 BRUT"),
    ("B24-BRUT", "В24-ВRUT"),
]
OTHER = [("V25-1", "V25-2"), ("V25-1-2", "V25-12"), ("G24-07", "M24-07"), ("V25-A", "V25-B"), ("V25-PN", "V25-PM")]
NEAR = [
    ("B25-BRUT", "B25-BRTU"),
    ("Alouettes farm", "Alouette farm"),
    ("Haute-Bise", "Haute-Brise"),
    ("Chardonnay", "Chardonney"),
]
APART = [
    ("T20-BRUT-M", "T20-BRUT-H"),
    ("T24-BRUT", "T25-BRUT"),
    ("Cuvée XVIII", "Cuvée XVII"),
    ("R22-PN", "R22-PNS"),
    ("Brut", "Bruts 2"),
    ("Clos Ostar", "Clos Staro"),
]


@pytest.mark.parametrize(("one", "other"), SAME)
def test_case_accents_spaces_signs_and_look_alikes_make_no_other_name(one: str, other: str) -> None:
    assert len(set(keys_of([one, other]))) == 1


@pytest.mark.parametrize(("one", "other"), OTHER)
def test_other_digits_and_other_letters_are_another_name(one: str, other: str) -> None:
    assert len(set(without_zeros(keys_of([one, other])))) == 2
    assert list(one_letter_apart([one, other])) == []


def test_a_leading_zero_is_the_same_number() -> None:
    assert len(set(without_zeros(keys_of(["V25-07", "V25-7"])))) == 1
    assert len(set(without_zeros(keys_of(["V25-10", "V25-1"])))) == 2


@pytest.mark.parametrize(("one", "other"), NEAR)
def test_a_letter_more_less_changed_or_exchanged_is_near(one: str, other: str) -> None:
    assert {one, other} in [set(pair) for pair in one_letter_apart(["R-PERP", one, "V25-1", other])]


@pytest.mark.parametrize(("one", "other"), APART)
def test_codes_and_numbers_are_not_near(one: str, other: str) -> None:
    assert list(one_letter_apart([one, other])) == []


def test_a_new_lot_told_apart_by_a_sign_is_an_error_with_both_places() -> None:
    finding = only({"Movements!G4": "B 1", "Movements!G5": "B1"})
    assert (finding.place, finding.value, finding.severity) == ("Movements!G4", "B 1", ERROR)
    assert finding.rule == "differs from 'B1' at Movements!G5 only in its spaces or signs."


@pytest.mark.parametrize(
    ("place", "word", "says"),
    [
        ("Deliveries!F3", "CHARDONNAY", "differs from 'Chardonnay' at Opening stock!I2 only in its capital letters."),
        ("Opening stock!J2", "Amblencoùrt", "differs from 'Amblencourt' at Deliveries!E2 only in its accents."),
        ("Deliveries!D3", "grower A", "differs from 'Grower A' at Deliveries!D2 only in its capital letters."),
    ],
)
def test_villages_growers_and_varieties_have_one_spelling_each(place: str, word: str, says: str) -> None:
    found = [finding for finding in findings_of({place: word}) if "differs" in finding.rule]
    assert [(finding.place, finding.rule) for finding in found] == [(place, says)]


def test_one_letter_is_a_caution_once_at_the_rarer_name() -> None:
    tables = planted({})
    header = "Vineyard" if "Vineyard" in tables["Deliveries"] else "Village"
    wide = pd.concat([tables["Deliveries"].iloc[[0]]] * 3, ignore_index=True)
    wide["Lot"] = ["G11", "G12", "G13"]
    wide[header] = ["Terrasses", "Terasses", "Terrasses"]
    tables["Deliveries"] = pd.concat([tables["Deliveries"], wide], ignore_index=True)
    cautions = load(read_frames(tables), settings_required=False).cautions
    near = [finding for finding in cautions if "one letter" in finding.rule]
    assert [(finding.value, finding.severity) for finding in near] == [("Terasses", CAUTION)]
    assert "'Terrasses' at Deliveries!" in near[0].rule


def test_more_words_than_names_are_made_of_are_codes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spellings, "_MOST_NAMES", 3)
    names = ["Terrasses", "Terasses", "Alouette"]
    assert list(one_letter_apart(names)) != []
    assert list(one_letter_apart([*names, "Chardonnay"])) == []


def test_codes_of_letters_alone_are_a_series() -> None:
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    codes = [f"LOT{a}" for a in letters]
    assert all({a, b} in [set(pair) for pair in one_letter_apart(codes)] for a, b in pairwise(codes))
    tables = planted({})
    rows = pd.concat([tables["Deliveries"].iloc[[0]]] * len(codes), ignore_index=True)
    tables["Deliveries"] = pd.concat([tables["Deliveries"], rows.assign(Lot=codes)], ignore_index=True)
    cautions = load(read_frames(tables), settings_required=False).cautions
    assert not [finding for finding in cautions if "one letter" in finding.rule]


@pytest.mark.parametrize(("others", "is_said"), [(36, True), (35, False)])
def test_pairs_a_letter_apart_are_said_until_more_than_a_tenth_of_the_names_are_such(
    others: int, is_said: bool
) -> None:
    """Four names of two pairs: of forty that is a tenth, of thirty-nine more."""
    begins, ends = ("bal", "cor", "dum", "fen", "gir", "hos"), ("wick", "stray", "lomb", "pound", "tegg", "ravo")
    names = ["Terrasses", "Terasses", "Alouette", "Alouettes", *(one + two for one in begins for two in ends)]
    names = names[: 4 + others]
    apart = {name for pair in one_letter_apart(names) for name in pair}
    assert (len(names), len(apart)) == (4 + others, 4)
    lots = pd.DataFrame({"Date": "2024-09-12", "Lot": [f"G{row}" for row in range(len(names))], "What": "grapes",
                         "Quantity": 4000, "Unit": "kg", "Price per unit": 6, "Supplier": names})  # fmt: skip
    cautions = load(read_frames({"Deliveries": lots}), settings_required=False).cautions
    assert len([finding for finding in cautions if "one letter" in finding.rule]) == (2 if is_said else 0)


@pytest.mark.parametrize("other", ["V25 - 1", " V25-1", "V25--1 ", "v25_ 1"])
def test_signs_and_spaces_that_come_twice_count_once(other: str) -> None:
    assert keys_of([other, "V26-1"]) == keys_of(["V25-1", "V26-1"])


@pytest.mark.parametrize(
    ("name", "usual", "said"),
    [
        ("BRUT", "Brut", "its capital letters"),
        ("Rose", "Rosé", "its accents"),
        ("\u0410mbre", "Ambre", "letters of another alphabet that look alike"),  # the first is Cyrillic
        ("V25 1", "V25-1", "its spaces or signs"),
    ],
)
def test_in_what_two_spellings_differ(name: str, usual: str, said: str) -> None:
    assert differs_in(name, usual) == said
