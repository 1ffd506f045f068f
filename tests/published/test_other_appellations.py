"""Other places: each figure beside the text that says it."""

from __future__ import annotations

from datetime import date

import pytest

from costing.inputs.appellations import rule_set

ON = date(2024, 6, 1)


@pytest.mark.parametrize(
    ("name", "rule", "category", "value", "unit"),
    [
        # Décret n° 2009-1269 of 19 October 2009, annex, Crémant de Bourgogne: VIII-5°a, IX-1°d, 2°d, 5°a
        ("Crémant de Bourgogne", "press yield", "", 100, "L per 150 kg"),
        ("Crémant de Bourgogne", "pressure", "", 4, "bar at 20 °C"),
        ("Crémant de Bourgogne", "months on lees", "", 9, "months"),
        ("Crémant de Bourgogne", "months to sale", "", 12, "months"),
        # the same décret, Crémant de Loire: VIII-5°, IX-1°d, IX-2°e and f, IX-5°a
        ("Crémant de Loire", "press yield", "", 100, "L per 150 kg"),
        ("Crémant de Loire", "pressure", "", 4, "bar at 20 °C"),
        ("Crémant de Loire", "disgorgement by-products", "", 0.5, "%"),
        ("Crémant de Loire", "months on lees", "", 9, "months"),
        ("Crémant de Loire", "months to sale", "", 12, "months"),
        # Disciplinare Franciacorta, art. 5, as quoted by a press page (second-hand)
        ("Franciacorta", "months on lees", "", 18, "months"),
        ("Franciacorta", "months on lees", "rosé", 24, "months"),
        ("Franciacorta", "months on lees", "satèn", 24, "months"),
        ("Franciacorta", "months on lees", "millesimato", 30, "months"),
        ("Franciacorta", "months on lees", "riserva", 60, "months"),
        # Disciplinare Trento, art. 5 and 7, Gazzetta Ufficiale of 10 September 1992 (proposal)
        ("Trento", "months on lees", "", 15, "months"),
        ("Trento", "months on lees", "millesimato", 24, "months"),
        ("Trento", "months on lees", "riserva", 36, "months"),
        # Pliego de condiciones DOP Cava, 2.a; the longer times from press pages of 2021 (second-hand)
        ("Cava", "months on lees", "", 9, "months"),
        ("Cava", "months on lees", "reserva", 18, "months"),
        ("Cava", "months on lees", "gran reserva", 30, "months"),
        ("Cava", "months on lees", "paraje calificado", 36, "months"),
        # press pages of 2022 (second-hand)
        ("Sussex", "months on lees", "", 12, "months"),
        ("Sussex", "months to sale", "", 15, "months"),
        # The Wine Regulations 2011 (SI 2011/2936), Schedule 2, paragraph 4
        ("English and Welsh", "months on lees", "", 9, "months"),
        ("English and Welsh", "pressure", "", 3.5, "bar at 20 °C"),
        # trade news of 25 October 2023 (second-hand)
        ("Cap Classique", "months on lees", "", 12, "months"),
    ],
)
def test_figures(name, rule, category, value, unit):
    figure = rule_set(name).figure(rule, category, ON)
    assert (figure.value, figure.unit, figure.rule_set) == (value, unit, name)


@pytest.mark.parametrize("name", ["Crémant de Bourgogne", "Crémant de Loire"])
def test_cremant_tirage_from_the_first_of_december_after_harvest(name):
    figure = rule_set(name).figure("earliest tirage", "", ON)  # IX-2°c of either specification
    assert (figure.month_day, figure.unit) == ("12-01", "year of harvest")


@pytest.mark.parametrize(
    ("name", "category", "day", "months"),
    [
        ("Cava", "reserva", date(2021, 6, 1), 15),  # Orden APA/415/2007, BOE of 27 February 2007
        ("Cava", "reserva", date(2022, 6, 1), 18),  # press page of 17 June 2021 (second-hand)
        ("Cap Classique", "", date(2022, 12, 31), 9),  # trade news of 22 May 2017 (second-hand)
        ("Cap Classique", "", date(2023, 1, 1), 12),
    ],
)
def test_rules_that_changed(name, category, day, months):
    assert rule_set(name).figure("months on lees", category, day).value == months
