"""OpenStax, Principles of Accounting, Volume 2: Managerial Accounting (sections named at each check)."""

import numpy as np
import pytest

from costing.engine.pools import pool_rate
from costing.engine.split import Fractions, split_shares

# 10.5 Evaluate and Determine Whether to Sell or Process Further: 40,000 of joint cost, 42,000 and 4,000
# gallons worth 104,500 and 50,500 at the split-off point. The unit of volume does not matter to a share.
GALLONS = np.array([42_000.0, 4_000.0])
TWO_PRODUCTS = Fractions(
    load=np.array([0, 0]), n_loads=1, volume_l=GALLONS, price_per_l=np.array([104_500.0, 50_500.0]) / GALLONS
)


def test_joint_cost_by_physical_measure():
    shares = split_shares(TWO_PRODUCTS, 0, ("volume",)).share
    np.testing.assert_allclose(40_000 * shares, [36_521.74, 3_478.26], atol=0.005)


def test_joint_cost_by_sales_value():
    # arithmetic redone from the source's inputs: 40,000 x 104,500 / 155,000
    shares = split_shares(TWO_PRODUCTS, 0, ("sales value",)).share
    np.testing.assert_allclose(40_000 * shares, [26_967.74, 13_032.26], atol=0.005)


def test_activity_rates():
    # 6.3 Calculate Activity-Based Product Costs: five pools over their drivers, no normal capacity
    pools = np.array([200_000, 500_000, 300_000, 600_000, 900_000])
    drivers = np.array([5_000, 10_000, 20_000, 30_000, 150_000])
    rates = pool_rate(pools, drivers, 0.0)
    np.testing.assert_allclose(rates.rate, [40, 50, 15, 20, 6], rtol=1e-14)
    np.testing.assert_array_equal(rates.unabsorbed, np.zeros(5))
    product = np.array([2_000, 5_000, 10_000, 15_000, 80_000])
    assert rates.rate @ product == pytest.approx(1_260_000)
    assert rates.rate @ product / 140_000 == pytest.approx(9.00)
