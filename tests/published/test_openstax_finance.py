"""OpenStax, Principles of Finance, chapter 16 (How Companies Think about Investing), through whole runs."""

from __future__ import annotations

from functools import partial

import pytest
from scipy.optimize import brentq

from tests.published.figures import Figure
from tests.published.whole_runs import in_years

SOURCE = "OpenStax, Principles of Finance"
FLOWS = (-16_000.0, 2_000.0, 4_000.0, 5_000.0, 5_000.0, 5_000.0, 5_000.0)

FIGURES = [
    Figure(SOURCE, "net present value at 9 %", 2_835.62, 2, partial(in_years, FLOWS, 0.09)),
    Figure(SOURCE, "rate of return", 0.14085, 5, lambda: brentq(lambda rate: in_years(FLOWS, rate), 0.05, 0.3)),
    Figure(SOURCE, "profitability index", 1.18, 2, lambda: (in_years(FLOWS, 0.09) + 16_000) / 16_000),
]


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.name)
def test_a_published_figure(figure: Figure) -> None:
    figure.check()
