"""Print the table of benchmarks: `python -m tests.benchmarks`.

Each size runs in a process of its own, one after the other; seconds are those of the processor.
"""

from __future__ import annotations

import math

from tests.benchmarks import mistakes, plans, shapes
from tests.benchmarks.measure import SIZES, measure_apart

COLUMNS = (
    ("movements", "movements", "{:,.0f}"),
    ("states", "lot-states", "{:,.0f}"),
    ("read_s", "read (s)", "{:.3f}"),
    ("book_s", "run book (s)", "{:.3f}"),
    ("economic_s", "run economic (s)", "{:.3f}"),
    ("peak_gb", "peak memory (GB)", "{:.2f}"),
    ("backward_s", "backward solve (s)", "{:.4f}"),
)


def growth_exponent(smaller: dict[str, float], larger: dict[str, float], what: str) -> float:
    """Power of the size by which a figure grows: 1 is in proportion."""
    return math.log(larger[what] / smaller[what]) / math.log(larger["movements"] / smaller["movements"])


def main() -> None:
    """Measure every size and print the table."""
    print(" | ".join(title for _, title, _ in COLUMNS))
    found = {}
    for size in SIZES:
        found[size] = measure_apart(size)
        print(" | ".join(form.format(found[size][name]) for name, _, form in COLUMNS), flush=True)
    for name in ("read_s", "book_s", "economic_s"):
        exponent = growth_exponent(found[100_000], found[SIZES[-1]], name)
        print(f"growth exponent of {name} from 100,000 to {SIZES[-1]:,}: {exponent:.3f}")
    row = plans.measure_apart()
    lots, dates, channels = plans.LARGEST
    print("plan | solved (s) | peak memory (GB)")
    print(f"{lots} lots × {dates} dates × {channels} channels | {row['plan_s']:.1f} | {row['peak_gb']:.2f}", flush=True)
    print("mistake | rows | read and check (s) | findings")
    for case, (_, size) in mistakes.CASES.items():
        row = mistakes.measure_apart(case)
        print(f"{case} × {size:,} | {row['rows']:,.0f} | {row['check_s']:.3f} | {row['findings']:.0f}", flush=True)
    for case in shapes.CASES:
        print("\n".join(shapes.lines(case)), flush=True)


if __name__ == "__main__":
    main()
