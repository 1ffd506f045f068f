"""Back-ups of a workbook: one before every write, named by the moment; the first stays, the latest are kept.

Conventions: `estate.bak-20261128-093642.xlsx` stands beside `estate.xlsx`; only names of just this form are ever
removed. The first is the workbook as nobody's results had touched it.

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
    before, _, after = name_beside(target, f".bak-{_MOMENT}").name.partition(_MOMENT)
    form = re.compile(re.escape(before) + r"(\d{8}-\d{6})(?:-(\d+))?" + re.escape(after))
    named = ((path, form.fullmatch(path.name)) for path in target.parent.iterdir())
    dated = sorted((name[1], int(name[2] or 1), path) for path, name in named if name)
    return [path for _, _, path in dated]


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


def drop_old_backups(target: Path) -> None:
    """Remove back-ups between the first and the latest ones, as far as that can be."""
    with contextlib.suppress(OSError):
        for path in backups(target)[1:-LATEST]:
            path.unlink()


def _free_name(target: Path) -> Path:
    moment = f"{dt.datetime.now():%Y%m%d-%H%M%S}"
    name, count = name_beside(target, f".bak-{moment}"), 1
    while name.exists():
        count += 1
        name = name_beside(target, f".bak-{moment}-{count}")
    return name
