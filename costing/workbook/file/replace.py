"""Putting new bytes in a workbook's place, so that a crash leaves the old file or the new one.

Rule: resolve links; look for locks; compare the parts with those that may change; keep a verified back-up
(`backups`); write the new file beside it (`costing.files`); look at the original once more; rename over it.

What it does not do: it can't see a program that opened the file without a lock file; other hard links to the
file keep the old content; no permission beyond mode and owner is copied.
"""

from __future__ import annotations

import errno
import hashlib
import os
import re
import stat
from collections.abc import Collection
from pathlib import Path

from costing.errors import WorkbookError
from costing.files import FileKind, name_beside, sync_folder, unfinished, write_file
from costing.workbook.file.backups import back_up, drop_old_backups
from costing.workbook.file.package import changed_parts, read_package, refusal, shown
from costing.workbook.file.sheets import changeable_parts


def replace_atomically(
    path: str | Path,
    new_bytes: bytes,
    expected_sha256: str,
    *,
    ignore_lock: bool = False,
    may_change: Collection[str] = (),
) -> Path:
    """Put `new_bytes` in the place of the workbook read with this SHA-256; return the back-up's path.

    ignore_lock: write although a lock file says that the workbook is open. may_change: parts that may differ
    besides the library's own, as `dependent_parts` where stored values were taken out.

    Raises WorkbookError, with the file as it was, where it is open, read-only, changed since it was read,
    can't be written, or would lose or change a part of the user's.
    """
    target = _resolved(Path(path))
    if not ignore_lock:
        _require_unlocked({target, Path(path)})
    old_bytes, mode = _unchanged(target, expected_sha256), _writable_mode(target)
    _require_parts_kept(target, old_bytes, new_bytes, may_change)
    try:
        saved = back_up(target, old_bytes, mode)
        with unfinished(target, new_bytes, mode) as temporary:
            _unchanged(target, expected_sha256)
            temporary.replace(target)
    except OSError as fault:
        remedy = "Make room, allow writing in the folder, or close the program that has the file open."
        wrong = f"it can't be written ({fault.strerror or fault}); it is as it was."
        raise refusal(target, wrong, remedy) from fault
    sync_folder(target.parent)
    drop_old_backups(target)
    return saved


def sibling_path(path: str | Path) -> Path:
    """Return a free name beside the workbook, for results that can't go into it."""
    path = Path(path)
    for number in range(1, 1000):
        sibling = name_beside(path, f".results{f'-{number}' if number > 1 else ''}")
        if not sibling.exists():
            return sibling
    raise refusal(path, "there are a thousand result files beside it.", "Delete those that you don't need.")


def write_beside(path: str | Path, new_bytes: bytes) -> Path:
    """Write the workbook under a free name beside the original (or where it would stand, if it was made of CSV
    files), whole or not at all; return that name.
    """
    target = sibling_path(path)
    read_package(new_bytes, target)
    mode = stat.S_IMODE(Path(path).stat().st_mode) | stat.S_IWUSR if os.path.isfile(path) else None  # noqa: PTH113
    return write_file(target, new_bytes, FileKind((target.suffix.casefold(),)), inputs=[path], mode=mode)


def lock_holder(path: str | Path) -> str:
    """Say which program and person a lock file names, `LibreOffice: Ann on cellar-pc`; else empty."""
    path = Path(path)
    for name, program, reading in (
        (f".~lock.{path.name}#", "LibreOffice", _libreoffice_holder),
        (f"~${path.name}", "Excel", _excel_holder),
    ):
        lock = path.with_name(name)
        try:
            if not stat.S_ISREG(lock.stat().st_mode):
                continue  # a folder or a pipe of that name is no lock
            holder = reading(lock.read_bytes()[:4096])
        except OSError as fault:
            if fault.errno in (errno.ENOENT, errno.ENAMETOOLONG, errno.ENOTDIR):
                continue
            holder = ""  # it is there: Excel keeps its own to itself, or the disk can't read it
        return shown(f"{program}: {holder or 'holder unknown'}")
    return ""


def _libreoffice_holder(content: bytes) -> str:
    """Person, host and time of `name,account,host,time,profile;`, a comma in a field after a backslash."""
    fields = re.split(r"(?<!\\),", content.decode("utf-8", "replace").rstrip(";\n"))
    fields = [field.replace("\\,", ",").strip() for field in fields] + [""] * 4
    person, account, host, since = fields[:4]
    who = person or account
    return who + (f" on {host}" if host else "") + (f" since {since}" if since else "")


def _excel_holder(content: bytes) -> str:
    """Person's name: its length, its letters padded to 55 bytes, and once more in UTF-16 (from memory)."""
    if len(content) > 58 and content[55]:
        return content[57 : 57 + 2 * content[55]].decode("utf-16-le", "replace").strip()
    return content[1 : 1 + content[0]].decode("cp1252", "replace").strip() if content else ""


def _resolved(path: Path) -> Path:
    try:
        return path.resolve(strict=True)
    except (OSError, RuntimeError) as fault:
        raise refusal(path, "there is no such file.", "Check its name and folder.") from fault


def _require_unlocked(paths: Collection[Path]) -> None:
    for path in paths:
        if holder := lock_holder(path):
            sibling = sibling_path(path).name
            remedy = (
                f"Close it there, write to '{sibling}' (--beside), or refresh it while it is open "
                f"(costing link {shown(path.name)}). If nobody has it open: --ignore-lock."
            )
            raise refusal(path, f"it is open ({holder}).", remedy)


def _unchanged(target: Path, expected_sha256: str) -> bytes:
    """Content of the file, if it still is the one that was read."""
    try:
        content = target.read_bytes()
    except OSError as fault:
        raise refusal(target, f"it can't be read ({fault.strerror}).", "Check its permissions.") from fault
    if hashlib.sha256(content).hexdigest() != expected_sha256:
        remedy = f"Run again, or write to '{sibling_path(target).name}'."
        raise refusal(target, "it was changed by another program since it was read.", remedy)
    return content


def _writable_mode(target: Path) -> int:
    mode = stat.S_IMODE(target.stat().st_mode)
    if not mode & 0o222:
        remedy = f"Allow writing, or write to '{sibling_path(target).name}'."
        raise refusal(target, "it is set to read only.", remedy)
    return mode


def _require_parts_kept(target: Path, old_bytes: bytes, new_bytes: bytes, may_change: Collection[str]) -> None:
    """Test the new zip, and hold what differs against what may."""
    before, after = read_package(old_bytes, target, ours=True), read_package(new_bytes, target)
    allowed = changeable_parts(before) | set(may_change)
    allowed |= changeable_parts(after) - set(before.members)
    if lost := sorted(changed_parts(before, after) - allowed):
        msg = f"{target.name}: part {shown(lost[0])} would change, which is the user's; nothing was written."
        raise WorkbookError(msg)
