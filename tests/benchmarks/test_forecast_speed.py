"""Ten thousand draws on the demo, both bases and every verdict, in under five seconds on two cores."""

from __future__ import annotations

import time
from pathlib import Path

from costing import ECONOMIC, read_estate, run
from costing.decisions.changes.uncertain_ageing import verdicts_drawn
from costing.decisions.changes.uncertainty import forecast

DEMO = Path(__file__).parents[2] / "demo_estate"


def test_ten_thousand_draws_on_the_demo() -> None:
    estate = read_estate(DEMO)
    economic = run(estate, ECONOMIC)
    seconds = []
    for _ in range(3):  # the best of three: the machine may be busy with something else
        started = time.perf_counter()
        found = forecast(estate, 10_000)
        verdicts = verdicts_drawn(economic, found.figures, found.correlation, found.drawn)
        seconds.append(time.perf_counter() - started)
        if seconds[-1] < 5.0:
            break
    assert min(seconds) < 5.0
    assert len(found.drawn) == 10_000
    assert len(verdicts)
