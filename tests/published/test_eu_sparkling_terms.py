"""Sparkling wine in the law of the European Union and the United Kingdom.

Terms: Commission Regulation (EC) No 607/2009, Annex XIV, part A, taken over by Delegated Regulation (EU)
2019/33, Annex III, part A. Strength: Delegated Regulation (EU) 2019/934, Annex II. Nominal quantities:
Directive 2007/45/EC, Annex (list as in the French arrêté of 8 October 2008 and in UK SI 1988/2039, Sch. A1).
"""

from __future__ import annotations

from datetime import date

import pytest

from costing.inputs.appellations import rule_set
from costing.results.appellation import (
    nominal_volume,
    sweetness_terms,
    terms_for,
    tirage_alcohol_gain,
)
from costing.units import FORMATS_L

EU = rule_set("European Union")
GENERATIONS = [date(2015, 1, 1), date(2022, 1, 1)]  # Regulation 607/2009; Regulation 2019/33

# sugar of the wine, g/L -> terms whose printed range holds it: brut nature <3; extra brut 0 to 6; brut <12;
# extra dry 12 to 17; sec 17 to 32; demi-sec 32 to 50; doux >50
TERMS = [
    (0, {"brut nature", "extra brut", "brut"}),
    (2, {"brut nature", "extra brut", "brut"}),
    (3, {"extra brut", "brut"}),
    (6, {"extra brut", "brut"}),
    (6.5, {"brut"}),
    (11.9, {"brut"}),
    (12, {"extra dry"}),
    (17, {"extra dry", "sec"}),
    (20, {"sec"}),
    (32, {"sec", "demi-sec"}),
    (50, {"demi-sec"}),
    (50.1, {"doux"}),
]


@pytest.mark.parametrize("on", GENERATIONS)
@pytest.mark.parametrize(("g_per_l", "terms"), TERMS)
def test_terms_by_sugar(on, g_per_l, terms):
    assert set(terms_for(EU, on, g_per_l)) == terms


def test_brut_nature_only_if_no_sugar_was_added():
    assert terms_for(EU, GENERATIONS[1], 2, sugar_added=True) == ["extra brut", "brut"]


@pytest.mark.parametrize("on", GENERATIONS)
@pytest.mark.parametrize(("g_per_l", "terms"), TERMS)
def test_a_stated_term_is_doubted_exactly_if_it_does_not_fit(on, g_per_l, terms):
    every = ["brut nature", "extra brut", "brut", "extra dry", "sec", "demi-sec", "doux"]
    n = len(every)
    # the sugar stands as residual, so that none was added
    found = sweetness_terms(EU, [on] * n, [0.0] * n, every, every, [g_per_l] * n)
    assert {finding.place for finding in found} == set(every) - terms


@pytest.mark.parametrize(
    ("spelling", "g_per_l"),
    [
        ("dosage zéro", 0),
        ("Pas Dosé", 0),
        ("extra herb", 5),
        ("extra trocken", 15),
        ("trocken", 20),
        ("halbtrocken", 40),
    ],
)
def test_spellings_of_the_annex(spelling, g_per_l):
    found = sweetness_terms(EU, [GENERATIONS[0]], [0.0], [spelling], ["label"], [g_per_l])
    assert list(found) == []


def test_tirage_liqueur_adds_at_most_one_and_a_half_percent():
    # 1.5 × 16.83 = 25.245 g/L
    found = tirage_alcohol_gain(EU, ["2021-01-15"] * 2, [25.24, 25.25], ["within", "above"])
    assert [finding.place for finding in found] == ["above"]


@pytest.mark.parametrize("name", ["European Union", "United Kingdom"])
def test_nominal_quantities(name):
    sizes_ml = [100, 124, 125, 187, 200, 250, 375, 500, 620, 750, 1000, 1500, 1501, 3000]
    found = nominal_volume(rule_set(name), ["2020-01-01"] * 14, [ml / 1000 for ml in sizes_ml], sizes_ml)
    assert [finding.place for finding in found] == [187, 250, 500, 620, 1000]


def test_the_formats_of_the_library_are_nominal_quantities():
    sizes = list(FORMATS_L.values())
    assert list(nominal_volume(EU, ["2020-01-01"] * len(sizes), sizes, list(FORMATS_L))) == []


def test_least_pressure():
    # Regulation 1308/2013, Annex VII, part II, point 5 (point from memory); the same two figures in the Cava
    # specification, 2.c
    on = date(2021, 1, 1)
    assert EU.figure("pressure", "", on).value == 3.5
    assert EU.figure("pressure", "under 25 cl", on).value == 3


def test_time_in_bottle_and_on_lees_from_memory():
    on = date(2021, 1, 1)
    for rule, value in (("months to sale", 9), ("days on lees", 90), ("sugar tolerance", 3)):
        figure = EU.figure(rule, "", on)
        assert figure.value == value
        assert "from memory" in figure.note
