"""A plan of any size: invented lots, markets and channels over monthly, then quarterly dates."""

from __future__ import annotations

import resource
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import numpy as np

from costing.decisions.plan.facts import Dates, Facts, Limits, Markets, Stacks, mean_price
from tests.decisions.plan.best import best_plan

LARGEST = (300, 40, 10)
"""Lots, dates, channels."""
RATE, LONGEST_WAIT = 0.075, 12


def facts_of_size(lots: int, steps: int, channels: int, seed: int = 0) -> Facts:
    """Facts with 7 to 8 lots a market and four places, limits and promises that bind here and there."""
    rng = np.random.default_rng(seed)
    n_markets = max(lots * 2 // 15, 1)
    day = np.r_[np.arange(13) * 30.4, 365 + np.arange(1, steps) * 91.3][: steps + 1].astype(np.int64)
    discount = (1.0 + RATE) ** (-day / 365.0)
    span, force = np.diff(day) / 365.0, np.log1p(RATE)
    sale = discount[:-1] * -np.expm1(-force * span) / (force * span)
    finished = rng.random(lots) < 0.2
    arrives = np.where(~finished & (rng.random(lots) < 0.3), rng.integers(1, steps * 3 // 4, lots), 0)
    begin = np.arange(steps)
    may = (begin >= (arrives + rng.integers(0, 10, lots))[:, np.newaxis]) | finished[:, np.newaxis]
    price = rng.uniform(14.0, 24.0, (lots, 1)) * (1.0 + rng.uniform(0.0, 0.03, (lots, 1))) ** begin
    bottles = rng.uniform(500.0, 30_000.0, lots)
    lees = ~finished[:, np.newaxis]
    stacks = Stacks(
        bottles=bottles,
        most=bottles,
        fill_cost=np.zeros(lots),
        arrives=arrives,
        finished=finished,
        survival=np.full((lots, steps), 0.999),
        good=np.where(finished, 1.0, 0.985),
        may=may,
        price=np.where(may, price, np.nan),
        price_growth=np.full(lots, 0.02),
        finishing=np.where(lees, 1.9, np.zeros((lots, steps))),
        storage=np.where(lees, 0.06, np.zeros((lots, steps))),
        finished_storage=np.full((lots, steps), 0.08),
        worth_left=rng.uniform(10.0, 16.0, lots),
        worth_finished=rng.uniform(8.0, 12.0, lots),
        market=rng.integers(0, n_markets, lots),
        place=np.where(finished, -1, rng.integers(0, 4, lots)),
        takes_places=np.ones(lots),
    )
    takes = rng.uniform(500.0, 6_000.0, (n_markets, 1)) * np.diff(day) / 30.4
    elasticity = np.where(rng.random(n_markets) < 0.8, -3.0, np.nan)
    value, share = 1.0 + rng.uniform(-0.2, 0.2, (n_markets, channels)), rng.dirichlet(np.ones(channels), n_markets)
    year = day[:-1] // 365
    of, in_year = np.repeat(np.arange(n_markets), year[-1] + 1), np.tile(np.arange(year[-1] + 1), n_markets)
    promised = np.array([takes[m, year == y].sum() for m, y in zip(of, in_year, strict=True)]) * 0.05
    limits = Limits(
        places=np.full((4, steps), 0.225 * bottles[~finished].sum()),
        line=np.full(steps, 0.05 * bottles.sum()),
        supply_markets=np.eye(n_markets, dtype=bool)[of],
        supply_channel=np.full(len(of), -1),
        supply_year=in_year,
        supply=promised,
        supply_most=np.full(len(of), np.inf),
        credit=np.full(steps, np.inf),
        debt=0.0,
        other_outlay=np.zeros(steps),
        borrowing_rate=0.0,
    )
    markets = Markets(takes, mean_price(stacks, n_markets), elasticity, value, share)
    return Facts(Dates(day, discount, sale, year), stacks, markets, limits, LONGEST_WAIT, 10_000.0)


def measure(size: tuple[int, int, int] = LARGEST) -> dict[str, float]:
    """Seconds to write and solve a plan of that size, and the most memory of the process in GB."""
    facts = facts_of_size(*size)
    started, used = time.perf_counter(), time.process_time()
    plan, _ = best_plan(facts)
    return {
        "plan_s": time.perf_counter() - started,
        "processor_s": time.process_time() - used,
        "peak_gb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6,
        "bottles": float(plan.disgorged.sum()),
    }


def measure_apart(size: tuple[int, int, int] = LARGEST) -> dict[str, float]:
    """The same in a process of its own."""
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as apart:
        return apart.submit(measure, size).result()
