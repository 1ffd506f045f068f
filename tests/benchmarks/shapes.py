"""Seconds and memory along the axes in which houses differ, not only by their movements.

Each case at two sizes, so that an exponent can be told (1: in proportion), each size in a process of its own. The demo
side by side has honest money where the ledger has an honest graph: twice the columns, seven times the rows of rates.
Times are those of the processor.
"""

from __future__ import annotations

import json
import math
import resource
import subprocess
import sys
from collections.abc import Callable

import numpy as np

from costing.decisions.changes.uncertainty import forecast
from costing.inputs.basis import BOOK, ECONOMIC
from costing.inputs.estate import Estate
from costing.inputs.load import read_inputs
from costing.model import Runs, run
from tests.benchmarks.ledger import ledger
from tests.benchmarks.measure import timed
from tests.benchmarks.mistakes import side_by_side

ELEMENTS = 200
DRAWS = 1_000


def _demo(copies: int) -> Estate:
    return read_inputs(side_by_side(copies))


def _best_run(estate: Estate, repeats: int = 2) -> dict[str, float]:
    """Seconds of a run on each basis; each is let go before the next."""
    found = {}
    for basis in (BOOK, ECONOMIC):
        found[f"{basis.name} (s)"] = min(
            timed(lambda basis=basis: len(run(estate, basis).total))[1] for _ in range(repeats)
        )
    return found


def demo(copies: int) -> dict[str, float]:
    """The demo estate so many times, on either basis."""
    estate = _demo(copies)
    return {"rows": len(estate["movements"]), **_best_run(estate)}


def elements(movements: int) -> dict[str, float]:
    """A ledger whose direct costs name two hundred elements."""
    tables = ledger(movements)
    costs = tables["costs"]
    named = np.array([f"element {one}" for one in range(ELEMENTS)], dtype=object)[np.arange(len(costs)) % ELEMENTS]
    estate = read_inputs({**tables, "costs": costs.assign(Element=named)})
    columns = len(run(estate, ECONOMIC).columns)
    return {"rows": movements, "columns": columns, **_best_run(estate, 1)}


def drawn(copies: int) -> dict[str, float]:
    """A thousand draws of the uncertain figures of the demo so many times."""
    estate = _demo(copies)
    found, seconds = timed(lambda: forecast(Runs(estate), DRAWS))
    return {"rows": len(estate["movements"]), "releases": len(found.releases), "forecast (s)": seconds}


def decisions(copies: int) -> dict[str, float]:
    """Prices, margins and stacks of the demo so many times, its runs made before."""
    from costing.decisions.hold_or_release import ageing
    from costing.decisions.prices.margins import margins
    from costing.decisions.prices.price_tables import release_prices

    runs = Runs(_demo(copies))
    bases = (runs.book, runs.economic, runs.replacement)
    prices, price_s = timed(lambda: release_prices(*bases))
    return {
        "rows": len(prices),
        "prices (s)": price_s,
        "margins (s)": timed(lambda: margins(runs))[1],
        "ageing (s)": timed(lambda: ageing(runs))[1],
    }


CASES: dict[str, tuple[Callable[[int], dict[str, float]], int, int]] = {
    "demo side by side": (demo, 125, 300),
    "cost elements": (elements, 20_000, 100_000),
    "forecast": (drawn, 12, 50),
    "decisions": (decisions, 1, 5),
}
"""Case -> what is measured, and its two sizes."""


def measure(case: str, size: int) -> dict[str, float]:
    """Figures of one case at one size, peak memory (GB) among them."""
    found = CASES[case][0](size)
    return {**found, "peak (GB)": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20}


def measure_apart(case: str, size: int, timeout_s: float = 900) -> dict[str, float]:
    """`measure` in a process of its own."""
    command = [sys.executable, "-m", "tests.benchmarks.shapes", case, str(size)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=timeout_s, check=True)
    found: dict[str, float] = json.loads(done.stdout)
    return found


def lines(case: str) -> list[str]:
    """Both sizes of a case in a line each, and the exponents of its seconds."""
    sizes = CASES[case][1:]
    found = [measure_apart(case, size) for size in sizes]
    said = [
        f"{case} × {size:,} | " + " | ".join(f"{name} {value:,.4g}" for name, value in one.items())
        for size, one in zip(sizes, found, strict=True)
    ]
    grown = math.log(found[1]["rows"] / found[0]["rows"])
    exponents = {name: math.log(found[1][name] / value) / grown for name, value in found[0].items() if "(s)" in name}
    return [*said, f"{case}, exponents by rows | " + " | ".join(f"{name} {one:.2f}" for name, one in exponents.items())]


if __name__ == "__main__":
    print(json.dumps(measure(sys.argv[1], int(sys.argv[2]))))
