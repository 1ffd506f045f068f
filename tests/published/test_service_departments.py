"""Service departments by the direct, step-down and reciprocal methods: three teaching examples."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
import pytest

from costing.engine.pools import SERVICE_METHODS, reciprocal
from tests.published.figures import Figure

DELIVERY = "Delivery company with two service departments, teaching page (second check)"
REPEATED = "Repeated distribution in 4:3:3 and 3:4:3, teaching page (second check); its limit"
CIMA = "CIMA BA2 integrated workbook (2018 edition), Overhead analysis, page 71"


def delivery(method: str, which: int) -> float:
    """Administration 1,200 (1/6 to maintenance, 1/6 and 4/6 to the two services sold), maintenance 2,400 (1/5 to
    administration, 1/5 and 3/5); own cost of what is sold 1,500 and 4,000; maintenance steps down first.
    """
    among, out = np.array([[0, 1 / 6], [1 / 5, 0]]), np.array([[1 / 6, 4 / 6], [1 / 5, 3 / 5]])
    charged = SERVICE_METHODS[method](np.array([2_400.0, 1_200.0]), among[::-1, ::-1], out[::-1])
    return float((np.array([1_500, 4_000]) + charged)[which])


def repeated(which: int) -> float:
    """P1 80,000, P2 70,000; S1 30,000 in 4:3:3 to P1, P2, S2; S2 20,000 in 3:4:3 to P1, P2, S1: the simultaneous
    equations x = 30,000 + 0.3 y, y = 20,000 + 0.3 x have the same answer.
    """
    return [80_000, 70_000][which] + float(reciprocal([30_000, 20_000], [[0, 3], [3, 0]], [[4, 3], [3, 4]])[which])


def of_the_workbook(which: int) -> float:
    """P1 150,000, P2 205,000; S1 21,000 apportioned 11,550 / 7,350 / 2,100 (S2), S2 17,100 as 5,130 / 11,115 / 855."""
    charged = reciprocal([21_000, 15_000], [[0, 2_100], [855, 0]], [[11_550, 7_350], [5_130, 11_115]])
    return [150_000, 205_000][which] + float(charged[which])


def both(
    source: str, what: str, stated: tuple[float, float], digits: int, found: Callable[[int], float], **more: float
):
    return [
        Figure(source, f"{what}, {('first', 'second')[which]}", figure, digits, partial(found, which), False, **more)
        for which, figure in enumerate(stated)
    ]


FIGURES = [
    *both(DELIVERY, "reciprocal", (2_328, 6_772), 0, partial(delivery, "reciprocal")),
    *both(DELIVERY, "direct", (2_340, 6_760), 0, partial(delivery, "direct"), is_worked_out=True),
    *both(DELIVERY, "step-down", (2_316, 6_784), 0, partial(delivery, "step-down"), is_worked_out=True),
    *both(REPEATED, "reciprocal", (105_384.62, 94_615.38), 2, repeated, is_worked_out=True),
    *both(CIMA, "repeated distribution", (167_179, 223_821), 0, of_the_workbook, rounded_before=0.5),
]


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.name)
def test_a_published_figure(figure: Figure) -> None:
    figure.check()
