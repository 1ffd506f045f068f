"""Horngren, Datar, Foster and others, Cost Accounting: A Managerial Emphasis, joint-cost exercises 16-30.

Edition with the figures of 2008: inputs as printed in the exercise, answers by arithmetic from them (the
method of the chapter). 14th edition, figures of 2010: physical measure and sales value as printed in a
published solution; the net realisable value and constant-margin answers printed there are wrong and not
used.
"""

import numpy as np
import pytest

from costing.engine.split import Fractions, split_shares

# 2008: 10,000 gallons of milk for 15,000 and churning for 5,000 give 20,000 cups (10,000 lb) of butter and
# 80,000 cups (20,000 quarts) of buttermilk, worth 2.00 a pound and 1.50 a quart at split-off. Butter spread:
# 20,000 tubs at 2.50 for 0.50 a pound more.
JOINT_2008 = 20_000.0
CUPS_2008 = np.array([20_000.0, 80_000.0])


def two_products(cups, sales_value, separable_cost):
    return Fractions(
        load=np.array([0, 0]),
        n_loads=1,
        volume_l=cups,
        price_per_l=np.array(sales_value) / cups,
        separable_per_l=np.array(separable_cost) / cups,
    )


AT_SPLIT_OFF = two_products(CUPS_2008, [20_000, 30_000], [0, 0])
FINISHED = two_products(CUPS_2008, [50_000, 30_000], [5_000, 0])


@pytest.mark.parametrize(
    ("method", "fractions", "expected"),
    [
        ("volume", AT_SPLIT_OFF, [4_000, 16_000]),
        ("sales value", AT_SPLIT_OFF, [8_000, 12_000]),
        ("nrv", FINISHED, [12_000, 8_000]),
        ("constant margin", FINISHED, [10_625, 9_375]),
    ],
)
def test_joint_cost_2008(method, fractions, expected):
    split = split_shares(fractions, 0, (method,))
    np.testing.assert_allclose(JOINT_2008 * split.share + split.posting, expected, rtol=1e-12)


def test_constant_margin_is_constant():
    split = split_shares(FINISHED, 0, ("constant margin",))
    full_cost = JOINT_2008 * split.share + split.posting + FINISHED.separable_cost
    np.testing.assert_allclose(1 - full_cost / FINISHED.sales_value, 0.6875, rtol=1e-12)


def test_joint_cost_2010():
    # 12,000 gallons; 3 and 9 cups a gallon; 2.20 a pound (2 cups), 1.20 a quart (4 cups); joint cost 31,680
    cups = np.array([36_000.0, 108_000.0])
    products = two_products(cups, [18_000 * 2.20, 27_000 * 1.20], [0, 0])
    np.testing.assert_allclose(31_680 * split_shares(products, 0, ("volume",)).share, [7_920, 23_760], rtol=1e-12)
    np.testing.assert_allclose(31_680 * split_shares(products, 0, ("sales value",)).share, [17_424, 14_256], rtol=1e-12)
