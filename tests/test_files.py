"""A file reaches the disk whole or not at all, and nothing that was not to be replaced is."""

from __future__ import annotations

import os
import stat
import time
from pathlib import Path

import pytest

from costing import files
from costing.errors import WorkbookError
from costing.files import FileKind, name_as_text, name_beside, unfinished, write_file

NOT_OURS = "{} is there and wasn't written by this command, so it is left alone. Choose another name."
PAGE = FileKind((".html", ".htm"), b"<html")


def test_an_input_is_never_written_over_by_whatever_name(tmp_path: Path) -> None:
    read, other = tmp_path / "plan.csv", tmp_path / "also.csv"
    read.write_bytes(b"lot")
    os.link(read, other)
    kind = FileKind((".csv",), b"")
    for path in (read, other):
        with pytest.raises(Exception, match="is what was read"):
            write_file(path, b"new", kind, inputs=[read])
    read.chmod(0o400)
    with pytest.raises(Exception, match="read only"):
        write_file(read, b"new", kind)
    assert read.read_bytes() == b"lot"


def test_a_new_file_has_the_usual_permissions_and_a_replaced_one_its_own(tmp_path: Path) -> None:
    path, kind = tmp_path / "plan.csv", FileKind((".csv",), b"")
    usual = tmp_path / "usual"
    usual.touch()
    write_file(path, b"old", kind)
    assert path.stat().st_mode == usual.stat().st_mode
    path.chmod(0o600)
    write_file(path, b"new", kind)
    assert path.stat().st_mode & 0o777 == 0o600
    assert path.read_bytes() == b"new"


@pytest.fixture
def there(tmp_path: Path) -> Path:
    """A folder of files that may not be written over."""
    (tmp_path / "theirs.html").write_bytes(b"<HTML")
    (tmp_path / "short.html").write_bytes(b"<htm")
    (tmp_path / "locked.html").write_bytes(b"<html>")
    (tmp_path / "locked.html").chmod(0o444)
    (tmp_path / "folder.html").mkdir()
    (tmp_path / "file").write_bytes(b"")
    return tmp_path


@pytest.mark.parametrize(
    ("name", "kind", "said"),
    [
        ("page.txt", PAGE, "{} would not open: its name must end in .html or .htm. Choose another name."),
        ("theirs.html", PAGE, NOT_OURS),
        ("short.html", PAGE, NOT_OURS),
        ("folder.html", PAGE, NOT_OURS),
        ("locked.html", PAGE, "{} is set to read only. Allow writing, or choose another name."),
        ("locked.html", FileKind((".html",)),
         "{} exists already and is left alone. Choose another name, or move the file away."),
        ("none/page.html", PAGE, "{} can't be written (No such file or directory). Check name, folder and free room."),
        ("file/page.html", PAGE, "{} can't be written (Not a directory). Check the name and the folder."),
    ],
)  # fmt: skip
def test_what_can_not_be_written_is_said_and_everything_stays(
    name: str, kind: FileKind, said: str, there: Path
) -> None:
    before = {path.name: path.stat() for path in there.iterdir()}
    with pytest.raises(WorkbookError) as refused:
        write_file(there / name, b"<html>new", kind)
    assert str(refused.value) == said.format(there / name)
    assert {path.name: path.stat() for path in there.iterdir()} == before


def test_a_link_is_followed_and_what_it_leads_to_replaced(tmp_path: Path) -> None:
    page, other = tmp_path / "page.html", tmp_path / "link.HTML"
    page.write_bytes(b"<html>old")
    page.chmod(0o640)
    other.symlink_to(page)
    assert write_file(str(other), b"<html>new", PAGE, inputs=[tmp_path / "gone.csv"], mode=0o600) == other
    assert (page.read_bytes(), other.is_symlink(), stat.S_IMODE(page.stat().st_mode)) == (b"<html>new", True, 0o640)
    assert write_file(tmp_path / "fresh.htm", b"<html>", PAGE, mode=0o600).stat().st_mode & 0o777 == 0o600
    assert sorted(path.name for path in tmp_path.iterdir()) == ["fresh.htm", "link.HTML", "page.html"]


def test_a_file_that_comes_meanwhile_is_left_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    page = tmp_path / "page.html"
    write, looked = os.write, []

    def meanwhile(handle: int, content: memoryview) -> int:
        looked.append(page.write_bytes(b"theirs"))
        return write(handle, content[:4])

    monkeypatch.setattr(files.os, "write", meanwhile)
    with pytest.raises(WorkbookError, match="wasn't written by this command"):
        write_file(page, b"<html>new", PAGE)
    monkeypatch.undo()
    assert (len(looked), page.read_bytes()) == (3, b"theirs")
    assert [path.name for path in tmp_path.iterdir()] == ["page.html"]


def test_what_reads_back_differently_is_not_put_in_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files.os, "write", lambda _, content: len(content))
    with pytest.raises(WorkbookError) as refused:
        write_file(tmp_path / "page.html", b"<html>", PAGE)
    assert str(refused.value) == "page.html: what was written to disk reads back differently; nothing was changed."
    assert list(tmp_path.iterdir()) == []


def test_what_a_killed_process_left_goes_once_more_than_a_day_has_passed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = int(time.time())
    monkeypatch.setattr(files.time, "time", lambda: float(now))
    left = [tmp_path / f".{age}.costing-unfinished" for age in ("old", "young")]
    for path, seconds in zip(left, (24 * 3600 + 1, 24 * 3600), strict=True):
        path.write_bytes(b"half")
        os.utime(path, (now - seconds,) * 2)
    with unfinished(tmp_path / "page.html", b"<html>", None) as temporary:
        assert temporary.parent == tmp_path
        assert temporary.name.endswith(".costing-unfinished")
        assert sorted(path.name for path in tmp_path.iterdir()) == sorted([temporary.name, left[1].name])
    assert list(tmp_path.iterdir()) == [left[1]]


@pytest.mark.parametrize(
    ("stem", "named"),
    [
        ("estate", "estate.results.xlsx"),
        ("x" * 242, f"{'x' * 242}.results.xlsx"),
        ("x" * 243, f"{'x' * 233}~c79ef50c.results.xlsx"),
        ("é" * 122, f"{'é' * 116}~f6fd8bcd.results.xlsx"),
    ],
)
def test_a_name_beside_is_one_that_a_file_can_have(stem: str, named: str) -> None:
    found = name_beside(Path("/cellar") / f"{stem}.xlsx", ".results")
    assert found.parent == Path("/cellar")
    assert len(os.fsencode(found.name)) <= files.LONGEST_NAME
    assert found.name == named


def test_bytes_of_a_name_that_are_no_text_are_replaced() -> None:
    assert name_as_text("caf\udce9.xlsx") == "caf\ufffd.xlsx"
    assert name_as_text("Rosé.xlsx") == "Rosé.xlsx"
