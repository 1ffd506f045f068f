"""Kills a write at every file operation: a program of its own, run by `test_replace.py`.

Every function of `os` that touches files, and `io.open`, counts its calls; before call number k, or halfway
through it where it writes, the process kills itself with signal 9. One child process for each k. An audit
hook of the interpreter counts independently, so an operation that goes past the counters shows.
"""

from __future__ import annotations

import builtins
import hashlib
import io
import json
import os
import shutil
import signal
import sys
from collections import Counter
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from costing import files
from costing.errors import WorkbookError
from costing.workbook.file.package import open_package
from costing.workbook.file.replace import replace_atomically

OPERATIONS = (
    *(
        "open",
        "read",
        "write",
        "close",
        "fsync",
        "fdatasync",
        "replace",
        "rename",
        "link",
        "symlink",
        "unlink",
    ),
    *("remove", "chmod", "fchmod", "chown", "fchown", "truncate", "ftruncate", "utime", "mkdir", "rmdir"),
    *("stat", "lstat", "fstat", "scandir", "listdir", "readlink", "sendfile", "copy_file_range"),
)
# The audit events that the calls above raise (Python documentation, "Audit events table").
EVENTS = {
    "open": ("open", "io.open"),
    "os.rename": ("replace", "rename"),
    "os.remove": ("unlink", "remove"),
    "os.chmod": ("chmod", "fchmod"),
    "os.chown": ("chown", "fchown"),
    "os.scandir": ("scandir",),
    "os.listdir": ("listdir",),
    "os.truncate": ("truncate", "ftruncate"),
    "os.link": ("link",),
    "os.symlink": ("symlink",),
    "os.mkdir": ("mkdir",),
    "os.rmdir": ("rmdir",),
    "os.utime": ("utime",),
}
# Functions that move many bytes without a call of their own for each: none may be used.
BYPASSES = (
    *("shutil.copyfile", "shutil.move", "shutil.copymode", "shutil.copystat"),
    *("tempfile.mkstemp", "subprocess.Popen"),
)


UNTOUCHED = "20200101-000000.xlsm"


class Counters:
    """Counts the calls, and kills this process at one of them."""

    def __init__(self, kill_at: int, *, halfway: bool) -> None:
        self.kill_at, self.halfway = kill_at, halfway
        self.calls: list[str] = []
        self.events: Counter[str] = Counter()
        self.active = False

    def install(self) -> None:
        for name in OPERATIONS:
            if hasattr(os, name):
                setattr(os, name, self.wrapped(name, getattr(os, name)))
        io.open = builtins.open = self.wrapped("io.open", io.open)  # type: ignore[assignment]
        sys.addaudithook(self.heard)
        self.active = True

    def wrapped(self, name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        def counted(*arguments: Any, **options: Any) -> Any:
            if self.active:
                self.calls.append(name)
                if len(self.calls) == self.kill_at:
                    if self.halfway and name == "write":
                        function(arguments[0], bytes(arguments[1])[: len(arguments[1]) // 2])
                    os.kill(os.getpid(), signal.SIGKILL)
            return function(*arguments, **options)

        return counted

    def heard(self, event: str, _: tuple[object, ...]) -> None:
        if self.active and (event in EVENTS or event in BYPASSES):
            self.events[event] += 1


def attempt(target: Path, new: bytes, sha256: str, counters: Counters) -> None:
    """One write, in this process."""
    counters.install()
    replace_atomically(target, new, sha256)
    counters.active = False


def in_child(action: Callable[[], None]) -> int:
    """The wait status of a child process that does this."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            action()
            code = 0
        finally:
            os._exit(code)
    return os.waitpid(child, 0)[1]


def state_of(folder: Path, contents: dict[str, str]) -> dict[str, str]:
    """Which known content each workbook in the folder holds, and whether it opens."""
    found = {}
    for path in sorted(folder.glob("*.xlsm")):
        sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
        try:
            opened = open_package(path).sha256 == sha256
        except WorkbookError:
            opened = False
        kept = path.name.partition(".bak-")[2]
        name = "untouched" if kept == UNTOUCHED else "back-up" if kept else path.name
        found[name] = contents.get(sha256, "unknown") if opened else "broken"
    return found


def main(folder: Path) -> None:
    """Trace one write, then kill one at every operation; print what was left each time."""
    known = {name: (folder / f"{name}.bin").read_bytes() for name in ("older", "old", "new")}
    older, old, new = known.values()
    contents = {hashlib.sha256(content).hexdigest(): name for name, content in known.items()}
    old_sha256 = hashlib.sha256(old).hexdigest()
    files._CHUNK = 16 * 1024  # several writes to each file, so that a kill falls between them too
    work = folder / "work"

    def fresh() -> Path:
        shutil.rmtree(work, ignore_errors=True)
        work.mkdir()
        (work / "estate.xlsm").write_bytes(old)
        (work / f"estate.bak-{UNTOUCHED}").write_bytes(older)
        return work / "estate.xlsm"

    def traced() -> None:
        counters = Counters(0, halfway=False)
        attempt(work / "estate.xlsm", new, old_sha256, counters)
        trace = {"calls": counters.calls, "events": counters.events}
        (folder / "trace.json").write_text(json.dumps(trace))

    replace_atomically(fresh(), new, old_sha256)  # whatever Python imports on the way is not part of a write
    fresh()
    report: dict[str, Any] = {"status": in_child(traced), "after": state_of(work, contents)}
    report |= json.loads((folder / "trace.json").read_text())
    report["kills"] = []
    for halfway in (False, True):
        for number, call in enumerate(report["calls"], 1):
            if halfway and call != "write":
                continue
            target, counters = fresh(), Counters(number, halfway=halfway)
            status = in_child(partial(attempt, target, new, old_sha256, counters))
            left = {
                "call": call,
                "halfway": halfway,
                "killed": os.WIFSIGNALED(status) and os.WTERMSIG(status) == 9,
            }
            left["files"] = state_of(work, contents)
            left["mode"] = oct(target.stat().st_mode & 0o777)
            # The next run meets what the killed one left behind.
            if left["files"]["estate.xlsm"] == "old":
                replace_atomically(target, new, old_sha256)
            left["next"] = state_of(work, contents)
            report["kills"].append(left)
    print(json.dumps(report))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
