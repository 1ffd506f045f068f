"""Champagne: specification annexed to décret n° 2010-1441 of 22 November 2010, as made and as amended.

Sections as printed: VIII-5° of 2010 is VIII-4° of the amended text. The décret was repealed on 11 December
2022 (Légifrance); the figures after that day are carried over and say so.
"""

from __future__ import annotations

from datetime import date

import pytest

from costing.inputs.appellations import rule_set
from costing.results.appellation import months_on_lees, months_to_sale, press_yield

RULES = rule_set("Champagne")
AMENDED = date(2016, 6, 1)
AS_MADE = date(2012, 6, 1)


@pytest.mark.parametrize(
    ("rule", "category", "value"),
    [
        ("press yield", "", 102),  # VIII-5°a: 102 L of settled must for 160 kg
        ("settling sediment", "", 4),  # VIII-5°a: 1 to 4 %
        ("volume booked", "", 98.5),  # VIII-5°c
        ("volume gain", "", 1.12),  # IX-1°f, IX-2°c
        ("months on lees", "", 12),  # IX-2°d
        ("months to sale", "", 15),  # IX-5°a
        ("months to sale", "vintage", 36),  # IX-5°a
        ("vintage share", "", 80),  # IX-2°h of 2010, IX-2°g as amended
        ("technical loss at vinification", "", 1),  # IX-1°h as amended
        ("technical loss at tirage", "", 1),  # IX-2°c as amended
        ("disgorgement by-products", "", 0.5),  # IX-2°f as amended
    ],
)
def test_figures_as_printed(rule, category, value):
    assert RULES.figure(rule, category, AMENDED).value == value


def test_tirage_from_the_first_of_january_of_the_year_after_harvest():
    figure = RULES.figure("earliest tirage", "", AMENDED)  # IX-2°c
    assert (figure.month_day, figure.unit) == ("01-01", "year after harvest")


def test_the_text_of_2010_had_other_technical_figures():
    assert RULES.figure("disgorgement by-products", "", AS_MADE).value == 0.25  # IX-2°f of 2010
    assert RULES.figure("technical loss at tirage", "", AS_MADE).value == 2  # IX-2°g of 2010


def test_a_press_load_of_4000_kg_gives_2550_litres():
    assert 4000 * 102 / 160 == 2550
    check = press_yield(RULES, ["2016-09-20"] * 2, [4000, 4000], [2550, 2550.1], ["within", "above"])
    assert [finding.place for finding in check] == ["above"]


def test_twelve_months_on_lees_and_fifteen_or_thirty_six_to_sale():
    tirage = ["2016-03-01"] * 2
    check = months_on_lees(RULES, tirage, ["2017-02-28", "2017-03-01"], ["early", "in time"])
    assert [finding.place for finding in check] == ["early"]
    check = months_to_sale(RULES, tirage, ["2017-05-31", "2017-06-01"], ["early", "in time"], "non-vintage")
    assert [finding.place for finding in check] == ["early"]
    check = months_to_sale(RULES, tirage, ["2019-02-28", "2019-03-01"], ["early", "in time"], "vintage")
    assert [finding.place for finding in check] == ["early"]
