"""One mutant before its tests, in a forked process that ends afterwards.

Where the change stands inside a function that no import runs, the code of the loaded function is exchanged, and tests
that are collected already run at once. Otherwise nothing of the project is loaded yet, and the mutant is loaded in the
place of its module.
"""

from __future__ import annotations

import gc
import importlib.util
import os
import signal
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from importlib.machinery import ModuleSpec, SourceFileLoader
from pathlib import Path
from types import CodeType, FrameType, FunctionType

import pytest

from tests.mutants.changes import Mutant

ROOT = Path(__file__).parents[2]
OPTIONS = ("-m", "not office", "-p", "no:cacheprovider", "-p", "no:terminal", "--capture=sys")
OPTIONS += ("-o", "addopts=")
SECONDS_A_TEST = 30  # of processor; a mutant may run for ever
_FILES = 25  # of a mutant that is loaded anew: as many as hold the likeliest tests
Verdict = tuple[bool, str]
Functions = dict[str, list[FunctionType]]


class _Mutated(SourceFileLoader):
    """Loads another text in the place of a module's."""

    text = ""

    def get_code(self, fullname: str) -> CodeType:
        return compile(self.text, self.path, "exec", dont_inherit=True)


class _InItsPlace:
    """Finds the mutated module first; every other is found as always."""

    def __init__(self, path: Path, text: str) -> None:
        inside = path.relative_to(ROOT).with_suffix("")
        self.name = ".".join(inside.parts[:-1] if inside.name == "__init__" else inside.parts)
        self.loader = _Mutated(self.name, str(path))
        self.loader.text = text

    def find_spec(self, name: str, path: Sequence[str] | None = None, target: object = None) -> ModuleSpec | None:
        if name != self.name:
            return None
        return importlib.util.spec_from_file_location(name, self.loader.path, loader=self.loader)


class Tests:
    """The tests of a process: all that were collected, and the first of those run that fails."""

    def __init__(self) -> None:
        self.items: dict[str, pytest.Item] = {}
        self.killer = ""

    def pytest_sessionstart(self) -> None:
        from hypothesis import Phase, settings  # pytest rewrites it, and warns where it is loaded before

        phases = (Phase.explicit, Phase.generate)  # nobody reads a small example here
        settings.register_profile("mutants", settings(), phases=phases, database=None)
        settings.load_profile("mutants")

    def pytest_collection_finish(self, session: pytest.Session) -> None:
        signal.setitimer(signal.ITIMER_PROF, 0)
        self.items = {item.nodeid: item for item in session.items}

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed and not self.killer:
            self.killer = f"{report.nodeid} cannot be loaded"

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed and not self.killer:
            self.killer = report.nodeid

    def in_order(self, recorded: Sequence[str], known: set[str], package: str) -> list[pytest.Item]:
        """New tests of the package and worked cases first, then the recorded ones in their order."""
        new = [
            item
            for name, item in self.items.items()
            if name not in known and name.startswith((package, "tests/golden/"))
        ]
        return new + [self.items[name] for name in recorded if name in self.items]

    def run(self, items: Sequence[pytest.Item], seconds: float) -> Verdict:
        """Whether one of the tests fails, and which; otherwise how many ran. seconds: of processor."""
        if not items:
            return False, "no test near it runs its module"
        signal.signal(signal.SIGPROF, _took_too_long)
        until = time.process_time() + seconds
        for ran, (item, after) in enumerate(zip(items, [*items[1:], None], strict=True), 1):
            signal.setitimer(signal.ITIMER_PROF, SECONDS_A_TEST)
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=after)
            signal.setitimer(signal.ITIMER_PROF, 0)
            if self.killer:
                return True, self.killer
            if time.process_time() > until:
                return False, f"its time was up after {ran} tests"
        return False, f"all its {len(items)} tests ran"


class Collected(Tests):
    """Does something with the tests once they are collected, in place of running them."""

    def __init__(self, then: Callable[[Tests], object]) -> None:
        super().__init__()
        self._then = then

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self) -> bool:
        if not self.killer:
            self._then(self)
        return True


def loaded_anew(path: Path, mutant: Mutant, recorded: Sequence[str], known: set[str], seconds: float) -> Verdict:
    """Verdict on a mutant in a process that has loaded nothing of the project."""
    sys.meta_path.insert(0, _InItsPlace(path, mutant.module))
    package = package_of(path)
    named = dict.fromkeys(name.partition("::")[0] for name in recorded)
    files = [name for name in named if (ROOT / name).is_file()][:_FILES]  # some have gone since they were recorded
    own = [path.relative_to(ROOT).as_posix() for path in sorted((ROOT / package).rglob("test_*.py"))]
    verdict = [(True, "the tests cannot be loaded")]
    tests = Collected(lambda tests: verdict.append(tests.run(tests.in_order(recorded, known, package), seconds)))
    signal.signal(signal.SIGPROF, _took_too_long)  # it may run for ever while a test file is loaded
    signal.setitimer(signal.ITIMER_PROF, SECONDS_A_TEST, SECONDS_A_TEST)
    pytest.main([*OPTIONS, *dict.fromkeys([*files, *own])], plugins=[tests])
    return (True, tests.killer) if tests.killer else verdict[-1]  # some let a test file not even be loaded


def package_of(path: Path) -> str:
    """Folder of the tests beside a module."""
    return f"tests/{path.relative_to(ROOT / 'costing').parts[0]}/"


def exchange(path: Path, mutant: Mutant, functions: Functions) -> None:
    """Give the loaded functions of a module the code of the mutant; a module that is not loaded yet will be the mutant.
    LookupError where none of its functions is loaded.
    """
    if str(path) not in functions:
        sys.meta_path.insert(0, _InItsPlace(path, mutant.module))
        return
    code = compile(mutant.module, str(path), "exec", dont_inherit=True)
    new: dict[str, list[CodeType]] = {}
    for inner in _inside(code):
        new.setdefault(inner.co_qualname, []).append(inner)
    replaced = 0
    for name in {function.__code__.co_qualname for function in functions[str(path)]}:
        mine = [function for function in functions[str(path)] if function.__code__.co_qualname == name]
        old = sorted({function.__code__ for function in mine}, key=lambda code: code.co_firstlineno)
        if len(old) == len(new.get(name, ())):
            put = dict(zip(old, new[name], strict=True))
            for function in mine:
                function.__code__ = put[function.__code__]
                replaced += 1
    if not replaced:
        msg = "no function of the module is loaded"
        raise LookupError(msg)


def loaded_functions() -> Functions:
    """Functions of the project that are loaded, by file."""
    gc.unfreeze()  # what is frozen is not listed
    found: Functions = {}
    for function in gc.get_objects():
        if type(function) is FunctionType and function.__code__.co_filename.startswith(str(ROOT / "costing")):
            found.setdefault(function.__code__.co_filename, []).append(function)
    return found


def _inside(code: CodeType) -> Iterator[CodeType]:
    for constant in code.co_consts:
        if isinstance(constant, CodeType):
            yield constant
            yield from _inside(constant)


def quiet() -> None:
    """Run in the project's folder, and let nothing be printed."""
    os.chdir(ROOT)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)


def _took_too_long(number: int, frame: FrameType | None) -> None:
    msg = f"more than {SECONDS_A_TEST} s"
    raise TimeoutError(msg)
