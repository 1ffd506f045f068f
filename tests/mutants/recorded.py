"""Which tests run which lines, and how long each takes: recorded once by `coverage` and kept in `.mutants/`,
under names that hold in any checkout.

Recorded are the tests nearest to a package: its own, and the worked cases. What a fixture wider than a test computes is
recorded under the fixture's name, for every test that asks for it. Tests that failed while they were recorded are left
out.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
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


@dataclass(frozen=True)
class Record:
    """Seconds of each recorded test, the wider fixtures that it asks for, and what ran each line; failed: tests that
    judge nothing, for they fail without a mutant too.
    """

    seconds: dict[str, float]
    fixtures: dict[str, list[str]]
    lines: coverage.CoverageData
    digests: dict[str, str]
    failed: frozenset[str]

    def at_import(self, path: Path, lines: range) -> bool:
        """Whether any of the lines runs while modules are loaded."""
        return any("" in contexts for contexts in self._contexts(path, lines))

    def tests_of(self, path: Path, lines: range) -> list[str]:
        """Tests that run the lines, then those that share a fixture with one of them, then all that run the module; of
        all the nearest first.
        """
        known = self.digests.get(_name(path)) == digest(path)
        on_lines = set().union(*self._contexts(path, lines)) if known else set()
        on_module = set().union(*self._contexts(path, None))
        direct = self._asking(on_lines)
        shared = {name for test in direct for name in self.fixtures[test]} - {"known"}
        beside = {test for test, names in self.fixtures.items() if shared.intersection(names)}
        groups = [direct, beside - direct, self._asking(on_module) - beside - direct]
        if not any(groups):  # all of it runs while it is loaded
            groups = [{test for test in self.seconds if _is_near(test, path)}]
        found = [test for group in groups for test in sorted(group, key=lambda test: self._rank(test, path))]
        return sorted(found, key=lambda test: not _is_near(test, path))

    def _asking(self, contexts: set[str]) -> set[str]:
        return {
            test
            for test, names in self.fixtures.items()
            if test in contexts or any(_FIXTURE + name in contexts for name in names)
        }

    def _rank(self, test: str, path: Path) -> float:
        """Seconds, fewer for a test that is likely to notice: one named for the module, one that compares whole
        answers (those of the module's own folder first), one that imports the module.
        """
        module = path.relative_to(ROOT).with_suffix("")
        file = test.partition("::")[0]
        seconds = self.seconds[test] + 4 * any(
            name.startswith("demo") for name in self.fixtures[test]
        )  # to run it once
        if path.stem in Path(file).stem:
            return seconds / 16
        if "as_kept" in test:
            return seconds / (16 if Path(file).parent == Path("tests", *module.parts[1:-1]) else 8)
        if ".".join(module.parts) in _text(ROOT / file):
            return seconds / 4
        return seconds

    def _contexts(self, path: Path, lines: range | None) -> Iterator[set[str]]:
        for line, contexts in self.lines.contexts_by_lineno(_name(path)).items():
            if lines is None or line in lines:
                yield set(contexts)


def _is_near(test: str, path: Path) -> bool:
    """Whether a test stands beside the package of a module, or is a worked case."""
    package = path.relative_to(ROOT).parts[1]
    return test.startswith((f"tests/{package}/", "tests/golden/", f"tests/test_{package}"))


@cache
def _text(path: Path) -> str:
    return path.read_text("utf-8") if path.is_file() else ""


def _name(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def digest(path: Path) -> str:
    """Of a file's text: lines are known for this text alone."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def record(package: str, jobs: int, *, anew: bool) -> Record:
    """The record of the tests nearest to a package: what is kept, and new of files that are new or have changed."""
    if anew:
        shutil.rmtree(KEPT, ignore_errors=True)
    KEPT.mkdir(exist_ok=True)
    kept: dict[str, Any] = {"seconds": {}, "fixtures": {}, "files": {}, "digests": {}, "failed": []}
    if (KEPT / "tests.json").is_file():
        kept = json.loads((KEPT / "tests.json").read_text("utf-8"))
    files = [path for path in nearest(package) if kept["files"].get(_name(path)) != digest(path)]
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
    return Record(kept["seconds"], kept["fixtures"], lines, kept["digests"], frozenset(kept["failed"]))


def nearest(package: str) -> list[Path]:
    """Test files of a package, and the worked cases."""
    folders = ROOT / "tests" / package, ROOT / "tests/golden"
    found = [path for folder in folders for path in sorted(folder.rglob("test_*.py"))]
    return [*found, *sorted((ROOT / "tests").glob(f"test_{package}*.py"))]


def _recorded(files: list[Path], jobs: int) -> list[dict[str, Any]]:
    """Seconds and fixtures of the tests of some files, in parts; the lines that they run are in a file each."""
    files = sorted(files, key=lambda path: path.stat().st_size)
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
