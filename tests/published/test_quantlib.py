"""QuantLib's own test suite: equivalent rates and the day counts.

Equivalent rates: test-suite/interestrates.cpp, testConversions, whose figures are from Haug, The Complete
Guide to Option Pricing Formulas, pages 181-182. 30E/360: test-suite/daycounters.cpp,
testThirty360_EurobondBasis, whose figures are from ISDA's "30/360 day count conventions" (22 December
2008). QuantLib's Actual/Actual figures are not used: the library does not offer that day count.
"""

import numpy as np
import pytest

from costing.engine.carrying import DAY_COUNTS, RateCurve

# (start, end, days): ISDA's examples 1 to 3
EUROBOND_DAYS = [
    ("2006-08-20", "2007-02-20", 180),
    ("2007-08-20", "2008-02-20", 180),
    ("2008-08-20", "2009-02-20", 180),
    ("2006-02-28", "2006-08-31", 182),
    ("2006-08-31", "2007-02-28", 178),
    ("2007-08-31", "2008-02-29", 179),
    ("2008-02-29", "2008-08-31", 181),
    ("2008-08-31", "2009-02-28", 178),
    ("2009-02-28", "2009-08-31", 182),
    ("2011-08-31", "2012-02-29", 179),
    ("2006-01-31", "2006-02-28", 28),
    ("2006-01-30", "2006-02-28", 28),
    ("2006-02-28", "2006-03-03", 5),
    ("2006-02-14", "2006-02-28", 14),
    ("2006-09-30", "2006-10-31", 30),
    ("2006-10-31", "2006-11-28", 28),
    ("2007-08-31", "2008-02-28", 178),
    ("2008-02-28", "2008-08-28", 180),
    ("2008-02-28", "2008-08-30", 182),
    ("2008-02-28", "2008-08-31", 182),
    ("2007-02-26", "2008-02-28", 362),
    ("2007-02-26", "2008-02-29", 363),
    ("2008-02-29", "2009-02-28", 359),
    ("2008-02-28", "2008-03-30", 32),
    ("2008-02-28", "2008-03-31", 32),
]


@pytest.mark.parametrize(("start", "end", "days"), EUROBOND_DAYS)
def test_thirty_e_360(start, end, days):
    first, last = np.datetime64(start), np.datetime64(end)
    assert DAY_COUNTS["30E/360"](first, last) * 360 == pytest.approx(days, abs=1e-9)
    # and money grows by it
    assert RateCurve.flat(0.05, "30E/360").growth(first, last) == pytest.approx(1.05 ** (days / 360), rel=1e-12)
