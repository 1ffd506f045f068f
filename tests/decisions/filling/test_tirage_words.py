"""What the advice on a tirage tells a person to do, from the bottles advised and those planned."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from costing.decisions.filling.spring_tirage import _do, _reason, _stock_message


@pytest.mark.parametrize(
    ("bottles", "planned", "words"),
    [
        (0.0, 0.0, "none"),
        (0.4, 0.4, "none"),
        (0.4, 0.5, "fill none"),
        (0.5, 0.0, "fill 0, as planned"),
        (1000.0, 1000.9, "fill 1,000, as planned"),
        (1000.0, 1001.0, "fill 1,000, 1 fewer"),
        (1200.0, 1000.0, "fill 1,200, 200 more"),
    ],
)
def test_what_is_to_be_filled_is_said_beside_the_plan(bottles: float, planned: float, words: str) -> None:
    assert _do(bottles, planned) == words


@pytest.mark.parametrize(
    ("least", "most", "bottles", "planned", "words"),
    [
        (0, 1000, 1000, 800, "At most on Limits, or all wine that suits it, holds it"),
        (0, 1000, 999.5, 800, "At most on Limits, or all wine that suits it, holds it"),
        (0, 1000, 999.4, 800, "the market takes more than will be there, at a price that pays them"),
        (200, 1000, 200, 800, "At least on Limits holds it: one fewer would be better"),
        (200, 1000, 200.5, 800, "At least on Limits holds it: one fewer would be better"),
        (0.5, 1000, 0.5, 800, "At least on Limits holds it: one fewer would be better"),
        (0.4, 1000, 0.4, 0, "the market has enough of it on lees; its wine brings more elsewhere"),
        (0, 1000, 0.6, 0.6, "as many as the market takes at a price that pays them"),
        (0, 1000, 400.9, 400, "as many as the market takes at a price that pays them"),
        (0, 1000, 401, 400, "the market takes more than will be there, at a price that pays them"),
        (0, 1000, 399, 400, "beyond that the wine brings more elsewhere"),
    ],
)
def test_what_holds_the_bottles_where_they_are_is_said_in_one_sentence(
    least: float, most: float, bottles: float, planned: float, words: str
) -> None:
    stacks = SimpleNamespace(bottles=np.array([9.0, least]), most=np.array([9.0, most]))
    filling: Any = SimpleNamespace(springs=SimpleNamespace(facts=SimpleNamespace(stacks=stacks)))
    assert _reason(filling, 1, bottles, planned) == words


def test_of_a_cellar_without_bottles_on_lees_nothing_is_said() -> None:
    assert _stock_message(pd.DataFrame({"lees_now": [], "lees_three_years": []})) == ""
