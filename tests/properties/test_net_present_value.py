"""Selling at economic cost earns the hurdle: net present value 0 over the release's own dated cash flows.

Flows: every amount in the wine times its own share of the bottle, on the day it is paid; charges for time day
by day at mid-day; then the sale. The rate of return comes from pyxirr on a grid of half days.
"""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest
import pyxirr

from costing.graph.arrays import Flow
from costing.inputs.basis import ECONOMIC
from tests.golden.test_worked_cases import AT_12, tables_of
from tests.properties.estates import random_rows, valuation_date
from tests.properties.estates import tables_of as tables_of_rows
from tests.properties.reading import batch_state, run_one
from tests.properties.tracer import Tracer


def cash_flows(tracer: Tracer, row: int) -> dict[float, float]:
    """Money of one release by day (counted from 2000-01-01, half days for what accrues)."""
    release = tracer.batches["disgorgements", row]
    flows: dict[float, float] = {}
    origin = date(2000, 1, 1)
    for state, (share, _) in tracer.weights(release).items():
        for posting in state.postings:
            dated = [((posting.paid - origin).days, posting.amount)]
            if posting.accrues:
                dated = [
                    ((since + timedelta(days=n) - origin).days + 0.5, money)
                    for since, until, money in posting.accrues
                    for n in range((until - since).days)
                ]
            for day, amount in dated:
                flows[day] = flows.get(day, 0.0) - float(share * amount)
    return flows


@pytest.mark.parametrize("rate", [0.05, 0.12])
@pytest.mark.parametrize("seed", [3, 5, 8])
def test_net_present_value_of_selling_at_cost_is_zero(seed: int, rate: float) -> None:
    rows = random_rows(seed, 40)
    basis = ECONOMIC.replace(name="flat", rate=rate)
    tracer, results = Tracer(rows, basis, valuation_date(rows)), run_one(tables_of_rows(rows), basis)
    for row, sold in enumerate(rows["disgorgements"]):
        day = (sold["on_date"] - date(2000, 1, 1)).days  # type: ignore[operator]
        paid = cash_flows(tracer, row)
        price = results.total[batch_state(results, Flow.DISGORGEMENT, row)]
        value = price + sum(amount * (1 + rate) ** ((day - when) / 365) for when, amount in paid.items())
        assert value == pytest.approx(0, abs=1e-7 * max(1.0, abs(price)))


def test_rate_of_return_of_a_release_sold_at_cost_is_the_hurdle() -> None:
    """The worked tirage at 12 %: one outlay, storage day by day, finishing, then the sale at cost."""
    results = run_one(dict(tables_of("S3")), AT_12)
    state = batch_state(results, Flow.DISGORGEMENT, 0)
    end = np.zeros(len(results.total))
    end[state] = 1.0
    share = results.solution.plain.backward(end)
    states, postings = results.chain.states, results.charges.postings
    first, last = int(states.start.min()), int(states.start[state])
    grid = np.zeros(2 * (last - first) + 1)
    for at, amount, paid in zip(postings.state, postings.amount, postings.paid, strict=True):
        grid[2 * (int(paid) - first) if share[at] else 0] -= share[at] * amount
    for part in results.charges.accrued:
        for at, amount in zip(part.states, part.amount, strict=True):
            begin, stop = int(states.start[at]), int(states.end[at])
            if share[at]:
                grid[2 * (begin - first) + 1 : 2 * (stop - first) : 2] -= share[at] * amount / (stop - begin)
    grid[-1] += results.total[state]
    weekly = _joined(grid, 14)
    assert (np.diff(np.sign(weekly[weekly != 0])) != 0).sum() == 1
    assert (1 + pyxirr.irr(grid)) ** 730 - 1 == pytest.approx(0.12, abs=1e-6)


def _joined(grid: np.ndarray, width: int) -> np.ndarray:
    """Sums of runs of that width."""
    return np.add.reduceat(grid, np.arange(0, len(grid), width))
