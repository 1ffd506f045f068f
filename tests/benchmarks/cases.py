"""Every case of the speed table: what is measured, and at which sizes; the exponents are those of the last two."""

from __future__ import annotations

import math
import resource
from collections.abc import Callable, Iterator
from pathlib import Path

from tests.benchmarks import decisions, files, shapes
from tests.benchmarks.measure import measure_apart

CASES: dict[str, tuple[Callable[[int], dict[str, float]], tuple[int, ...]]] = {
    "movements of a ledger": (shapes.movements, (1_000, 10_000, 100_000, 500_000)),
    "demo side by side": (shapes.demo, (60, 300)),
    "elements": (shapes.elements, (100, 800)),
    "movements with 200 elements": (shapes.many_elements, (20_000, 100_000)),
    "rows of costs": (shapes.cost_rows, (100_000, 500_000)),
    "dispatches": (shapes.dispatches, (200_000, 1_000_000)),
    "one release": (shapes.one_release, (100_000, 500_000)),
    "120 month-ends": (shapes.month_ends, (20_000, 100_000)),
    "decisions, demo side by side": (decisions.copies, (1, 5)),
    "releases": (decisions.releases, (100, 1_000)),
    "cuvées": (decisions.cuvees, (10, 50)),
    "channels": (decisions.channels, (5, 25)),
    "scenarios": (decisions.scenarios, (4, 16)),
    "draws": (decisions.draws, (1_000, 10_000)),
    "1,000 draws, demo side by side": (decisions.drawn, (12, 50)),
    "lots of a plan": (decisions.plan, (100, 300)),
    "equal sales": (decisions.sales_alike, (200_000, 1_000_000)),
    "lots misspelt": (decisions.lots_misspelt, (5, 20)),
    "workbook": (files.workbook, (20_000, 105_000)),
    "open window": (files.window, (3,)),
    "spreadsheet that looks up": (files.looked_up, (4_000, 10_000)),
    "spreadsheet of direct references": (files.direct, (10_000, 100_000)),
}


def measure(case: str, size: int) -> dict[str, float]:
    """Figures of one case at one size, peak memory (GB) among them."""
    found = CASES[case][0](size)
    return {"peak (GB)": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20, **found}


def lines(case: str, checkouts: list[Path]) -> Iterator[str]:
    """A case at each size in a line, and the exponents of its seconds; figures of checkouts beside each other."""
    sizes, found = CASES[case][1], list[list[dict[str, float]]]()
    for size in sizes:
        row = []
        for checkout in checkouts:
            try:
                row.append(measure_apart(case, size, checkout))
            except RuntimeError as fault:
                yield f"{case} × {size:,} | not measured in {checkout}: {fault}"
                return
        found.append(row)
        figures = {name: [f"{one[name]:,.4g}" for one in row if name in one] for name in row[0] if name != "rows"}
        yield f"{case} × {size:,} | " + " | ".join(f"{name} {' / '.join(one)}" for name, one in figures.items())
    if len(sizes) > 1:
        smaller, larger = found[-2:]
        exponents = {
            name: [f"{_exponent(less, more, name):.2f}" for less, more in zip(smaller, larger, strict=True)]
            for name in smaller[0]
            if "(s)" in name
        }
        yield f"{case}, exponents | " + " | ".join(f"{name} {' / '.join(one)}" for name, one in exponents.items())


def _exponent(smaller: dict[str, float], larger: dict[str, float], what: str) -> float:
    """Power of the rows by which a figure grows: 1 is in proportion."""
    least = 1e-3
    return math.log(max(larger[what], least) / max(smaller[what], least)) / math.log(larger["rows"] / smaller["rows"])
