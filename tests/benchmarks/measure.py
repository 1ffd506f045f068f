"""Seconds of a step, and cases measured one by one, each in a process of its own.

Conventions: times are the seconds that the processor spends in the program itself. What the system takes to hand out
    memory is not in them: it is many times as much on a virtual machine as on another. The system tells the two apart
    by the tick only, so for a step below `SHORT_S` all seconds of the processor count. Where a case waits for a program
    beside, it gives seconds of the clock and says so.
What it does not do: decide what is fast enough.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from resource import RUSAGE_SELF, getrusage
from time import process_time
from typing import TypeVar

T = TypeVar("T")
HERE = Path(__file__).parents[2]
"""This checkout."""
SHORT_S = 0.1
_MEASURE = """
import json, sys
sys.path.insert(0, sys.argv[1])
import costing
del sys.path[0]
from tests.benchmarks.cases import measure
print(json.dumps(measure(sys.argv[2], int(sys.argv[3]))))
"""


def timed(step: Callable[[], T]) -> tuple[T, float]:
    """What a step gives, and its seconds."""
    begun, in_all = getrusage(RUSAGE_SELF).ru_utime, process_time()
    given = step()
    spent, in_all = getrusage(RUSAGE_SELF).ru_utime - begun, process_time() - in_all
    return given, in_all if in_all < SHORT_S else spent


def seconds(step: Callable[[], object], repeats: int = 1) -> float:
    """Seconds of a step, the best of the repeats; what it gives is let go each time."""
    return min(timed(lambda: bool(id(step())))[1] for _ in range(repeats))


def measure_apart(case: str, size: int, checkout: Path = HERE, timeout_s: float = 900) -> dict[str, float]:
    """Figures of one case at one size, in a process of its own; checkout: whose library is measured, by the cases of
    this one. RuntimeError where it fails, with what the process said last, or takes longer.
    """
    command = [sys.executable, "-c", _MEASURE, str(checkout.resolve()), case, str(size)]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=timeout_s, check=False, cwd=HERE)
    except subprocess.TimeoutExpired as fault:
        message = f"more than {timeout_s:,.0f} s by the clock"
        raise RuntimeError(message) from fault
    if done.returncode:
        raise RuntimeError(done.stderr.strip().rpartition("\n")[2])
    found: dict[str, float] = json.loads(done.stdout.strip().rpartition("\n")[2])
    return found
