"""Microsoft's documentation of XNPV and XIRR (Excel) and XNPV (DAX).

Dated flows at an effective annual rate by Act/365.
"""

import numpy as np
import pytest
from scipy.optimize import brentq

from costing.engine.carrying import RateCurve

FLOWS = np.array([-10_000, 2_750, 4_250, 3_250, 2_750])
DATES_2008 = np.array(["2008-01-01", "2008-03-01", "2008-10-30", "2009-02-15", "2009-04-01"], "M8[D]")
DATES_2014 = np.array(["2014-01-01", "2014-03-01", "2014-10-30", "2015-02-15", "2015-04-01"], "M8[D]")


def net_present_value(rate, dates):
    return (FLOWS * RateCurve.flat(rate).growth(dates, dates[0])).sum()


def test_xnpv():
    # Excel, XNPV function: 9 %, "2086.6476 or 2086.65"
    assert net_present_value(0.09, DATES_2008) == pytest.approx(2086.6476, abs=5e-5)


def test_xnpv_without_a_leap_year():
    # DAX, XNPV function: the same payments from 2014 on, "2089.50"
    assert net_present_value(0.09, DATES_2014) == pytest.approx(2089.50, abs=5e-3)


def test_xirr():
    # Excel, XIRR function: 0.373362535 ("37.34 %"); Excel stops within 0.000001 percent
    root = brentq(net_present_value, 0.0, 1.0, args=(DATES_2008,), xtol=1e-12)
    assert root == pytest.approx(0.37336253351, abs=1e-8)
