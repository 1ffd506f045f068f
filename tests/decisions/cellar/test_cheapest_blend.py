"""The cheapest blend of a cellar of three lots, by hand: what is wine, and how small a trial or its rest may be.

`test_blending` holds it against a grid and against its shadow prices on the demo.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from costing import read_estate
from costing.decisions.cellar.blending import LotsOnHand, trial_blends
from costing.decisions.cellar.cheapest_blend import _verdicts, cheapest_blend, cheapest_blends
from costing.decisions.cellar.cuvee_blends import MOST_OTHER
from costing.model import Runs
from costing.results.composition import OTHER
from tests.decisions.cellar.test_blending import small_cellar

NO_BOUNDS = pd.DataFrame({"line": [], "lot": [], "share": []})


def three_lots() -> LotsOnHand:
    """100 L each, at 1.00, 2.00 and 3.00 a litre; the first is a liqueur, the second as sweet as wine may be."""
    other = np.array([0.5, MOST_OTHER, 0.0])
    return LotsOnHand(
        names=pd.Index(["liqueur", "sweetened", "dry"]),
        states=np.arange(3),
        litres=np.full(3, 100.0),
        value=pd.DataFrame({"economic": [1.0, 2.0, 3.0]}),
        part=pd.DataFrame({"reserve": 0.0, "second": 0.0, OTHER: other}),
        shares={},
        last={},
    )


def test_wine_as_sweet_as_wine_may_be_is_blended_and_liqueur_is_not() -> None:
    found = cheapest_blend(three_lots(), 150.0, NO_BOUNDS)
    assert found.litres == pytest.approx([0.0, 100.0, 50.0])
    assert found.value_per_l == pytest.approx(350.0 / 150.0)


def test_all_the_wine_there_is_can_be_blended_and_a_litre_more_can_not() -> None:
    assert cheapest_blend(three_lots(), 200.0, NO_BOUNDS).litres == pytest.approx([0.0, 100.0, 100.0])
    assert not cheapest_blend(three_lots(), 201.0, NO_BOUNDS).litres.any()


def test_no_litres_wanted_draw_nothing_and_cost_nothing_known() -> None:
    found = cheapest_blend(three_lots(), 0.0, NO_BOUNDS)
    assert not found.litres.any()
    assert np.isnan(found.value_per_l)
    assert found.impossible == ()


@pytest.mark.parametrize("bottles", [0.0, 1.0])
def test_a_trial_of_one_bottle_has_a_cheapest_blend_and_one_of_none_says_nothing(bottles: float) -> None:
    frames = small_cellar()
    wanted = {"Trial": ["A"], "Line": ["bottles"], "Cuvée": ["Brut"], "Bottles (bottles)": [bottles]}
    frames["Trial blends"] = pd.concat([frames["Trial blends"], pd.DataFrame(wanted)], ignore_index=True)
    made, _, findings = cheapest_blends(Runs(read_estate(frames)))
    assert findings == []
    assert made["lot"].tolist() == (["V1"] if bottles else [])  # 9.00 a litre, the reserve 12.00
    assert made["bottles"].tolist() == ([bottles] if bottles else [])


def test_half_a_cent_is_what_makes_a_trial_dearer_than_the_cheapest() -> None:
    costed = pd.DataFrame(
        {
            "cuvee": "Brut",
            "economic_at_tirage": [0.0, 0.004, 0.005, 2.0, -1.0, 3.0],
            "bounds_breached": ["none", "none", "none", "none", "reserve 1.0%, at least 2.0%", ""],
        }
    )
    same = "cheapest within bounds"
    assert _verdicts(costed) == [same, same, "0.01 dearer", "2.00 dearer", "breaks a bound", ""]


def test_half_a_litre_of_red_wine_is_named_and_half_a_litre_left_is_nothing_left() -> None:
    frames = small_cellar()
    frames["Opening stock"] = frames["Opening stock"].assign(Colour=["", "red", ""])
    lots = {"Lot or attribute": ["V1", "R1", "V1"], "Litres (L)": [3_999.5, 0.5, 3_999.0]}
    lines = {"Trial": ["A", "A", "B"], "Line": "lot", "Cuvée": "Brut", **lots}
    frames["Trial blends"] = pd.DataFrame(lines)
    trial = trial_blends(Runs(read_estate(frames)))[0].set_index("trial")
    assert trial.loc["A", "bounds_breached"] == "R1 is red wine, and cuvée 'Brut' is no rosé"
    assert trial.loc["A", "litres_left"] == "R1 2,000"  # 1,999.5 of it; of V1 half a litre
    assert trial.loc["B", ["bounds_breached", "litres_left"]].tolist() == ["none", "V1 1"]
