"""Print the speed table: `python -m tests.benchmarks`, or cases of it: `python -m tests.benchmarks releases cuvées`."""

from __future__ import annotations

import argparse
from pathlib import Path

from tests.benchmarks.cases import CASES, lines
from tests.benchmarks.measure import HERE


def main() -> None:
    """Measure the cases asked for, one after the other, and print a line for each size."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("case", nargs="*", help=f"cases to measure (all): {', '.join(CASES)}")
    parser.add_argument(
        "--beside", type=Path, metavar="CHECKOUT", help="measure the library of another checkout too; it stands first"
    )
    options = parser.parse_args()
    if unknown := set(options.case) - set(CASES):
        parser.error(f"no such case: {', '.join(sorted(unknown))}")
    checkouts = [options.beside, HERE] if options.beside else [HERE]
    print("case × size | figures" + (f", {options.beside} / {HERE}" if options.beside else ""))
    for case in options.case or CASES:
        for line in lines(case, checkouts):
            print(line, flush=True)


if __name__ == "__main__":
    main()
