"""OpenStax, Principles of Accounting, Volume 2: Managerial Accounting, 6.3 Calculate Activity-Based Product Costs: five
pools over their drivers, no normal capacity. (10.5 stands with the whole runs.)
"""

from __future__ import annotations

import numpy as np
import pytest

from costing.engine.pools import pool_rate
from tests.published.figures import Figure

SOURCE = "OpenStax, Principles of Accounting 2"
POOLS = np.array([200_000, 500_000, 300_000, 600_000, 900_000])
DRIVERS = np.array([5_000, 10_000, 20_000, 30_000, 150_000])
PRODUCT = np.array([2_000, 5_000, 10_000, 15_000, 80_000])


def rates() -> np.ndarray:
    return pool_rate(POOLS, DRIVERS, 0.0).rate


FIGURES = [
    *(
        Figure(SOURCE, f"6.3, rate {number + 1}", stated, 9, lambda number=number: float(rates()[number]), False)
        for number, stated in enumerate((40, 50, 15, 20, 6))
    ),
    Figure(SOURCE, "6.3, overhead of the product", 1_260_000, 6, lambda: float(rates() @ PRODUCT), False),
    Figure(SOURCE, "6.3, a unit of the product", 9.00, 9, lambda: float(rates() @ PRODUCT / 140_000), False),
]


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.name)
def test_a_published_figure(figure: Figure) -> None:
    figure.check()


def test_nothing_is_left_of_a_pool_without_normal_capacity() -> None:
    np.testing.assert_array_equal(pool_rate(POOLS, DRIVERS, 0.0).unabsorbed, np.zeros(5))
