"""Plans of some size in the time that a person waits, by the processor's clock; the largest of all is a row of the
speed table.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import pytest

from costing import House
from costing.answers.answer import Answer
from tests.benchmarks.plans import LARGEST, measure, measure_apart
from tests.form import in_full

pytestmark = pytest.mark.slow


def test_a_plan_of_a_hundred_lots() -> None:
    found = measure((100, 24, 3))
    assert found["bottles"] > 0
    assert found["processor_s"] < 10.0


@in_full
def test_a_plan_of_three_hundred_lots_forty_dates_and_ten_channels() -> None:
    found = measure_apart(LARGEST)
    assert found["processor_s"] < 20.0
    assert found["peak_gb"] < 1.0


@in_full
def test_cash_tirage_and_offers_of_the_demo(demo_estate) -> None:
    """Beyond the costs of a run: cash about 0.3 s of processor, tirage 1.5 s, offers 0.4 s beyond tirage."""
    house = House(demo_estate)
    house.cost_per_bottle()
    house.stock()

    def seconds(ask: Callable[[], Answer]) -> float:
        begin = time.process_time()
        assert len(ask().main)
        return time.process_time() - begin

    took = {ask.__name__: seconds(ask) for ask in (house.cash, house.tirage, house.offers)}
    assert took["cash"] < 1.0, took
    assert took["tirage"] < 4.0, took
    assert took["offers"] < 1.5, took
