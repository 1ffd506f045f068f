"""Draw mutants of a package, run on each the tests that can notice it, print the kill rate and the survivors.

Each mutant lives in a forked process of its own; no file is changed. Which lines each test runs is recorded by the
first call and kept (`--record` does it anew, once modules have changed much). The likeliest tests come first: those
that run the changed line, run little else, are quick or compare whole answers. The first that fails ends the mutant,
as does its time; a survivor says how many tests ran. What tests start as further processes is not mutated, so what
another program runs is not drawn, and tests marked `office` are left out. Whether a survivor is equivalent
(gives the same figures by another way) is for a reader to say.
"""

from __future__ import annotations

import argparse
import gc
import importlib
import os
import random
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from multiprocessing import get_context
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from pathlib import Path

import pytest

from tests.mutants import trial
from tests.mutants.changes import Mutant, mutants
from tests.mutants.recorded import Record, record
from tests.mutants.trial import OPTIONS, ROOT

Drawn = tuple[Path, Mutant]
Work = Callable[[Drawn, list[str]], trial.Verdict]
Task = tuple[Drawn, Callable[[], trial.Verdict]]
PATIENCE = 100  # of the clock, for each second of processor: other work may run beside, and a test ends by processor
_RUN_ELSEWHERE = ("costing/workbook/live/office_side.py",)  # by the Python of LibreOffice
_LOADED_ONCE = ("numpy", "pandas", "scipy.optimize", "scipy.sparse.linalg", "pydantic", "openpyxl", "lxml.etree")


def main() -> int:
    """Print a line per mutant and the rate; 1 where any survived."""
    options = _options()
    for name in _LOADED_ONCE:  # what every mutant needs and none changes
        importlib.import_module(name)
    kept = record(options.jobs, anew=options.record)
    drawn = _drawn(options.package, options.n, options.seed, options.at)
    found = _Judge(kept, options.seconds, options.jobs).judged(drawn)
    survivors = sorted(f"  {_in_words(one)} ({by})\n" for one, (is_killed, by) in found if not is_killed)
    killed = len(found) - len(survivors)
    print(f"\n{options.package}: {killed} of {len(found)} killed ({killed / max(len(found), 1):.0%})", end=", ")
    print(f"seed {options.seed}\n{''.join(survivors)}", end="")
    return int(bool(survivors))


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__.partition("\n")[0])
    packages = sorted(path.name for path in (ROOT / "costing").iterdir() if (path / "__init__.py").is_file())
    parser.add_argument("--package", required=True, choices=packages)
    parser.add_argument("--n", type=int, default=40, help="how many mutants")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=150.0, help="of processor for the tests of a mutant")
    parser.add_argument("--jobs", type=int, default=2, help="how many mutants beside each other")
    parser.add_argument("--at", nargs="+", default=[], help="all of some lines instead: costing/money/pools.py:229")
    parser.add_argument("--record", action="store_true", help="record anew which tests run which lines")
    return parser.parse_args()


def _drawn(package: str, n: int, seed: int, at: list[str]) -> list[Drawn]:
    elsewhere = {ROOT / path for path in _RUN_ELSEWHERE}
    files = [path for path in sorted((ROOT / "costing" / package).rglob("*.py")) if path not in elsewhere]
    drawn = [(path, mutant) for path in files for mutant in mutants(path.read_text("utf-8"))]
    if at:
        return [one for one in drawn if _in_words(one).partition(" ")[0] in at]
    return random.Random(seed).sample(drawn, min(n, len(drawn)))


class _Judge:
    """Tries mutants: those that a process must load anew, and those exchanged in a process that has loaded all."""

    def __init__(self, kept: Record, seconds: float, jobs: int) -> None:
        self._kept, self._seconds, self._jobs = kept, seconds, jobs
        self._known = kept.failed.union(kept.seconds)

    def judged(self, drawn: Sequence[Drawn]) -> list[tuple[Drawn, trial.Verdict]]:
        """Each mutant with its verdict, printed as it falls."""
        anew = [one for one in drawn if not one[1].in_function or self._kept.at_import(one[0], one[1].lines)]
        rest = [one for one in drawn if one not in anew]
        found = self._told(anew, self._anew, len(drawn))
        if rest:
            collected = trial.Collected(lambda tests: found.extend(self._exchanged(rest, tests, len(drawn))))
            pytest.main([*OPTIONS, str(ROOT / "tests")], plugins=[collected])
        return found

    def _anew(self, one: Drawn, recorded: list[str]) -> trial.Verdict:
        return trial.loaded_anew(*one, recorded, self._known, self._seconds)

    def _exchanged(self, rest: list[Drawn], tests: trial.Tests, of: int) -> list[tuple[Drawn, trial.Verdict]]:
        functions = trial.loaded_functions()
        gc.freeze()

        def work(one: Drawn, recorded: list[str]) -> trial.Verdict:
            trial.exchange(*one, functions)
            return tests.run(tests.in_order(recorded, self._known, trial.package_of(one[0])), self._seconds)

        return self._told(rest, work, of, of - len(rest))

    def _told(self, drawn: list[Drawn], work: Work, of: int, before: int = 0) -> list[tuple[Drawn, trial.Verdict]]:
        found = []
        tasks = [(one, partial(work, one, self._kept.tests_of(one[0], one[1].lines))) for one in drawn]
        for one, (is_killed, by) in _each(tasks, self._jobs, PATIENCE * self._seconds):
            found.append((one, (is_killed, by)))
            verdict = by if is_killed else f"SURVIVES ({by})"
            print(f"{before + len(found)}/{of} {_in_words(one)}: {verdict}", file=sys.__stdout__, flush=True)
        return found


def _in_words(one: Drawn) -> str:
    path, mutant = one
    return f"{path.relative_to(ROOT)}:{mutant.line} {mutant.before[:60]} -> {mutant.after[:60]}".replace("\n", " ")


def _each(tasks: Sequence[Task], jobs: int, patience: float) -> Iterator[tuple[Drawn, trial.Verdict]]:
    """What each task finds out, in processes beside each other."""
    running: dict[Connection, tuple[Drawn, BaseProcess, float, Path]] = {}
    waiting = list(tasks)
    while waiting or running:
        while waiting and len(running) < jobs:
            (one, task), folder = waiting.pop(0), Path(tempfile.mkdtemp(prefix="mutant-"))
            reading, process = _started(task, folder)
            running[reading] = one, process, time.monotonic() + patience, folder
        ready = wait(list(running), timeout=1.0)
        for reading in [one for one in running if one in ready or running[one][2] < time.monotonic()]:
            one, process, _, folder = running.pop(reading)
            try:
                verdict = reading.recv() if reading in ready else (True, "it never ended")
            except EOFError:
                verdict = True, "the process died"
            process.kill()
            process.join()
            shutil.rmtree(folder, ignore_errors=True)
            yield one, verdict


def _started(task: Callable[[], trial.Verdict], folder: Path) -> tuple[Connection, BaseProcess]:
    context = get_context("fork")
    reading, writing = context.Pipe(duplex=False)
    process = context.Process(target=_send, args=(writing, task, folder))
    process.start()
    writing.close()
    return reading, process


def _send(writing: Connection, task: Callable[[], trial.Verdict], folder: Path) -> None:
    os.environ["PYTEST_DEBUG_TEMPROOT"] = str(folder)
    trial.quiet()
    try:
        verdict = task()
    except Exception as problem:
        verdict = False, f"could not be tried: {problem!r}"
    writing.send(verdict)
    writing.close()


if __name__ == "__main__":
    sys.exit(main())
