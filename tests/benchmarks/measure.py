"""Seconds and memory of the steps that users wait for at one size, each size in a process of its own.

Conventions: times are those of the processor, which a busy machine lengthens less than the clock's, the best of the
    repeats where it says so; peak memory is that of the whole process, the tables of the ledger included.
What it does not do: decide what is fast enough (`tests.benchmarks.test_benchmarks` does at small size).
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
from collections.abc import Callable
from time import process_time
from typing import TypeVar

import numpy as np

from costing.graph.arrays import Flow
from costing.inputs.basis import BOOK, ECONOMIC
from costing.inputs.load import read_inputs
from costing.model import run
from tests.benchmarks.ledger import count_movements, ledger

T = TypeVar("T")
SIZES = (1_000, 10_000, 100_000, 500_000)


def measure(n_movements: int) -> dict[str, float]:
    """Seconds of each step and peak memory (GB) at one size; runs are the better of two."""
    tables = ledger(n_movements)
    estate, read_s = timed(lambda: read_inputs(tables))
    results, economic_s = timed(lambda: run(estate, ECONOMIC))
    peak_gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    flows = results.chain.flows
    released = np.flatnonzero(flows.kind == Flow.DISGORGEMENT)
    state = int(results.chain.states.batch_state[flows.batch[released[-1]]])
    release = np.zeros(len(results.total))
    release[state] = 1.0
    _, backward_s = timed(lambda: results.solution.plain.backward(release))
    found = {
        "movements": count_movements(tables),
        "states": len(results.total),
        "columns": len(results.columns),
        "read_s": read_s,
        "economic_s": min(economic_s, timed(lambda: run(estate, ECONOMIC))[1]),
        "book_s": min(timed(lambda: run(estate, BOOK))[1] for _ in range(2)),
        "backward_s": backward_s,
        "peak_gb": peak_gb,
    }
    return {name: float(value) for name, value in found.items()}


def timed(step: Callable[[], T]) -> tuple[T, float]:
    """What a step gives, and its seconds."""
    start = process_time()
    given = step()
    return given, process_time() - start


def measure_apart(n_movements: int, timeout_s: float = 300) -> dict[str, float]:
    """`measure` in a process of its own."""
    command = [sys.executable, "-m", "tests.benchmarks.measure", str(n_movements)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=timeout_s, check=True)
    found: dict[str, float] = json.loads(done.stdout)
    return found


if __name__ == "__main__":
    print(json.dumps(measure(int(sys.argv[1]))))
