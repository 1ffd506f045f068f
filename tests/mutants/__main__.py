"""Draw mutants of a package, run on each the tests that can notice it, print the kill rate and the survivors.

Each mutant lives in a forked process of its own, which loads it in the place of the module; no file is changed. Tests
run nearest first and stop at the first that fails, or when the time of a mutant is up: a survivor says how many ran.
What tests start as further processes is not mutated, and tests marked `office` or `slow` are left out. Whether a
survivor is equivalent (gives the same figures by another way) is for a reader to say.
"""

from __future__ import annotations

import argparse
import importlib
import random
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path

from tests.mutants.changes import Mutant, mutants
from tests.mutants.covering import ROOT
from tests.mutants.trial import trial

Drawn = tuple[Path, Mutant]
PATIENCE = 20  # of the clock, for each second of processor: other work may run beside
_LOADED_ONCE = ("numpy", "pandas", "scipy.optimize", "scipy.sparse.linalg", "pydantic", "openpyxl", "lxml.etree")


def main() -> int:
    """Print a line per mutant and the rate; 1 where any survived."""
    options = _options()
    for name in _LOADED_ONCE:  # what every mutant needs and none changes
        importlib.import_module(name)
    files = sorted((ROOT / "costing" / options.package).rglob("*.py"))
    drawn = [(path, mutant) for path in files for mutant in mutants(path.read_text("utf-8"))]
    drawn = random.Random(options.seed).sample(drawn, min(options.n, len(drawn)))
    survivors = []
    for number, (line, is_killed, by) in enumerate(_judged(drawn, options.jobs, options.seconds), 1):
        print(f"{number}/{len(drawn)} {line}: {by if is_killed else f'SURVIVES ({by})'}", flush=True)
        survivors += [] if is_killed else [f"  {line} ({by})\n"]
    killed = len(drawn) - len(survivors)
    print(f"\n{killed} of {len(drawn)} killed ({killed / max(len(drawn), 1):.0%}), seed {options.seed}")
    print("".join(survivors), end="")
    return int(bool(survivors))


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__.partition("\n")[0])
    packages = sorted(path.name for path in (ROOT / "costing").iterdir() if (path / "__init__.py").is_file())
    parser.add_argument("--package", required=True, choices=packages)
    parser.add_argument("--n", type=int, default=40, help="how many mutants")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=60.0, help="of processor for the tests of a mutant")
    parser.add_argument("--jobs", type=int, default=2, help="how many mutants beside each other")
    return parser.parse_args()


def _judged(drawn: list[Drawn], jobs: int, seconds: float) -> Iterator[tuple[str, bool, str]]:
    """Each mutant in words, whether it was killed, and by what, in the order drawn."""
    with ThreadPoolExecutor(jobs) as pool:
        results = pool.map(lambda one: _in_a_process(*one, seconds), drawn)
        for (path, mutant), (is_killed, by) in zip(drawn, results, strict=True):
            changed = f"{mutant.before[:50]} -> {mutant.after[:50]}".replace("\n", " ")
            yield f"{path.relative_to(ROOT)}:{mutant.line} {changed}", is_killed, by


def _in_a_process(path: Path, mutant: Mutant, seconds: float) -> tuple[bool, str]:
    context = get_context("fork")
    reading, writing = context.Pipe(duplex=False)
    process = context.Process(target=_send, args=(writing, path, mutant, seconds))
    process.start()
    writing.close()
    try:
        if not reading.poll(PATIENCE * seconds):
            return True, "it never ended"
        return reading.recv()  # type: ignore[no-any-return]
    except EOFError:
        return True, "the process died"
    finally:
        process.kill()
        process.join()


def _send(writing: Connection, path: Path, mutant: Mutant, seconds: float) -> None:
    writing.send(trial(path, mutant, seconds))
    writing.close()


if __name__ == "__main__":
    sys.exit(main())
