"""What a cuvée was and will be bottled from, and what is no wine to bottle."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd

from costing import House, read_estate
from costing.decisions.cellar.cuvee_blends import MOST_OTHER, is_liqueur
from costing.results.composition import OTHER
from tests.golden.every_decision import tables


def test_wine_with_as_much_sugar_as_wine_may_have_is_no_liqueur_yet() -> None:
    shares = pd.DataFrame({"Meunier": [1.0, 1.0 - MOST_OTHER, 0.9], OTHER: [0.0, MOST_OTHER, 0.1]})
    mix: Any = SimpleNamespace(shares=lambda states, by: shares.iloc[states])
    assert is_liqueur(mix, np.arange(3)).tolist() == [False, False, True]


def test_a_tirage_whose_bottles_are_not_entered_yet_is_no_blend_that_a_vat_could_join() -> None:
    """A vat was said to change what a bottle of it costs by inf."""
    given = tables()
    given["tirage"] = given["tirage"].assign(Bottles=given["tirage"]["Bottles"].where(given["tirage"].index != 3, 0))
    joined = House(read_estate(given)).vats()["vats_in_blends"]
    assert set(joined["blend"]) == {"B26"}
    assert np.isfinite(joined["change_of_blend_per_bottle"]).all()
