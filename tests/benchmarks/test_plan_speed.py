"""Plans of some size in the time that a person waits, by the processor's clock; the largest of all is a row of the
speed table.
"""

from __future__ import annotations

import os

import pytest

from tests.benchmarks.plans import LARGEST, measure, measure_apart


def test_a_plan_of_a_hundred_lots() -> None:
    found = measure((100, 24, 3))
    assert found["bottles"] > 0
    assert found["processor_s"] < 10.0


@pytest.mark.skipif(os.environ.get("COSTING_FULL") != "1", reason="long: COSTING_FULL=1")
def test_a_plan_of_three_hundred_lots_forty_dates_and_ten_channels() -> None:
    found = measure_apart(LARGEST)
    assert found["processor_s"] < 20.0
    assert found["peak_gb"] < 1.0
