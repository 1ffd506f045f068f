"""Values of cells by a quick reader, which ends the process on some sheets and knows not every kind of them.

Rule: it is shown a copy of the package that holds and lists nothing but the sheets asked for. Those have been looked
through before (`scan`): nothing in them is past a sheet's edge, and their rectangle is of a size that can be read.

What it does not do: it shows an error and a formula without a value as blanks; `scan` names them.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Collection
from typing import Any

from python_calamine import CalamineError, CalamineWorkbook

from costing.errors import WorkbookError
from costing.workbook.file.package import parse_xml, rebuild, serialize_xml, shown
from costing.workbook.file.sheets import MAIN, REL, Book, Tab, rels_part


def cell_reader(book: Book, tabs: Collection[Tab]) -> Callable[[str], list[list[Any]]]:
    """Return a function: title -> rows of cells from A1 on. The value reader is shown no other sheet."""
    package, kept = book.package, {tab.part for tab in tabs}
    others = {tab.part for tab in book.sheets if tab.part not in kept}
    trimmed = rebuild(package, _listing_alone(book, tabs), removed=others)

    def guarded(what: str, action: Callable[[], Any]) -> Any:
        try:
            return action()
        except BaseException as fault:
            # The reader's own panics derive from BaseException alone.
            if not isinstance(fault, CalamineError) and type(fault).__name__ != "PanicException":
                raise
            wrong = f"{package.path.name}: {what} can't be read ({shown(str(fault))})."
            msg = f"{wrong} Open and save it in a spreadsheet program."
            raise WorkbookError(msg) from fault

    values = guarded("the workbook", lambda: CalamineWorkbook.from_filelike(io.BytesIO(trimmed)))

    def rows(title: str) -> list[list[Any]]:
        what = f"sheet '{shown(title)}'"
        return guarded(what, lambda: values.get_sheet_by_name(title).to_python(skip_empty_area=False))  # type: ignore[no-any-return]

    return rows


def _listing_alone(book: Book, tabs: Collection[Tab]) -> dict[str, bytes]:
    """The workbook part, and its relations, that list these sheets alone: the reader knows no old macro sheets."""
    kept = {tab.rel_id for tab in tabs}
    left_out = {tab.rel_id for tab in book.sheets} - kept
    rels_name = book.package.locate(rels_part(book.part)) or rels_part(book.part)
    root, rels = (parse_xml(book.package.part(part), part) for part in (book.part, rels_name))
    for listed in list(root.iterfind(f"{{{MAIN}}}sheets/{{{MAIN}}}sheet")):
        parent = listed.getparent()
        if parent is not None and listed.get(f"{{{REL}}}id") in left_out:
            parent.remove(listed)
    for relation in list(rels):
        if relation.get("Id") in left_out:
            rels.remove(relation)
    return {book.part: serialize_xml(root), rels_name: serialize_xml(rels)}
