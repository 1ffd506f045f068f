"""What filling a bottle takes, by hand; `test_blending` holds it against the rows that carry a trial out."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from costing import read_estate
from costing.decisions.cellar.bottling_costs import filling


def test_filling_pays_its_work_by_the_bottle_and_by_the_litre_of_wine_in_it() -> None:
    """By hand: 0.20 a bottle and 0.08 a litre of the 0.75 · (1 − 24/500)/(1 − 2 %) L that go into one, and a cap."""
    estate = read_estate(
        {
            "Cuvées": pd.DataFrame({"Cuvée": ["Brut"]}),
            "Operation rates": pd.DataFrame(
                {
                    "From": "2020-01-01",
                    "Operation": ["bottling", "bottling", "blending"],
                    "Driver": ["bottle out", "litre", "litre"],
                    "Amount": [0.20, 0.08, 0.03],
                    "Element": "labour",
                }
            ),
            "Dry goods": pd.DataFrame(
                {"From": ["2020-01-01"], "Stage": ["tirage"], "Item": ["crown cap"], "Unit price": [0.04]}
            ),
            "Loss norms": pd.DataFrame(
                {"Operation or stage": ["bottling", "blending"], "Norm (%)": [2.0, 1.0], "Time base": "per movement"}
            ),
        }
    )
    day = int(np.datetime64("2026-04-01").astype(int))
    taken = filling(estate, "Brut", "bottle", np.array([day]), day)
    wine_l = 0.75 * (1 - 24 / 500) / 0.98
    assert taken.tirage == pytest.approx([0.20 + 0.08 * wine_l + 0.04])
    assert taken.drawn_l == pytest.approx(wine_l / 0.99)
    assert taken.work == pytest.approx(0.03 * wine_l / 0.99 + taken.tirage)
