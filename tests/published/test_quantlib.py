"""30E/360, through whole runs: QuantLib's test suite (test-suite/daycounters.cpp, testThirty360_EurobondBasis), whose
figures are from ISDA's "30/360 day count conventions" (22 December 2008).
"""

from __future__ import annotations

from functools import partial

import pytest

from tests.published.figures import Figure
from tests.published.whole_runs import days_of_30_360

SOURCE = "ISDA, 30/360 day count conventions, as in QuantLib's test suite"
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

FIGURES = [
    Figure(SOURCE, f"{start} to {end}", days, 6, partial(days_of_30_360, start, end))
    for start, end, days in EUROBOND_DAYS
]


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.name)
def test_a_published_figure(figure: Figure) -> None:
    figure.check()
