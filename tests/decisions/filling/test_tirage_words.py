"""What the advice on a tirage tells a person to do, from the bottles advised and those planned."""

from __future__ import annotations

import pytest

from costing.decisions.filling.spring_tirage import _do


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
