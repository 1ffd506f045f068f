"""Microsoft's documentation of XIRR (Excel) and XNPV (Excel and DAX), through whole runs: dated payments at Act/365."""

from __future__ import annotations

from functools import partial

import pytest
from scipy.optimize import brentq

from tests.published.figures import Figure
from tests.published.whole_runs import paid_in_parts, present_value

XIRR, DAX = "Microsoft, documentation of XIRR (Excel)", "Microsoft, documentation of XNPV (DAX)"
PAYMENTS = ("2008-03-01", "2008-10-30", "2009-02-15", "2009-04-01"), (2_750, 4_250, 3_250, 2_750)


def rate_of_return() -> float:
    return brentq(lambda rate: present_value("2008-01-01", *PAYMENTS, rate) - 10_000, 0.3, 0.5, xtol=1e-10)


FIGURES = [
    Figure(XIRR, "0.373362535; Excel stops within 0.000001 percent", 0.37336253351, 8, rate_of_return),
    Figure(DAX, "the payments of 2014", 2_089.50, 2, partial(paid_in_parts, False, 2014)),
]


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.name)
def test_a_published_figure(figure: Figure) -> None:
    figure.check()
