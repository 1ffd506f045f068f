"""Results into the user's workbook, or beside it: graft, compare, replace; one place that all commands use."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from costing.answers import catalogue
from costing.garbage import not_looked_for
from costing.inputs.headers import readable_name
from costing.inputs.schema import sheets as schema_sheets
from costing.workbook.blank.blank import FRONT_SHEET, blank_bytes
from costing.workbook.blank.contents import tables_from_csv
from costing.workbook.file.dependents import dependent_formulas, dependent_parts
from costing.workbook.file.graft import graft
from costing.workbook.file.package import Package, open_package, read_package
from costing.workbook.file.replace import replace_atomically, write_beside
from costing.workbook.file.sheets import is_1904, read_book
from costing.workbook.file.stale import count_inputs, stale_formula
from costing.workbook.file.standing import Typed, typed_by_hand
from costing.workbook.pages.closing_sheets import OWNED_YEAR_END
from costing.workbook.pages.result_sheet import ResultSheet, RunStamp
from costing.workbook.pages.write import scratch_workbook
from costing.workbook.read import links_of

OWNED_SHEETS = (*catalogue.sheet_plans(), "Run log", *OWNED_YEAR_END)
"""Every name that a result sheet may have."""
READERS_ORDER = tuple(name for name in OWNED_SHEETS if name != FRONT_SHEET)
"""Those that stand beside each other, in the order of their tabs."""


@dataclass(frozen=True)
class Written:
    """Where results went, the back-up of what stood there, the user's formulas whose stored values are old now, and
    what a person had put on the result sheets, which the back-up alone holds now.
    """

    path: Path
    backup: Path | None
    old_formulas: tuple[tuple[str, str, str], ...]
    typed: tuple[Typed, ...] = ()


def open_source(path: str | Path) -> Package:
    """Return the workbook as it is on disk, or one made in memory from a folder of CSV files."""
    path = Path(path)
    if not os.path.isdir(path):  # noqa: PTH112, no fault where the name can't be one
        return open_package(path)
    path = path.resolve()
    return read_package(blank_bytes(tables_from_csv(path)), path.parent / f"{path.name or 'estate'}.xlsx")


@not_looked_for()
def write_results(
    package: Package,
    path: str | Path,
    result_sheets: Sequence[ResultSheet],
    inputs: str,
    *,
    beside: bool = False,
    ignore_lock: bool = False,
    strip: bool = False,
) -> Written:
    """Write result sheets into the workbook that was read as `package`.

    inputs: the fingerprint of the inputs. A folder's results, and those with `beside`, go to a new file next to it.
    strip: take stored values out of formulas that depend on results.
    WorkbookError leaves the file as it was.
    """
    path = Path(path)
    book = read_book(package)
    linked = {linked_sheet.title for linked_sheet in links_of(book).sheets}
    titles = [sheet.name for sheet in book.sheets if _is_input(sheet.name) or sheet.name in linked]
    stale = stale_formula(count_inputs(package, titles))
    scratch, long_tables = scratch_workbook(result_sheets, RunStamp.now(inputs), stale, date_1904=is_1904(book))
    content = graft(
        package, scratch, OWNED_SHEETS, long_tables=long_tables, strip_dependents=strip, order=READERS_ORDER
    )
    whole = read_package(content, package.path, ours=True)
    old = tuple(dependent_formulas(whole, OWNED_SHEETS))
    if path.is_dir() or beside:
        return Written(write_beside(package.path, content), None, old)
    may_change = dependent_parts(whole, OWNED_SHEETS) if strip else ()
    typed = typed_by_hand(package, whole, {sheet.name for sheet in result_sheets}, set(catalogue.tables()))
    backup = replace_atomically(path, content, package.sha256, ignore_lock=ignore_lock, may_change=may_change)
    return Written(path, backup, old, typed)


def _is_input(title: str) -> bool:
    """Whether a sheet of that title is read as input, by the rules of the reading."""
    name = readable_name(title)
    return bool(name) and schema_sheets()[name].owner == "user"
