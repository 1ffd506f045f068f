"""Tirage sugar and pressure.

Second-hand: veron-oenologie.blogspot.com, «Prise de mousse» (6 June 2019): 24 g/L give 6 bar at 10 °C and
8 bar at 20 °C, 4 g/L for 1 bar; viticulture-oenologie-formation.fr: 24 g/L give 6 bar at 10 °C.
Measured: «Unveiling CO2 heterogeneous freezing plumes during champagne cork popping», Scientific Reports
(2017), s41598-017-10702-6, table 1: 4.7, 5.8 and 7.5 bar of CO2 in the corked bottle at 279, 285 and 293 K.
"""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest

from costing import read_estate
from costing.decisions.cellar.recipe_figures import Recipe, usual_figures
from costing.decisions.cellar.recipe_rows import quantities
from costing.results.appellation import SUGAR_PER_PERCENT_VOL, estimated_pressure_bar, pressure_caution
from tests.published.figures import Figure


def test_warming_agrees_with_measured_bottles():
    celsius = np.array([279, 285, 293]) - 273.15
    measured = np.array([4.7, 5.8, 7.5])
    shape = estimated_pressure_bar(24.0, celsius)
    scale = (measured / shape).mean()
    # one bottle's sugar is not told: the course with temperature is compared, within 5 %
    assert (shape * scale).tolist() == pytest.approx(measured.tolist(), rel=0.05)


def test_the_usual_tirage_passes_and_more_is_a_caution():
    assert list(pressure_caution([24.0], ["usual"])) == []
    assert [finding.place for finding in pressure_caution([24.1], ["more"])] == ["more"]


def liqueur_ml() -> tuple[float, float]:
    """24 g/L from liqueur of 500 g/L (common practice): mL to a litre of wine, 24 / (500 − 24), and in a litre."""
    estate = read_estate({"settings": pd.DataFrame({"Setting": ["Tirage liqueur (g/L)"], "Value": [500]})})
    recipe = Recipe(
        **usual_figures() | {"tirage_sugar": 24.0, "kilograms": 16_000.0, "must_per_kg": 0.6375, "months_on_lees": 15},
        **{
            "harvest_date": date(2024, 9, 15),
            "tirage_date": date(2025, 4, 1),
            "grape_price_per_kg": 6.0,
            "cuvee": "Brut",
        },
    )
    made = quantities(estate, recipe)
    liqueur_l = made.liqueur_l / made.drawn_l
    return 1000 * liqueur_l, 1000 * liqueur_l / (1 + liqueur_l)


BLOG = "veron-oenologie.blogspot.com, «Prise de mousse», 6 June 2019 (second check)"
SCHOOL = "viticulture-oenologie-formation.fr, tirage (second check)"
FIGURES = [
    Figure(BLOG, "24 g/L at 10 °C", 6.0, 1, lambda: float(estimated_pressure_bar([24.0])[0]), False),
    Figure(BLOG, "24 g/L at 20 °C", 8.0, 1, lambda: float(estimated_pressure_bar([24.0], 20.0)[0]), False),
    Figure(BLOG, "4 g/L at 10 °C", 1.0, 1, lambda: float(estimated_pressure_bar([4.0])[0]), False),
    Figure(SCHOOL, "liqueur in a litre for 24 g/L, mL", 48.0, 1, lambda: liqueur_ml()[1], False),
]


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.name)
def test_a_published_figure(figure: Figure) -> None:
    figure.check()


def test_liqueur_to_a_litre_of_wine() -> None:
    assert round(liqueur_ml()[0], 1) == 50.4


def test_sugar_for_one_percent() -> None:
    # 16.83 g/L (glossary, «Chaptalisation»); 24 g/L: 24 / 17 = 1.41 to 24 / 16.83 = 1.43 % vol
    low, high = (24 / grams for grams in reversed(SUGAR_PER_PERCENT_VOL))
    assert (round(low, 2), round(high, 2)) == (1.41, 1.43)
