"""A live refresh that is broken off leaves the open workbook usable: in a window, with the command at a terminal.

Ctrl-C is typed into the terminal, so that the kernel sends it to every process there as it does to a person's.
"""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from costing.errors import WorkbookError
from costing.workbook.file.stale import STALE
from costing.workbook.live import link_office
from costing.workbook.live.link_office import OfficeWorkbook
from tests.form import every, in_full
from tests.workbook.at_terminal import CTRL_C, Terminal
from tests.workbook.live.test_link_office import wait_for
from tests.workbook.live.test_link_window import photograph, screen
from tests.workbook.office import unprinted
from tests.workbook.running import Office, running_office

pytestmark = pytest.mark.office
TRIES = 16


@pytest.fixture(scope="module")
def window(small_with_results: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Office, Path, str]]:
    """The small example with its results, open in a window."""
    folder = tmp_path_factory.mktemp("window")
    path = unprinted(small_with_results, folder)
    with screen() as display, running_office(folder, display=display) as office:
        office.hand.open(str(path))
        yield office, path, display
        office.hand.close()


def linked(office: Office, path: Path, *options: str) -> tuple[Terminal, float]:
    terminal = Terminal(path, office.pipe, *options)
    return terminal, terminal.wait_for("Linked to")


def assert_usable(office: Office, value: float) -> None:
    """The window redraws, what is typed counts, and one step is undone: the person's own."""
    wait_for("the window to be redrawn", lambda: not office.hand.locked(), 30)
    office.hand.type("Dry goods", "G2", value)
    assert office.hand.see("Dry goods", "G2") == [[value]]
    assert office.hand.undo()[0] != "Refresh of costs"
    assert office.hand.see("Dry goods", "G2") != [[value]]


@in_full
def test_ctrl_c_leaves_the_window_usable_wherever_in_a_refresh_it_comes(window: tuple[Office, Path, str]) -> None:
    office, path, _ = window
    terminal, start = linked(office, path)
    seconds = terminal.wait_for("sheets refreshed") - start
    terminal.type(b"q\n")
    assert terminal.ended() == 0
    terminal.close()
    usable, said, broken_off = [], [], 0
    for number in range(TRIES):
        terminal, start = linked(office, path)
        time.sleep(max(0.0, start + seconds * (number + 0.5) / TRIES - time.monotonic()))
        terminal.type(CTRL_C)
        try:
            assert terminal.ended() == 0
            assert "Traceback" not in terminal.said
            assert "The link has ended; the workbook is still open" in terminal.said
            assert_usable(office, 1000.0 + number)
            is_stale = office.hand.text("Cost per bottle", "A3")[1] == f'="{STALE}"'
            assert not is_stale or "A refresh was under way" in terminal.said
            broken_off += is_stale
            usable.append(number)
        except Exception as fault:
            said.append(f"{number}: {fault!r} {terminal.said!r}")
        finally:
            terminal.close()
            office.hand.release()
    print(f"{len(usable)} of {TRIES} usable, {broken_off} of them in the middle of writing; a refresh: {seconds:.2f} s")
    assert usable == list(range(TRIES)), said


def in_the_middle(office: Office, path: Path) -> Terminal:
    """Link, and wait until a refresh writes."""
    terminal, _ = linked(office, path)
    wait_for("the writing", office.hand.locked)
    return terminal


@pytest.mark.parametrize("how", every(2, ["killed", "its terminal closed"]))
def test_a_link_that_dies_while_it_writes_leaves_the_window_usable(how: str, window: tuple[Office, Path, str]) -> None:
    office, path, _ = window
    terminal = in_the_middle(office, path)
    terminal.kill() if how == "killed" else terminal.hang_up()
    assert terminal.ended() < 0
    terminal.close()
    assert_usable(office, 77.0)
    assert office.hand.text("Cost per bottle", "A3")[1] == f'="{STALE}"'
    again, _ = linked(office, path)
    again.wait_for("sheets refreshed")
    assert "partly old" not in again.said, "the document was left in order"
    assert office.hand.text("Cost per bottle", "A3")[0] == ""
    again.type(b"q\n")
    again.ended()
    again.close()


def test_an_old_lock_is_released_by_the_next_link(window: tuple[Office, Path, str]) -> None:
    office, path, _ = window
    first = OfficeWorkbook(path, office.pipe)
    first._ask("pause")
    os.kill(first._process.pid, signal.SIGKILL)
    first.close()
    assert office.hand.locked()
    second = OfficeWorkbook(path, office.pipe)
    assert not office.hand.locked()
    assert "had left the window locked" in second.remarks[0]
    second.close()
    assert_usable(office, 78.0)
    third = OfficeWorkbook(path, office.pipe)
    third.close()
    assert third.remarks == []


def test_a_program_that_stops_answering_while_paused_is_resumed_when_it_goes_on(
    window: tuple[Office, Path, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(link_office, "CLOSING_SECONDS", 0.2)
    office, path, _ = window
    workbook = OfficeWorkbook(path, office.pipe, timeout=1.0)
    with pytest.raises(WorkbookError, match="has not answered for 1 seconds"), workbook.paused():  # noqa: PT012
        os.killpg(office.process.pid, signal.SIGSTOP)
        try:
            workbook.titles()
        finally:
            os.killpg(office.process.pid, signal.SIGCONT)
    assert_usable(office, 79.0)


def test_a_process_of_the_link_asked_to_end_resumes_the_document(window: tuple[Office, Path, str]) -> None:
    office, path, _ = window
    workbook = OfficeWorkbook(path, office.pipe)
    workbook._ask("pause")
    os.kill(workbook._process.pid, signal.SIGTERM)
    assert_usable(office, 80.0)
    workbook.close()


@in_full
def test_ctrl_c_in_the_middle_of_a_refresh_looked_at(window: tuple[Office, Path, str]) -> None:
    office, path, display = window
    again, _ = linked(office, path)
    again.wait_for("sheets refreshed")
    again.type(b"q\n")
    again.ended()
    again.close()
    office.hand.show("Cost per bottle")
    photograph(display, "ctrl-c-1-before")
    terminal = in_the_middle(office, path)
    terminal.type(CTRL_C)
    assert terminal.ended() == 0
    terminal.close()
    assert_usable(office, 81.0)
    office.hand.type("Cost per bottle", "A2", "Typed after Ctrl-C.")
    office.hand.show("Cost per bottle")
    photograph(display, "ctrl-c-2-after")
    assert [office.hand.undo()[0] != "Refresh of costs", office.hand.undo()[0]] == [True, "Refresh of costs"]
    assert office.hand.text("Cost per bottle", "A3")[0] == "", "one step takes the broken refresh back"
    office.hand.show("Cost per bottle")
    photograph(display, "ctrl-c-3-undone")
