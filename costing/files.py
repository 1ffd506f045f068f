"""Writing a file, whole or not at all: the one way in which anything here reaches the disk.

Rule: write a temporary file in the same folder and force it to disk; read it back; rename it into place; force
the folder to disk. A rename within a file system is atomic (POSIX.1-2017, `rename`), so that a full disk, a crash
or Ctrl-C leaves what stood there or the new file, never a part of it.

Conventions: what was read is never written over, nor is a file of another kind than the one being written. A link is
followed. What a killed process left unfinished is removed by the first write a day later.

What it does not do: it keeps no back-up and looks for no lock (`workbook.replace` does, for a workbook in use).
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import stat
import time
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path

from costing.errors import WorkbookError

LONGEST_NAME = 255  # bytes in a file's name on the usual file systems
_CHUNK = 1024 * 1024
_LEFTOVER_SECONDS = 24 * 3600
_UNFINISHED = "costing-unfinished"


@dataclass(frozen=True, slots=True)
class FileKind:
    """A kind of file. suffixes: those that its name may end in; begins: the first bytes of those that may be replaced,
    None where none may be.
    """

    suffixes: tuple[str, ...]
    begins: bytes | None = None


def write_file(
    path: str | Path, content: bytes, kind: FileKind, *, inputs: Collection[str | Path] = (), mode: int | None = None
) -> Path:
    """Write a file whole or not at all; return its path.

    inputs: files that were read and must stay as they are; mode: permissions of a new file, None for the usual ones;
    one that is replaced keeps its own. Raises WorkbookError, with whatever stood there as it was,
    where the target is one of them, is or would be of another kind, is read-only or can't be written.
    """
    path = Path(path)
    target = Path(os.path.realpath(path))
    present = _mode_of_replaced(path, target, kind, inputs)
    try:
        with unfinished(target, content, mode if present is None else present) as temporary:
            _mode_of_replaced(path, target, kind, inputs)
            temporary.replace(target)
    except OSError as fault:
        msg = f"{path} can't be written ({fault.strerror or fault}). Check name, folder and free room."
        raise WorkbookError(msg) from fault
    sync_folder(target.parent)
    return path


def name_beside(path: Path, addition: str) -> Path:
    """Path with an addition before its suffix, `estate.results.xlsx`; a name that would be too long for that is cut and
    told apart by a digest of the whole.
    """
    if len(os.fsencode(f"{path.stem}{addition}{path.suffix}")) <= LONGEST_NAME:
        return path.with_name(f"{path.stem}{addition}{path.suffix}")
    addition = f"~{hashlib.sha256(os.fsencode(path.stem)).hexdigest()[:8]}{addition}"
    room = LONGEST_NAME - len(os.fsencode(f"{addition}{path.suffix}"))
    stem = os.fsencode(path.stem)[: max(room, 0)].decode("utf-8", "ignore")
    return path.with_name(f"{stem}{addition}{path.suffix}")


def name_as_text(name: str) -> str:
    """Name of a file as text for a cell or JSON: bytes that are no UTF-8 become replacement signs."""
    return os.fsencode(name).decode("utf-8", "replace")


@contextlib.contextmanager
def unfinished(final: Path, content: bytes, mode: int | None) -> Iterator[Path]:
    """Write `content` to a file beside `final` and to disk; remove it if still there afterwards.

    mode: permissions of the file, None for those of any new one. OSError where it can't be written, WorkbookError where
    it reads back differently. A clean-up that fails takes nothing from what was written.
    """
    _remove_leftovers(final.parent)
    # Short whatever the name of the file, which may be as long as a name can be.
    temporary = final.with_name(f".{secrets.token_hex(4)}.{_UNFINISHED}")
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    try:
        handle = os.open(temporary, flags, 0o666 if mode is None else 0o600)
        try:
            waiting = memoryview(content)
            while waiting:
                waiting = waiting[os.write(handle, waiting[:_CHUNK]) :]
            os.fsync(handle)
        finally:
            os.close(handle)
        if mode is not None:
            _copy_permissions(final, temporary, mode)
        if temporary.read_bytes() != content:
            msg = f"{final.name}: what was written to disk reads back differently; nothing was changed."
            raise WorkbookError(msg)
        yield temporary
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink()


def sync_folder(folder: Path) -> None:
    """Force a rename to disk. Some file systems refuse, and the file is in place by now."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _mode_of_replaced(path: Path, target: Path, kind: FileKind, inputs: Collection[str | Path]) -> int | None:
    """Permissions of the file that stands there, None where there is none; WorkbookError where it has to stay."""
    if path.suffix.casefold() not in kind.suffixes:
        msg = f"{path} would not open: its name must end in {' or '.join(kind.suffixes)}. Choose another name."
        raise WorkbookError(msg)
    with contextlib.suppress(OSError):
        if any(os.path.exists(source) and os.path.samefile(source, target) for source in inputs):  # noqa: PTH110, PTH121
            msg = f"{path} is what was read, and is left alone. Choose another name."
            raise WorkbookError(msg)
    try:
        mode = target.stat().st_mode
    except FileNotFoundError:
        return None
    except OSError as fault:
        msg = f"{path} can't be written ({fault.strerror or fault}). Check the name and the folder."
        raise WorkbookError(msg) from fault
    if kind.begins is None:
        msg = f"{path} exists already and is left alone. Choose another name, or move the file away."
        raise WorkbookError(msg)
    if not stat.S_ISREG(mode) or not _begins(target, kind.begins):
        msg = f"{path} is there and wasn't written by this command, so it is left alone. Choose another name."
        raise WorkbookError(msg)
    if not mode & 0o222:
        msg = f"{path} is set to read only. Allow writing, or choose another name."
        raise WorkbookError(msg)
    return stat.S_IMODE(mode)


def _begins(target: Path, first: bytes) -> bool:
    try:
        with target.open("rb") as file:
            return file.read(len(first)) == first
    except OSError:
        return False


def _copy_permissions(final: Path, temporary: Path, mode: int) -> None:
    temporary.chmod(mode)
    with contextlib.suppress(OSError, AttributeError):  # only the administrator may give files away
        owner = final.stat()
        os.chown(temporary, owner.st_uid, owner.st_gid)


def _remove_leftovers(folder: Path) -> None:
    with contextlib.suppress(OSError):
        for leftover in folder.glob(f".*.{_UNFINISHED}"):
            with contextlib.suppress(OSError):
                if time.time() - leftover.stat().st_mtime > _LEFTOVER_SECONDS:
                    leftover.unlink()
