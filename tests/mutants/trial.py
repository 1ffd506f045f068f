"""One mutant before its tests, in a process that has not loaded the project yet and ends afterwards."""

from __future__ import annotations

import importlib.util
import os
import signal
import sys
import time
from collections.abc import Sequence
from importlib.machinery import ModuleSpec, SourceFileLoader
from pathlib import Path
from types import CodeType, FrameType

import pytest

from tests.mutants.changes import Mutant
from tests.mutants.covering import ROOT, covering, module_name

IN_BATCH = 8
SECONDS_A_TEST = 60  # of processor; a mutant may run for ever
_OPTIONS = ("-x", "-q", "-m", "not office and not slow", "-p", "no:cacheprovider", "-o", "addopts=", "--no-header")


class _Mutated(SourceFileLoader):
    """Loads another text in the place of a module's."""

    text = ""

    def get_code(self, fullname: str) -> CodeType:
        return compile(self.text, self.path, "exec", dont_inherit=True)


class _InItsPlace:
    """Finds the mutated module first; every other is found as always."""

    def __init__(self, path: Path, text: str) -> None:
        self.name, self.loader = module_name(path), _Mutated(module_name(path), str(path))
        self.loader.text = text

    def find_spec(self, name: str, path: Sequence[str] | None = None, target: object = None) -> ModuleSpec | None:
        if name != self.name:
            return None
        return importlib.util.spec_from_file_location(name, self.loader.path, loader=self.loader)


class _Noted:
    """What the tests say: the first that fails, how many ran, and whether the time is up."""

    def __init__(self, until: float) -> None:
        self.until, self.killer, self.ran, self.is_up = until, "", 0, False

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self) -> object:
        signal.setitimer(signal.ITIMER_PROF, SECONDS_A_TEST)
        try:
            return (yield)
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.ran += report.when == "call"
        if report.failed and not self.killer:
            self.killer = report.nodeid

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed and not self.killer:
            self.killer = f"{report.nodeid} cannot be loaded"

    def pytest_runtest_logfinish(self) -> None:
        self.is_up = time.process_time() > self.until
        if self.is_up:
            pytest.exit("time", 0)


def trial(path: Path, mutant: Mutant, seconds: float) -> tuple[bool, str]:
    """Whether a test fails on the mutant, and which; otherwise how many tests ran. seconds: of processor."""
    os.chdir(ROOT)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
    signal.signal(signal.SIGPROF, _took_too_long)
    sys.meta_path.insert(0, _InItsPlace(path, mutant.module))
    noted = _Noted(time.process_time() + seconds)
    tests = covering(path)
    for first in range(0, len(tests), IN_BATCH):
        batch = tests[first : first + IN_BATCH]
        pytest.main([*_OPTIONS, *map(str, batch)], plugins=[noted])
        if noted.killer:
            return True, noted.killer
        if noted.is_up:
            return False, f"its time was up after {noted.ran} tests"
    return False, f"all its {noted.ran} tests ran"


def _took_too_long(number: int, frame: FrameType | None) -> None:
    msg = f"more than {SECONDS_A_TEST} s"
    raise TimeoutError(msg)
