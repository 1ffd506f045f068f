"""Two hundred stacks on 120 monthly dates in under a second."""

from __future__ import annotations

import time

import numpy as np
import pytest

from costing.decisions.plan.ageing import hold_or_release
from costing.decisions.prices.release_dates import StacksOnLees, age_in_months, candidate_days, in_money_of_day
from costing.decisions.prices.scarcity import queue_for_market
from costing.engine.carrying import RateCurve

NOW = int(np.datetime64("2025-03-01", "D").astype(int))


@pytest.mark.parametrize(("stacks", "dates"), [(20, 120), (200, 120)])
def test_hold_or_release(stacks, dates):
    days = candidate_days(NOW, 1, dates - 1)
    started = time.process_time()
    age = np.array([age_in_months(NOW - 400 - 5 * row, days) for row in range(stacks)])
    price = np.array([np.interp(each, [12, 36, 60, 300], [14.0, 22.0, 28.0, 60.0], np.nan, np.nan) for each in age])
    held = StacksOnLees(
        bottles=np.linspace(1_000, 20_000, stacks),
        price=in_money_of_day(price, NOW, days, 0.02),
        finishing=np.tile(in_money_of_day(2.50, NOW, days, 0.03), (stacks, 1)),
        age_months=age,
        storage_per_bottle_year=np.array([0.30]),
        survival_per_year=np.array([0.995]),
        minimum_months=np.array([15.0]),
        market_per_month=np.array([800.0]),
        finished_storage_per_bottle_year=np.array([0.30]),
    )
    curve = RateCurve.flat(0.10)
    queue = queue_for_market(held, days, curve, np.arange(stacks) // 4)
    found = hold_or_release(held, days, curve, queue.wait_years)
    assert time.process_time() - started < 1.0
    assert (found.best >= 0).all()
