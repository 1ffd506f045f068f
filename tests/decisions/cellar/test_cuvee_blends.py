"""What a cuvée was and will be bottled from, and what is no wine to bottle."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd

from costing.decisions.cellar.cuvee_blends import MOST_OTHER, is_liqueur
from costing.results.composition import OTHER


def test_wine_with_as_much_sugar_as_wine_may_have_is_no_liqueur_yet() -> None:
    shares = pd.DataFrame({"Meunier": [1.0, 1.0 - MOST_OTHER, 0.9], OTHER: [0.0, MOST_OTHER, 0.1]})
    mix: Any = SimpleNamespace(shares=lambda states, by: shares.iloc[states])
    assert is_liqueur(mix, np.arange(3)).tolist() == [False, False, True]
