"""Putting new bytes in a workbook's place: locks, back-up, what may change, a kill at every operation."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
import re
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import pytest

from costing.errors import WorkbookError
from costing.workbook.file import backups, replace
from costing.workbook.file.dependents import dependent_parts
from costing.workbook.file.graft import graft
from costing.workbook.file.package import open_package, read_package, rebuild
from costing.workbook.file.replace import lock_holder, replace_atomically, sibling_path, write_beside
from tests.workbook.grafting import run
from tests.workbook.killed import BYPASSES, EVENTS
from tests.workbook.scratch import RESULT_SHEETS, parts_of, scratch_results, zip_of
from tests.workbook.torture import torture_workbook

OLD = torture_workbook()
NEW = run(OLD)
OLD_SHA256 = hashlib.sha256(OLD).hexdigest()


@pytest.fixture
def target(tmp_path: Path) -> Path:
    path = tmp_path / "estate.xlsm"
    path.write_bytes(OLD)
    path.chmod(0o640)
    return path


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def refused(target: Path, new: bytes = NEW, sha256: str = OLD_SHA256, **options: bool) -> str:
    """The message of a write that must fail and leave everything as it was."""
    before = {path.name: path.read_bytes() for path in target.parent.iterdir() if path.is_file()}
    with pytest.raises(WorkbookError) as caught:
        replace_atomically(target, new, sha256, **options)
    assert {path.name: path.read_bytes() for path in target.parent.iterdir() if path.is_file()} == before
    assert str(caught.value).isprintable()
    return str(caught.value)


def test_the_new_bytes_stand_in_place_with_a_back_up_and_the_same_mode(target: Path) -> None:
    saved = replace_atomically(target, NEW, OLD_SHA256)
    assert re.fullmatch(r"estate\.bak-\d{8}-\d{6}\.xlsm", saved.name)
    assert target.read_bytes() == NEW
    assert saved.read_bytes() == OLD
    assert target.stat().st_mode & 0o777 == saved.stat().st_mode & 0o777 == 0o640
    assert names(target.parent) == [saved.name, "estate.xlsm"]


def test_somebodys_own_back_up_is_left_alone_and_the_untouched_original_is_kept(target: Path) -> None:
    """One name served every back-up: a person's own file of that name went, and the original after two writes."""
    own = target.with_name("estate.bak.xlsm")
    own.write_bytes(b"mine")
    renamed = target.with_name("estate.bak-20200101-000000 before the audit.xlsm")
    renamed.write_bytes(b"kept")
    written = OLD
    for number in range(backups.LATEST + 4):
        new = run(OLD, float(number))
        replace_atomically(target, new, hashlib.sha256(written).hexdigest())
        written = new
    kept = backups.backups(target)
    assert len(kept) == 1 + backups.LATEST
    assert kept[0].read_bytes() == OLD
    assert [path.read_bytes() for path in kept[1:]] == [run(OLD, float(number)) for number in range(3, 12)]
    assert own.read_bytes() == b"mine"
    assert renamed.read_bytes() == b"kept"


@pytest.mark.parametrize(
    "minutes",
    [[0] * 14, [0, 1, 2, *range(-60, -49)], [*range(14)]],
    ids=["within one second", "the clock set back in autumn", "usual"],
)
def test_back_ups_stay_in_the_order_of_writing_whatever_the_clock_says(
    target: Path, minutes: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Names freed within a second were used again, and an hour that came twice put the newest before the first."""
    start = dt.datetime(2026, 10, 25, 2, 30)
    for number, minute in enumerate(minutes):
        monkeypatch.setattr(backups, "_now", lambda minute=minute: start + dt.timedelta(minutes=minute))
        backups.back_up(target, b"%d" % number, 0o600)
        backups.drop_old_backups(target)
    kept = [int(path.read_bytes()) for path in backups.backups(target)]
    assert kept == [0, *range(len(minutes) - backups.LATEST, len(minutes))]


def test_back_ups_of_one_second_are_numbered_from_the_second_one(target: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(backups, "_now", lambda: dt.datetime(2026, 10, 25, 2, 30))
    for number in range(3):
        backups.back_up(target, b"%d" % number, 0o600)
    moment = "estate.bak-20261025-023000"
    assert [path.stem for path in backups.backups(target)] == [moment, f"{moment}-2", f"{moment}-3"]


def test_a_write_that_failed_and_is_tried_again_makes_one_back_up(
    target: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def locked(*_: object) -> None:
        raise OSError(13, "Permission denied")

    for _ in range(3):
        with monkeypatch.context() as patched:
            patched.setattr(replace, "unfinished", locked)
            with pytest.raises(WorkbookError, match="it is as it was"):
                replace_atomically(target, NEW, OLD_SHA256)
    replace_atomically(target, NEW, OLD_SHA256)
    assert len(backups.backups(target)) == 1


def test_a_clean_up_that_fails_after_success_is_no_failure(target: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It said that the workbook was as it was, with the new one in its place."""

    def refuse(*_: object, **__: object) -> None:
        raise OSError(5, "Input/output error")

    for operation in ("unlink", "scandir", "listdir"):
        monkeypatch.setattr(os, operation, refuse)
    replace_atomically(target, NEW, OLD_SHA256)
    monkeypatch.undo()
    assert target.read_bytes() == NEW


@pytest.mark.parametrize("length", [200, 239, 240, 250])
def test_a_name_as_long_as_a_name_can_be(tmp_path: Path, length: int) -> None:
    """Names of lock, temporary file and back-up are longer, and ended in a traceback."""
    target = tmp_path / f"{'é' * (length // 2)}.xlsm"
    target.write_bytes(OLD)
    assert lock_holder(target) == ""
    saved = replace_atomically(target, NEW, OLD_SHA256)
    assert saved.read_bytes() == OLD
    assert backups.backups(target) == [saved]
    assert sibling_path(target).name.endswith(".results.xlsm")
    assert write_beside(target, NEW).read_bytes() == NEW


def test_a_lock_file_that_the_disk_cannot_read_counts_and_a_folder_or_pipe_does_not(
    target: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lock = target.with_name(".~lock.estate.xlsm#")
    lock.mkdir()
    assert lock_holder(target) == ""
    lock.rmdir()
    if hasattr(os, "mkfifo"):
        os.mkfifo(lock)
        assert lock_holder(target) == ""
        lock.unlink()
    lock.write_bytes(LIBREOFFICE_LOCK)

    def unreadable(path: Path) -> bytes:
        raise OSError(5, "Input/output error", str(path))

    with monkeypatch.context() as patched:
        patched.setattr(Path, "read_bytes", unreadable)
        assert lock_holder(target) == "LibreOffice: holder unknown"


def test_a_link_keeps_pointing_to_the_file_that_is_replaced(target: Path, tmp_path: Path) -> None:
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    link = folder / "link.xlsm"
    link.symlink_to(target)
    saved = replace_atomically(link, NEW, OLD_SHA256)
    assert link.is_symlink()
    assert target.read_bytes() == NEW
    assert saved.parent == target.parent
    assert names(folder) == ["link.xlsm"]


def test_a_file_changed_since_it_was_read_is_left_and_a_sibling_offered(target: Path) -> None:
    target.write_bytes(run(OLD, 9.0))
    message = refused(target)
    assert "changed by another program" in message
    assert "'estate.results.xlsm'" in message


def test_a_change_during_the_write_is_seen_too(target: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    meanwhile = run(OLD, 9.0)
    seen: list[bytes] = []
    original = replace._unchanged

    def watched(path: Path, sha256: str) -> bytes:
        if seen:
            path.write_bytes(meanwhile)
        seen.append(b"")
        return original(path, sha256)

    monkeypatch.setattr(replace, "_unchanged", watched)
    with pytest.raises(WorkbookError, match="changed by another program"):
        replace_atomically(target, NEW, OLD_SHA256)
    assert len(seen) == 2
    assert target.read_bytes() == meanwhile
    assert names(target.parent) == [backups.backups(target)[0].name, "estate.xlsm"]


LIBREOFFICE_LOCK = b",ann,cellar-pc,20.11.2024 10:15,file:///home/ann/.config/libreoffice/4;"


def excel_lock(name: str) -> bytes:
    letters = name.encode("cp1252", "replace")
    wide = name.encode("utf-16-le")
    return (bytes([len(letters)]) + letters).ljust(55, b" ") + bytes([len(name), 0]) + wide.ljust(108, b" ")


@pytest.mark.parametrize(
    ("lock", "content", "words"),
    [
        (".~lock.estate.xlsm#", LIBREOFFICE_LOCK, "LibreOffice: ann on cellar-pc since 20.11.2024 10:15"),
        (".~lock.estate.xlsm#", b"Ann\\, of the cellar,ann,pc,,;", "LibreOffice: Ann, of the cellar on pc"),
        (".~lock.estate.xlsm#", b"", "LibreOffice: holder unknown"),
        (".~lock.estate.xlsm#", b"\xff\n\0" * 9, "LibreOffice: "),
        ("~$estate.xlsm", excel_lock("Ann Exämple"), "Excel: Ann Exämple"),
        ("~$estate.xlsm", excel_lock("Ann")[:55], "Excel: Ann"),
        ("~$estate.xlsm", excel_lock("Ann")[:57], "Excel: Ann"),
        ("~$estate.xlsm", excel_lock("Ann")[:58], "Excel: Ann"),  # ends in the middle of a letter
        ("~$estate.xlsm", excel_lock("Ł")[:59], "Excel: Ł"),
        ("~$estate.xlsm", b"", "Excel: holder unknown"),
    ],
)
def test_an_open_file_is_left_and_its_holder_named(target: Path, lock: str, content: bytes, words: str) -> None:
    target.with_name(lock).write_bytes(content)
    message = refused(target)
    assert words in message
    assert "estate.results.xlsm" in message
    assert lock_holder(target).startswith(words)
    replace_atomically(target, NEW, OLD_SHA256, ignore_lock=True)
    assert target.read_bytes() == NEW


def test_a_lock_beside_a_link_counts(target: Path, tmp_path: Path) -> None:
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    link = folder / "link.xlsm"
    link.symlink_to(target)
    (folder / ".~lock.link.xlsm#").write_bytes(LIBREOFFICE_LOCK)
    assert "ann on cellar-pc" in refused(link)


def test_a_read_only_file_is_left(target: Path) -> None:
    target.chmod(0o440)
    assert "read only" in refused(target)


def test_a_file_that_can_not_be_read_is_refused(target: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def denied(_: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", denied)
    with pytest.raises(WorkbookError) as caught:
        replace_atomically(target, NEW, OLD_SHA256)
    assert str(caught.value) == f"{target.name}: it can't be read (Permission denied). Check its permissions."


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    assert "no such file" in refused(tmp_path / "none.xlsx")


def test_new_bytes_that_would_change_or_lose_a_users_part_are_not_written(target: Path) -> None:
    package = read_package(NEW, target)
    sheet = package.part("xl/worksheets/sheet2.xml").replace(b"<v>6627.5</v>", b"")
    assert "xl/worksheets/sheet2.xml would change" in refused(
        target, rebuild(package, {"xl/worksheets/sheet2.xml": sheet})
    )
    assert "xl/vbaProject.bin would change" in refused(target, rebuild(package, {}, {"xl/vbaProject.bin"}))
    assert "xl/x.xml would change" in refused(target, rebuild(package, {"xl/x.xml": b"<a/>"}))
    repacked = zip_of(parts_of(NEW))
    assert "xl/media/image1.png would change" in refused(target, repacked), "stored before, now compressed"


def test_damaged_new_bytes_are_not_written(target: Path) -> None:
    assert "damaged" in refused(target, NEW[:-30])


def test_stripped_sheets_may_change_only_when_said(target: Path) -> None:
    package = open_package(target)
    new = graft(package, scratch_results(), RESULT_SHEETS, strip_dependents=True)
    assert "xl/worksheets/sheet2.xml would change" in refused(target, new)
    changed = dependent_parts(read_package(new, target), RESULT_SHEETS)
    replace_atomically(target, new, package.sha256, may_change=changed)
    assert target.read_bytes() == new


@pytest.mark.parametrize("operation", ["open", "write", "fsync", "replace", "chmod"])
def test_a_failing_disk_leaves_the_file_and_no_rubbish(
    target: Path, operation: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, operation, full)
    with pytest.raises(WorkbookError, match=r"can't be written \(No space left on device\); it is as it was"):
        replace_atomically(target, NEW, OLD_SHA256)
    monkeypatch.undo()
    assert target.read_bytes() == OLD
    assert names(target.parent) == ["estate.xlsm"]


def test_what_is_written_is_read_back(target: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.write
    monkeypatch.setattr(os, "write", lambda handle, content: real(handle, bytes(len(content))))
    with pytest.raises(WorkbookError, match="reads back differently"):
        replace_atomically(target, NEW, OLD_SHA256)
    monkeypatch.undo()
    assert target.read_bytes() == OLD
    assert names(target.parent) == ["estate.xlsm"]


def test_leftovers_of_a_killed_run_go_after_a_day(target: Path) -> None:
    old, young = (target.with_name(f".{n}.costing-unfinished") for n in (1, 2))
    for leftover in (old, young):
        leftover.write_bytes(b"half")
    day = 24 * 3600
    os.utime(old, (time.time() - day - 60, time.time() - day - 60))
    replace_atomically(target, NEW, OLD_SHA256)
    assert names(target.parent) == [young.name, backups.backups(target)[0].name, "estate.xlsm"]


def test_sibling_names_are_free_and_a_sibling_is_whole(target: Path) -> None:
    assert sibling_path(target).name == "estate.results.xlsm"
    target.chmod(0o440)
    first, second = write_beside(target, NEW), write_beside(target, NEW)
    assert (first.name, second.name) == ("estate.results.xlsm", "estate.results-2.xlsm")
    assert sibling_path(target).name == "estate.results-3.xlsm"
    assert first.read_bytes() == second.read_bytes() == NEW
    assert first.stat().st_mode & 0o777 == 0o640
    assert target.read_bytes() == OLD
    with pytest.raises(WorkbookError, match="damaged"):
        write_beside(target, NEW[:-30])
    assert names(target.parent) == ["estate.results-2.xlsm", "estate.results.xlsm", "estate.xlsm"]


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="kills child processes by signal, which needs POSIX")
def test_a_kill_at_any_file_operation_leaves_the_old_file_or_the_new_one(tmp_path: Path) -> None:
    for name, content in (("older", run(OLD, 5.0)), ("old", OLD), ("new", NEW)):
        (tmp_path / f"{name}.bin").write_bytes(content)
    command = [sys.executable, "-m", "tests.workbook.killed", str(tmp_path)]
    root = Path(__file__).parents[3]
    done = subprocess.run(command, cwd=root, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stderr
    report = json.loads(done.stdout)

    # The trace is a whole write, and the interpreter's own account knows of no operation besides.
    assert report["status"] == 0
    assert report["after"] == {"untouched": "older", "back-up": "old", "estate.xlsm": "new"}
    calls = Counter(report["calls"])
    assert {event: report["events"].get(event, 0) for event in EVENTS} == {
        event: sum(calls[name] for name in made_by) for event, made_by in EVENTS.items()
    }
    assert not set(report["events"]) & set(BYPASSES)
    assert calls["replace"] == 2
    assert calls["fsync"] == 4

    # One kill before each traced operation, and one in the middle of each write.
    before = [kill for kill in report["kills"] if not kill["halfway"]]
    halfway = [kill for kill in report["kills"] if kill["halfway"]]
    assert [kill["call"] for kill in before] == report["calls"]
    assert len(halfway) == calls["write"]
    assert all(kill["killed"] for kill in report["kills"])

    for kill in report["kills"]:
        files = kill["files"]
        assert set(files) <= {"untouched", "back-up", "estate.xlsm"}
        assert files["untouched"] == kill["next"]["untouched"] == "older", kill
        assert files["estate.xlsm"] in ("old", "new"), kill
        assert files.get("back-up", "old") == "old", kill
        if files["estate.xlsm"] == "new":
            assert files["back-up"] == "old", kill
        assert kill["next"]["estate.xlsm"] == "new", kill
        assert kill["next"]["back-up"] == "old", kill
    states = Counter((kill["files"].get("back-up", "none"), kill["files"]["estate.xlsm"]) for kill in before)
    assert set(states) == {("none", "old"), ("old", "old"), ("old", "new")}, "the kills reach every stage"


def test_results_beside_a_folder_of_csv_files_need_no_workbook_there(tmp_path: Path) -> None:
    """It took the mode of a workbook that did not exist, and refused to write."""
    written = write_beside(tmp_path / "estate.xlsm", NEW)
    assert written.read_bytes() == NEW
    assert names(tmp_path) == ["estate.results.xlsm"]
