"""Ten thousand draws on the demo, both bases and every verdict; `pytest -s -n 0` prints the seconds."""

from __future__ import annotations

import time
from pathlib import Path

from costing import ECONOMIC, read_estate, run
from costing.decisions.changes.uncertain_ageing import verdicts_drawn
from costing.decisions.changes.uncertainty import forecast
from costing.model import Runs
from tests.form import in_full

DEMO = Path(__file__).parents[2] / "demo_estate"


@in_full
def test_ten_thousand_draws_on_the_demo() -> None:
    estate = read_estate(DEMO)
    economic = run(estate, ECONOMIC)
    started = time.process_time()
    found = forecast(Runs(estate), 10_000)
    verdicts = verdicts_drawn(economic, found.figures, found.correlation, found.drawn)
    print(f"{time.process_time() - started:.1f} s")
    assert len(found.drawn) == 10_000
    assert len(verdicts)
