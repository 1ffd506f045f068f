"""OpenStax, Principles of Finance, chapter 16 (How Companies Think about Investing)."""

import numpy as np
import pytest
from scipy.optimize import brentq

from costing.engine.carrying import RateCurve

FLOWS = np.array([-16_000, 2_000, 4_000, 5_000, 5_000, 5_000, 5_000])
DAYS = 19_000 + 365 * np.arange(len(FLOWS))  # one flow a year, Act/365


def net_present_value(rate):
    return (FLOWS * RateCurve.flat(rate).growth(DAYS, DAYS[0])).sum()


def test_net_present_value():
    assert net_present_value(0.09) == pytest.approx(2_835.62, abs=0.01)


def test_internal_rate_of_return():
    assert brentq(net_present_value, 0.0, 1.0) == pytest.approx(0.14085, abs=5e-6)


def test_profitability_index():
    # present value of the inflows over the outlay, printed to two places
    assert round((net_present_value(0.09) + 16_000) / 16_000, 2) == 1.18
