"""costing adopt: a workbook that a person keeps already."""

from __future__ import annotations

import argparse

from costing.errors import WorkbookError
from costing.inputs.headers import did_you_mean, sheet_name
from costing.inputs.links import LINKS
from costing.inputs.schema import sheets
from costing.terminal import note, print_findings, tell
from costing.workbook.adopt.adopt import Adopted, adopt
from costing.workbook.blank.blank import names_added
from costing.workbook.file.backups import KEPT
from costing.workbook.file.package import open_package
from costing.workbook.further import write_with_sheets


def adopt_workbook(options: argparse.Namespace) -> int:
    """Propose which sheets of a workbook are which of ours, and add what it lacks."""
    only = tuple(asked_sheet(title, LINKS) for title in options.only)
    package = open_package(options.path)
    adopted = adopt(package, only)
    _tell(adopted, str(options.path))
    if adopted.content is not None:
        backup = write_with_sheets(
            options.path, package, adopted.content, replaced=[LINKS], ignore_lock=options.ignore_lock
        )
        note(f"Nothing else of {options.path} was changed. Back-up: {backup} ({KEPT}).")
    return 0


def asked_sheet(title: str, *further: str) -> str:
    """Library name of a sheet that a person may ask for. WorkbookError, with the nearest, where there is none."""
    name, rule, _ = sheet_name(title)
    askable = {sheets()[name].title: name for name in (*names_added("first year", "when asked"), *further)}
    if rule or name not in askable.values():
        hint = did_you_mean(title, askable, f"Sheets are: {', '.join(askable)}.")
        msg = f"'{title}' is no sheet that can be added. {hint}"
        raise WorkbookError(msg)
    return name


def _tell(adopted: Adopted, path: str) -> None:
    for name, titles in adopted.read_as.items():
        tell(f"{', '.join(repr(title) for title in titles)} is read as {sheets()[name].title}.")
    if adopted.added:
        tell(f"Added: {', '.join(sheets()[name].title for name in adopted.added)}.")
    print_findings(adopted.findings)
    if adopted.content is None:
        tell(f"{path} has no sheet to link and lacks none of a first year. Next: costing check {path}")
    elif adopted.read_as:
        tell(f"Look through the sheet Links, correct it where it is wrong, then: costing check {path}")
    else:
        tell(f"No sheet of your own was understood. Fill the sheets that were added, then: costing check {path}")
