"""Back-ups of a workbook: one before every write, named by the moment; the first stays, the latest are kept.

Conventions: `estate.bak-20261128-093642.xlsx` stands beside `estate.xlsx`; only names of just this form are ever
removed. Names follow the order of writing: where the clock was set back, the latest moment is counted on. The first
is the workbook as nobody's results had touched it.

What it does not do: touch a copy that a person made or renamed.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import re
from pathlib import Path

from costing.files import name_beside, sync_folder, unfinished

LATEST = 9
KEPT = f"the first and the latest {LATEST} are kept"
_MOMENT = "00000000-000000"


def backups(target: Path) -> list[Path]:
    """Back-ups of a workbook, the oldest first."""
    return [path for _, _, path in _dated(target)]


def back_up(target: Path, content: bytes, mode: int) -> Path:
    """Keep the content of a workbook; return where. Content that the latest back-up holds is not kept twice."""
    with contextlib.suppress(OSError):
        latest = backups(target)[-1:]
        if latest and latest[0].read_bytes() == content:
            return latest[0]
    saved = _free_name(target)
    with unfinished(saved, content, mode) as temporary:
        temporary.replace(saved)
    sync_folder(target.parent)
    return saved


def keep_closed(target: Path, on: dt.date) -> Path:
    """Keep the workbook as it was closed, beside it under the date of the closing; return where. No later back-up takes
    its place, nor does another closing of that date.
    """
    saved, count = name_beside(target, f".closed-{on}"), 1
    while saved.exists():
        count += 1
        saved = name_beside(target, f".closed-{on}-{count}")
    with unfinished(saved, target.read_bytes(), None) as temporary:
        temporary.replace(saved)
    sync_folder(target.parent)
    return saved


def drop_old_backups(target: Path) -> None:
    """Remove back-ups between the first and the latest ones, as far as that can be."""
    with contextlib.suppress(OSError):
        for path in backups(target)[1:-LATEST]:
            path.unlink()


def _dated(target: Path) -> list[tuple[str, int, Path]]:
    """Moment, count within the moment and path of each back-up, the oldest first."""
    before, _, after = name_beside(target, f".bak-{_MOMENT}").name.partition(_MOMENT)
    form = re.compile(re.escape(before) + r"(\d{8}-\d{6})(?:-(\d+))?" + re.escape(after))
    named = ((path, form.fullmatch(path.name)) for path in target.parent.iterdir())
    return sorted((name[1], int(name[2] or 1), path) for path, name in named if name)


def _free_name(target: Path) -> Path:
    """Name after that of the latest back-up, also within its second or where the clock was set back."""
    moment, count = f"{_now():%Y%m%d-%H%M%S}", 1
    with contextlib.suppress(OSError):  # a folder that can't be listed is told by the moment alone
        for latest, number, _ in _dated(target)[-1:]:
            if latest >= moment:
                moment, count = latest, number + 1
    while (name := name_beside(target, f".bak-{moment}{f'-{count}' if count > 1 else ''}")).exists():
        count += 1
    return name


def _now() -> dt.datetime:
    return dt.datetime.now()
