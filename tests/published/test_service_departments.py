"""Service departments by the direct, step-down and reciprocal methods: three teaching examples.

Delivery company and repeated distribution: teaching pages (second checks). CIMA BA2 integrated workbook
(2018 edition), "Overhead analysis", page 71.
"""

import numpy as np
import pytest

from costing.engine.pools import SERVICE_METHODS, reciprocal

# Delivery company: administration 1,200 (1/6 to maintenance, 1/6 and 4/6 to the two services sold),
# maintenance 2,400 (1/5 to administration, 1/5 and 3/5); own cost of what is sold 1,500 and 4,000.
OWN = np.array([1_200.0, 2_400.0])
AMONG = np.array([[0, 1 / 6], [1 / 5, 0]])
OUT = np.array([[1 / 6, 4 / 6], [1 / 5, 3 / 5]])


@pytest.mark.parametrize(
    ("method", "expected"),
    [
        ("reciprocal", [2_328, 6_772]),
        ("direct", [2_340, 6_760]),  # arithmetic redone from the source's inputs
        ("step-down", [2_316, 6_784]),  # the same, maintenance first
    ],
)
def test_delivery_company(method, expected):
    charged = SERVICE_METHODS[method](OWN[::-1], AMONG[::-1, ::-1], OUT[::-1])
    np.testing.assert_allclose(np.array([1_500, 4_000]) + charged, expected, atol=0.5)


def test_repeated_distribution_in_the_limit():
    # P1 80,000, P2 70,000; S1 30,000 in 4:3:3 to P1, P2, S2; S2 20,000 in 3:4:3 to P1, P2, S1. The
    # simultaneous equations x = 30,000 + 0.3 y, y = 20,000 + 0.3 x have the same answer.
    charged = reciprocal([30_000, 20_000], [[0, 3], [3, 0]], [[4, 3], [3, 4]])
    np.testing.assert_allclose(np.array([80_000, 70_000]) + charged, [105_384.62, 94_615.38], atol=0.005)


def test_repeated_distribution_of_the_workbook():
    # P1 150,000, P2 205,000; S1 21,000 apportioned 11,550 / 7,350 / 2,100 (S2), S2 17,100 as 5,130 / 11,115 /
    # 855 (S1); printed after rounding each round to whole units: 167,179 and 223,821
    charged = reciprocal([21_000, 15_000], [[0, 2_100], [855, 0]], [[11_550, 7_350], [5_130, 11_115]])
    np.testing.assert_allclose(np.array([150_000, 205_000]) + charged, [167_179, 223_821], atol=1.0)
