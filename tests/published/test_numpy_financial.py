"""numpy-financial, documentation of `irr` and `fv`, through whole runs: periodic flows as dated ones."""

from __future__ import annotations

import pytest
from scipy.optimize import brentq

from tests.published.figures import Figure
from tests.published.whole_runs import in_years, saved


def rate_of_return() -> float:
    return brentq(lambda rate: in_years(FLOWS, rate), 0.1, 0.5, xtol=1e-9)


FLOWS = (-100.0, 39.0, 59.0, 55.0, 20.0)

PAGE = "numpy-financial, documentation of"
FIGURES = [
    Figure(
        f"{PAGE} irr",
        "rate",
        0.28095,
        5,
        rate_of_return,
    ),
    Figure(
        f"{PAGE} fv",
        "value",
        15_692.92889434,
        6,
        lambda: saved(0.05 / 12, 100.0, 120, 100.0),
    ),
]


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.name)
def test_a_published_figure(figure: Figure) -> None:
    figure.check()
