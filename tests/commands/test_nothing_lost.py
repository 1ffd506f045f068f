"""Every command that writes, with a fault or Ctrl-C at every file operation: what stood there or the new file, whole;
no rubbish; a line and an exit code that tell the truth.
"""

from __future__ import annotations

import io
import os
import shutil
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from costing.cli import STOPPED, main
from costing.workbook.file.package import open_package
from tests.commands import books
from tests.commands.books import first_hour
from tests.form import FULL, chosen, every
from tests.golden.every_decision import FOLDER

pytestmark = pytest.mark.slow
EVERY = chosen(full=1, short=100)  # operation of a command; the commands begin at different ones
OPERATIONS = ("open", "write", "fsync", "replace", "chmod", "chown", "unlink", "io.open")
CLOSING = ("--date", "2025-04-15")
SMALL = {
    "run": ["run", "estate.xlsx"],
    "run --beside": ["run", "estate.xlsx", "--beside"],
    "run on a folder": ["run", "folder"],
    "ageing --write": ["ageing", "estate.xlsx", "--write"],
    "vats --write": ["vats", "estate.xlsx", "--write"],
    "close": ["close", "estate.xlsx", "--again", *CLOSING],
    "open-year": ["open-year", "estate.xlsx", "next.xlsx", *CLOSING],
    "new": ["new", "new.xlsx"],
    "report": ["report", "estate.xlsx", "--html", "page.html"],
}
WITH_SHEETS = {
    verb: [verb, "estate.xlsx", *more, "--write"]
    for verb, *more in (
        *(["ageing"], ["vats"], ["blend"], ["recipes"], ["plan"], ["price"], ["margins"], ["scenarios"]),
        *(["why", "--from", "D24", "--to", "D25"], ["sensitivity", "D25"]),
        ["forecast", "--draws", "20"],
    )
}
Files = dict[str, bytes]


class Fault:
    """Counts file operations and makes one of them fail, before it is done or after."""

    def __init__(self, at: int, what: BaseException, *, after: bool, only: Sequence[str] = OPERATIONS) -> None:
        self.at, self.what, self.after, self.only = at, what, after, only
        self.calls: list[str] = []

    def install(self, patch: pytest.MonkeyPatch) -> None:
        for name in self.only:
            owner = io if name == "io.open" else os
            short = name.removeprefix("io.")
            patch.setattr(owner, short, self.wrapped(name, getattr(owner, short)))

    def wrapped(self, name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        def counted(*arguments: Any, **options: Any) -> Any:
            self.calls.append(name)
            if len(self.calls) != self.at:
                return function(*arguments, **options)
            done = function(*arguments, **options) if self.after else None
            if name == "open" and done is not None:
                os.close(done)
            elif done is not None and name == "io.open":
                done.close()
            raise self.what

        return counted


@cache
def _closed(folder: Path) -> Files:
    """A small estate, run, closed and reported, in files by name."""
    made = folder / "made"
    made.mkdir()
    first_hour(made / "folder")
    assert main(["run", str(made / "folder")]) == 0
    (made / "folder.results.xlsx").rename(made / "estate.xlsx")
    assert main(["close", str(made / "estate.xlsx"), *CLOSING]) == 0
    assert main(["report", str(made / "estate.xlsx"), "--html", str(made / "page.html")]) == 0
    files = {path.name: path.read_bytes() for path in made.iterdir() if path.is_file()}
    files["page.html"] = files["page.html"].replace(b", version ", b", earlier version ", 1)
    return files


@pytest.fixture(scope="module")
def closed(tmp_path_factory: pytest.TempPathFactory) -> Files:
    return _closed(tmp_path_factory.mktemp("closed"))


def laid(folder: Path, files: Files) -> Path:
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    first_hour(folder / "folder")
    for name, content in files.items():
        (folder / name).write_bytes(content)
    return folder


def files_of(folder: Path) -> Files:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def typed(words: Sequence[str], folder: Path) -> list[str]:
    """The command with its files in that folder."""
    return [str(folder / word) if "." in word or word == "folder" else word for word in words]


def checked(before: Files, folder: Path, code: int, said: str, fault: Fault) -> bool:
    """Whether something new stands there; every old file stands or is whole and new, and what was said is true."""
    after = files_of(folder)
    rubbish = [name for name in after if name.endswith("unfinished")]
    spoilt = fault.at <= len(fault.calls) and fault.calls[fault.at - 1] == "unlink"
    assert not rubbish or spoilt, (fault.calls, said)
    changed = [name for name, content in after.items() if before.get(name) != content and name not in rubbish]
    assert set(before) <= set(after), said
    for name in changed:
        if name.endswith(".html"):
            assert after[name].startswith(b"<!DOCTYPE html>"), said
            assert after[name].endswith(b"</html>\n"), said
        else:
            open_package(folder / name)
    new = [name for name in changed if ".bak-" not in name]
    assert all(after[name] == before["estate.xlsx"] for name in changed if ".bak-" in name), said
    assert code in ((0, 1) if isinstance(fault.what, OSError) else (0, STOPPED)), said
    if code == 0:
        assert new, said
    if "as it was" in said or "can't be" in said or "Nothing was written" in said:
        assert code == 1, said
        assert not new, said
    if code == STOPPED:
        assert "No file is half written" in said
    return bool(new)


@pytest.mark.parametrize("command", every(3, SMALL))
def test_a_fault_at_any_file_operation_leaves_the_old_file_or_the_new_one(
    command: str, closed: Files, tmp_path: Path, capsys
) -> None:
    folder = tmp_path / "work"
    trace = Fault(0, OSError(), after=False)
    with pytest.MonkeyPatch.context() as patch:
        before = files_of(laid(folder, closed))
        trace.install(patch)
        assert main(typed(SMALL[command], folder)) == 0
    assert {"open", "write", "fsync", "replace"} <= set(trace.calls)
    capsys.readouterr()
    outcomes = set()
    last = len(trace.calls)
    for number, full in faults_of(last, 1 + list(SMALL).index(command) % EVERY):
        laid(folder, closed)
        fault = Fault(number, OSError(28, "No space left on device") if full else KeyboardInterrupt(), after=not full)
        with pytest.MonkeyPatch.context() as patch:
            fault.install(patch)
            code = main(typed(SMALL[command], folder))
        outcomes.add((full, checked(before, folder, code, capsys.readouterr().err, fault)))
    assert outcomes >= {(True, False), (False, True)}


def faults_of(last: int, start: int) -> list[tuple[int, bool]]:
    """Operations of a command to fail and how: a full disk before it is done, or Ctrl-C after.

    In the full form each both ways; otherwise one in 25, by turns, the first by a full disk and the last by Ctrl-C.
    """
    if FULL:
        return [(number, full) for number in range(1, last + 1) for full in (True, False)]
    between = [(number, turn % 2 == 1) for turn, number in enumerate(range(start + 1, last, EVERY))]
    return [(1, True), *between, (last, False)]


@pytest.mark.parametrize("verb", every(5, WITH_SHEETS, 1))
def test_a_full_disk_at_the_last_step_of_every_command_that_writes_its_sheets(
    verb: str, tmp_path: Path, capsys
) -> None:
    book = tmp_path / "estate.xlsx"
    book.write_bytes(books.typed(FOLDER))
    before = files_of(book.parent)
    fault = Fault(2, OSError(28, "No space left on device"), after=False, only=("replace",))  # the first is the back-up
    with pytest.MonkeyPatch.context() as patch:
        fault.install(patch)
        code = main(typed(WITH_SHEETS[verb], book.parent))
    said = capsys.readouterr().err
    assert (code, len(fault.calls)) == (1, 2), said
    assert "it is as it was" in said
    assert not checked(before, book.parent, code, said, fault)


def test_a_report_never_replaces_the_workbook_nor_any_file_but_an_earlier_report(
    closed: Files, tmp_path: Path, capsys
) -> None:
    """It replaced the workbook by a page, without a back-up, and whatever file was named."""
    folder = laid(tmp_path / "work", closed)
    (folder / "letter.docx").write_bytes(b"mine")
    (folder / "site.html").write_bytes(b"<!DOCTYPE html><html><title>My page</title></html>")
    (folder / "link.html").symlink_to(folder / "estate.xlsx")
    before = files_of(folder)
    for name in ("estate.xlsx", "letter.docx", "site.html", "link.html", "folder/costs.csv", "folder"):
        assert main(["report", str(folder / "estate.xlsx"), "--html", str(folder / name)]) == 1
        assert "another name" in capsys.readouterr().err
    assert files_of(folder) == before
    assert main(["report", str(folder / "estate.xlsx"), "--html", str(folder / "page.html")]) == 0
    assert files_of(folder)["page.html"].endswith(b"</html>\n")


def test_new_and_open_year_leave_what_is_there(closed: Files, tmp_path: Path, capsys) -> None:
    folder = laid(tmp_path / "work", closed)
    (folder / "dangling.xlsx").symlink_to(folder / "nowhere" / "x.xlsx")
    before = files_of(folder)
    names = ("estate.xlsx", "page.html", "dangling.xlsx")  # one way of writing refuses them all
    for name in every(2, names, 2):
        assert main(["new", str(folder / name)]) == 1
    for name in every(3, names):
        assert main(["open-year", str(folder / "estate.xlsx"), str(folder / name), *CLOSING]) == 1
    assert files_of(folder) == before
    assert "Traceback" not in capsys.readouterr().err


def test_inside_a_folder_of_csv_files_every_command_takes_a_dot(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys
) -> None:
    """`costing check .` was a traceback, with every command."""
    monkeypatch.chdir(first_hour(tmp_path / "my.estate"))
    for words in (["check"], ["run"], ["ageing", "--write"], ["report"]):
        assert main([words[0], ".", *words[1:]]) == 0, capsys.readouterr().err
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        *("my.estate", "my.estate.results-2.xlsx", "my.estate.results.xlsx", "my.report.html")
    ]
