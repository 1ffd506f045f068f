"""What all tests share: the demo estate, read and run once, and hypothesis profiles.

Property tests draw the same few examples on every run, without a time limit; COSTING_FULL=1 draws new ones, and more.
"""

from __future__ import annotations

import gc
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings
from xdist.scheduler import LoadFileScheduling

from costing import Estate
from costing.cli import main
from costing.commands.records import demo_folder
from costing.model import Runs
from costing.workbook.read import read_workbook
from tests.commands.books import typed
from tests.form import chosen
from tests.known import Known
from tests.workbook.running import STARTED, Office, the_office

os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # or each process that a test starts compiles every library anew

settings.register_profile("steady", derandomize=True, deadline=None, max_examples=20)
settings.register_profile("full", deadline=None)
settings.load_profile(chosen(full="full", short="steady"))


class _Scheduling(LoadFileScheduling):
    """A file is taken by one process; so are all that ask everything of the demo, which is answered there once."""

    def _split_scope(self, nodeid: str) -> str:
        file: str = super()._split_scope(nodeid)
        return "the demo" if file.startswith(("tests/answers/", "tests/workbook/pages/")) else file


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> LoadFileScheduling:
    """Share the tests out among processes."""
    return _Scheduling(config, log)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files with tests that take long come first, so that no process is left with one of them at the end."""
    long = {item.path for item in items if item.get_closest_marker("office") or item.get_closest_marker("slow")}
    items.sort(key=lambda item: item.path not in long)


def pytest_collection_finish() -> None:
    """What is loaded by now stays to the end, so it is not looked through for garbage again: pytest does ten times."""
    gc.freeze()


@pytest.fixture(scope="session", autouse=True)
def known() -> Iterator[Known]:
    """Estates that this run has met, with what was computed of them."""
    kept = Known()
    with pytest.MonkeyPatch.context() as patch:
        kept.installed(patch)
        yield kept


@pytest.fixture(scope="session", autouse=True)
def _no_program_left_running() -> Iterator[None]:
    with STARTED:
        yield


@pytest.fixture(scope="session")
def office() -> Office:
    """LibreOffice with a person at it, shared by the tests of this process; each closes what it opened."""
    return the_office()


@pytest.fixture(scope="session")
def demo_estate(known: Known, demo_workbook: Path) -> Estate:
    """The demo estate as its workbook gives it, so that commands and tests ask the same one; tests change a copy."""
    return known.estate(read_workbook(demo_workbook), always=True)


@pytest.fixture(scope="session")
def demo_runs(demo_estate: Estate, known: Known) -> Runs:
    """Results of the demo estate by basis, each computed once."""
    return known.runs(demo_estate)


@pytest.fixture(scope="session")
def demo_workbook(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo workbook as `costing new --demo` makes it; not to be changed."""
    path = tmp_path_factory.mktemp("demo") / "demo.xlsx"
    assert main(["new", str(path), "--demo"]) == 0
    return path


@pytest.fixture(scope="session")
def demo_with_results(demo_workbook: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo workbook after `costing run`; not to be changed."""
    return _run_once(demo_workbook, tmp_path_factory.mktemp("results"))


def _run_once(book: Path, folder: Path) -> Path:
    """A copy of a workbook after `costing run`."""
    path = folder / book.name
    path.write_bytes(book.read_bytes())
    assert main(["run", str(path)]) == 0
    return path


@pytest.fixture(scope="session")
def small_workbook(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small example of README.md in a workbook typed by hand; not to be changed."""
    path = tmp_path_factory.mktemp("small") / "small.xlsx"
    path.write_bytes(typed(demo_folder() / "small"))
    return path


@pytest.fixture(scope="session")
def small_with_results(small_workbook: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small workbook after `costing run`; not to be changed."""
    return _run_once(small_workbook, tmp_path_factory.mktemp("small_results"))


@pytest.fixture
def small_book(small_workbook: Path, tmp_path: Path) -> Path:
    """A copy of the small workbook, for what does not depend on how much there is."""
    path = tmp_path / "estate.xlsx"
    path.write_bytes(small_workbook.read_bytes())
    return path


@pytest.fixture
def book(demo_workbook: Path, tmp_path: Path) -> Path:
    """A copy of the demo workbook."""
    path = tmp_path / "estate.xlsx"
    path.write_bytes(demo_workbook.read_bytes())
    return path
