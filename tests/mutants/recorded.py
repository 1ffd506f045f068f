"""Which tests run which lines, and how long each takes: recorded once by `coverage` and kept in `.mutants/`,
under names that hold in any checkout.

What a fixture wider than a test computes is recorded under the fixture's name, for every test that asks for it. Tests
that failed while they were recorded are left out.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from functools import cache
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import coverage
import pytest

from tests.mutants.trial import OPTIONS, ROOT

KEPT = ROOT / ".mutants"
_FIXTURE = "fixture "
_LEAST = 0.02
"""Chance that any test which runs a line notices its change."""


@dataclass(frozen=True)
class Record:
    """Seconds of each recorded test, how many lines it runs, and the wider fixtures that it asks for; what ran each
    line; failed: tests that judge nothing, for they fail without a mutant too.
    """

    seconds: dict[str, float]
    fixtures: dict[str, list[str]]
    reach: dict[str, int]
    lines: coverage.CoverageData
    digests: dict[str, str]
    failed: frozenset[str]

    def at_import(self, path: Path, lines: range) -> bool:
        """Whether any of the lines runs while modules are loaded."""
        return any("" in contexts for contexts in self._contexts(path, lines))

    def tests_of(self, path: Path, lines: range) -> list[str]:
        """Tests that may notice a change of the lines, the likeliest for their time first."""
        known = self.digests.get(_name(path)) == digest(path)
        on_lines = self._asking(set().union(*self._contexts(path, lines)) if known else set())
        on_module = self._asking(set().union(*self._contexts(path, None)))
        found = on_lines | on_module or self.seconds.keys()  # all of some modules runs while they are loaded
        likely = {test: self._chance(test, path) for test in found}
        takes = {test: self._takes(test) for test in found}
        met: Counter[str] = Counter()
        for test in sorted(found, key=lambda test: -likely[test] / takes[test]):
            file = test.partition("::")[0]  # what the first tests of a file overlook the others mostly overlook too
            likely[test] = max(likely[test] * 0.8 ** met[file], _LEAST) * (1 if test in on_lines else 0.1)
            met[file] += 1
        return sorted(found, key=lambda test: -likely[test] / takes[test])

    def _asking(self, contexts: set[str]) -> set[str]:
        return {
            test
            for test, names in self.fixtures.items()
            if test in contexts or any(_FIXTURE + name in contexts for name in names)
        }

    def _chance(self, test: str, path: Path) -> float:
        """How likely a test is to notice a change: more where it compares whole answers, is named for the module or
        imports it, and the fewer lines it runs.
        """
        module = path.relative_to(ROOT).with_suffix("")
        file = test.partition("::")[0]
        if "as_kept" in test:
            return 0.5
        if path.stem in Path(file).stem:
            return 0.3
        few = min(0.3, 60 / max(self.reach.get(test, 0), 1))
        return max(few, 0.1) if ".".join(module.parts) in _text(ROOT / file) else few

    def _takes(self, test: str) -> float:
        """Seconds, with what the demo takes to be computed once."""
        return self.seconds[test] + 0.02 + any(name.startswith("demo") for name in self.fixtures[test])

    def _contexts(self, path: Path, lines: range | None) -> Iterator[set[str]]:
        for line, contexts in self.lines.contexts_by_lineno(_name(path)).items():
            if lines is None or line in lines:
                yield set(contexts)


@cache
def _text(path: Path) -> str:
    return path.read_text("utf-8") if path.is_file() else ""


def _name(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def digest(path: Path) -> str:
    """Of a file's text: lines are known for this text alone."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def record(jobs: int, *, anew: bool) -> Record:
    """The record of all tests: what is kept, and new of files that are new or have changed."""
    if anew:
        shutil.rmtree(KEPT, ignore_errors=True)
    KEPT.mkdir(exist_ok=True)
    kept: dict[str, Any] = {"seconds": {}, "fixtures": {}, "files": {}, "digests": {}, "failed": []}
    if (KEPT / "tests.json").is_file():
        kept = json.loads((KEPT / "tests.json").read_text("utf-8"))
    files = [
        path for path in sorted((ROOT / "tests").rglob("test_*.py")) if kept["files"].get(_name(path)) != digest(path)
    ]
    for name in map(_name, files):  # what is known of them as they were
        for known in ("seconds", "fixtures"):
            kept[known] = {test: of for test, of in kept[known].items() if test.partition("::")[0] != name}
        kept["failed"] = [test for test in kept["failed"] if test.partition("::")[0] != name]
    parts = _recorded(files, jobs) if files else []
    lines = coverage.CoverageData(str(KEPT / "lines"))  # opened by this process alone
    lines.read()  # or it begins anew
    for number, part in enumerate(parts):
        kept["seconds"].update(part["seconds"])
        kept["fixtures"].update(part["fixtures"])
        kept["failed"] += part["failed"]
        lines.update(coverage.CoverageData(str(KEPT / f"lines-{number}")))
    if files:
        kept["files"] |= {_name(path): digest(path) for path in files}
        now = {_name(path): digest(path) for path in (ROOT / "costing").rglob("*.py")}
        kept["digests"] = {**now, **kept["digests"]}
        (KEPT / "tests.json").write_text(json.dumps(kept), "utf-8")
    reach = _reach(KEPT / "lines")
    return Record(kept["seconds"], kept["fixtures"], reach, lines, kept["digests"], frozenset(kept["failed"]))


def _reach(lines: Path) -> dict[str, int]:
    """How many lines each test runs."""
    found: Counter[str] = Counter()
    with closing(sqlite3.connect(lines)) as kept:
        rows = kept.execute("select context, numbits from line_bits join context on context.id = context_id")
        for test, bits in rows:  # a bit a line: https://coverage.readthedocs.io, "Coverage.py database schema"
            found[test] += int.from_bytes(bits, "little").bit_count()
    return dict(found)


def _recorded(files: list[Path], jobs: int) -> list[dict[str, Any]]:
    """Seconds and fixtures of the tests of some files, in parts; the lines that they run are in a file each."""
    files, jobs = sorted(files, key=lambda path: path.stat().st_size), min(jobs, len(files))
    context = get_context("fork")
    parts = [context.Process(target=_record_part, args=(number, files[number::jobs])) for number in range(jobs)]
    for part in parts:
        part.start()
    for part in parts:
        part.join()
    return [json.loads((KEPT / f"tests-{number}.json").read_text("utf-8")) for number in range(jobs)]


def _record_part(number: int, files: list[Path]) -> None:
    (KEPT / f"lines-{number}").unlink(missing_ok=True)
    measured = coverage.Coverage(
        data_file=str(KEPT / f"lines-{number}"), include=[f"{ROOT}/costing/*"], config_file=False, messages=False
    )
    measured.set_option("run:relative_files", value=True)
    measured.start()
    watch = _Watch(measured.switch_context)
    pytest.main([*OPTIONS, *map(str, files)], plugins=[watch])
    measured.stop()
    measured.save()
    seconds = {test: taken for test, taken in watch.seconds.items() if test not in watch.failed}
    kept = {"seconds": seconds, "fixtures": {test: watch.asked[test] for test in seconds}}
    kept["failed"] = sorted(watch.failed)
    (KEPT / f"tests-{number}.json").write_text(json.dumps(kept), "utf-8")


class _Watch:
    """Tells `coverage` whose lines are running, and times each test without its wider fixtures."""

    def __init__(self, switch: Callable[[str], None]) -> None:
        self._switch, self._running = switch, [""]
        self.seconds: dict[str, float] = {}
        self.asked: dict[str, list[str]] = {}
        self.wide: set[str] = set()
        self.failed: set[str] = set()

    @contextmanager
    def _under(self, name: str) -> Iterator[None]:
        self._running.append(name)
        self._switch(name)
        try:
            yield
        finally:
            self._running.pop()
            self._switch(self._running[-1])

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        begun = time.process_time()
        self.seconds[item.nodeid] = 0.0
        self.asked[item.nodeid] = list(getattr(item, "fixturenames", ()))
        with self._under(item.nodeid):
            result = yield
        self.seconds[item.nodeid] += time.process_time() - begun
        return result

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: pytest.FixtureDef[object]) -> Iterator[None]:
        if fixturedef.scope == "function":
            return (yield)
        begun, test = time.process_time(), self._running[1]
        with self._under(_FIXTURE + fixturedef.argname):
            result = yield
        self.seconds[test] -= time.process_time() - begun
        return result

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.outcome != "passed":
            self.failed.add(report.nodeid)
