"""numpy-financial, documentation of `irr` and `fv`: periodic flows as dated ones."""

import numpy as np
import numpy_financial as npf
import pytest

from costing.engine.carrying import RateCurve


def test_irr():
    # irr([-100, 39, 59, 55, 20]) = 0.28095: at that rate the flows, one a year, are worth nothing
    flows, days = np.array([-100, 39, 59, 55, 20]), 19_000 + 365 * np.arange(5)
    assert (flows * RateCurve.flat(0.28095).growth(days, days[0])).sum() == pytest.approx(0.0, abs=1e-3)
    exact = npf.irr(flows)
    assert (flows * RateCurve.flat(exact).growth(days, days[0])).sum() == pytest.approx(0.0, abs=1e-9)


def test_fv():
    # fv(0.05/12, 10*12, -100, -100) = 15692.92889434: 100 now and 100 at each month's end, months of 30/360
    months = np.arange("2015-01", "2025-02", dtype="M8[M]").astype("M8[D]")
    curve = RateCurve.flat((1 + 0.05 / 12) ** 12 - 1, "30E/360")
    assert (100.0 * curve.growth(months, months[-1])).sum() == pytest.approx(15692.92889434, abs=5e-8)
