"""A workbook that a person keeps already, taken on: the sheet `Links`, and the input sheets that it lacks.

Rule: sheets that are ours by title and headers stay as they are; of every other worksheet a proposal is made. Both the
sheet of links and what is missing of a first year are grafted in; every other part keeps its bytes.

What it does not do: it takes back no link that a person has corrected, unless it is asked to propose anew.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from costing.errors import Finding, WorkbookError
from costing.inputs.headers import read_headers, sheet_name
from costing.inputs.links import LINKS, is_links
from costing.inputs.raw import RawTable
from costing.inputs.schema import settings, sheets
from costing.workbook.adopt.headers import meanings
from costing.workbook.adopt.propose import Formats, Proposal, propose
from costing.workbook.adopt.understand import ForeignSheet
from costing.workbook.blank.blank import names_added
from costing.workbook.blank.instructions import INSTRUCTIONS_SHEET
from costing.workbook.file.cells import is_blank
from costing.workbook.file.package import Package, read_package, rebuild, shown
from costing.workbook.file.sheets import LISTS_SHEET, Book, read_book
from costing.workbook.further import with_sheets
from costing.workbook.linked import Grid, Header
from costing.workbook.read import HEADER_ROWS, links_of, matched_columns, read_workbook, sheet_reader, stray_finding


@dataclass(frozen=True)
class Adopted:
    """The workbook with its links. content: None where there is nothing to write; read_as: titles of theirs by library
    name of ours; added: library names of the sheets that were added; findings: what is doubtful or to be filled.
    """

    content: bytes | None
    read_as: Mapping[str, tuple[str, ...]]
    added: tuple[str, ...]
    findings: tuple[Finding, ...]


def adopt(package: Package, only: Collection[str] = ()) -> Adopted:
    """Propose links for a workbook. only: library names of the sheets that are written, `links` anew; none for all that
    are missing, with the links of a workbook that has some left as they are.
    """
    book = read_book(package)
    has_links = _has_links(book)
    proposal, content = None, None
    after = package
    if not has_links or LINKS in only:
        proposal = _proposal(book)
        if len(proposal.links):
            content = with_sheets(package, [LINKS], {sheets()[LINKS].title: proposal.links}, replaced=[LINKS])
            after = read_package(content, package.path)
    titled = {sheet_name(tab.name)[0] for tab in book.sheets if not sheet_name(tab.name)[1]}
    present = titled | links_of(read_book(after)).named
    wanted = [name for name in only if name != LINKS] if only else names_added("first year")
    added = tuple(name for name in wanted if name not in present)
    if added:
        content = with_sheets(after, added, _filled(added, proposal))
        after = read_package(content, package.path)
    findings = [*(proposal.findings if proposal else ()), *_on_links(read_workbook(after))]
    return Adopted(content, proposal.read_as if proposal else {}, added, tuple(findings))


def _has_links(book: Book) -> bool:
    """Whether there are links already. WorkbookError where a sheet of that name is the person's own."""
    named = [tab.name for tab in book.sheets if is_links(tab.name)]
    if named and named[0] not in {table.sheet for table in read_workbook(book.package)}:
        msg = f"Sheet '{shown(named[0])}' has the name of the sheet of links and is your own. Rename it, and run again."
        raise WorkbookError(msg)
    return bool(named)


def _filled(added: Sequence[str], proposal: Proposal | None) -> dict[str, pd.DataFrame]:
    """Rows of new sheets: the number style that texts of theirs are in."""
    if "settings" not in added or proposal is None or not proposal.number_style:
        return {}
    title = settings()["number_style"].title
    return {"Settings": pd.DataFrame({"Setting": [title], "Value": [proposal.number_style]})}


def _on_links(tables: Sequence[RawTable]) -> list[Finding]:
    """What is wrong with the links themselves."""
    linked = {table.sheet for table in tables if table.linked}
    return [
        finding
        for table in tables
        if table.linked or is_links(table.sheet)
        for finding in table.findings
        if finding.place.partition("!")[0] not in linked
    ]


def _proposal(book: Book) -> Proposal:
    passed = {*(sheet.name for sheet in book.owned()), LISTS_SHEET, INSTRUCTIONS_SHEET}
    others = [
        tab for tab in book.sheets if tab.kind == "worksheet" and tab.name not in passed and not is_links(tab.name)
    ]
    cells = sheet_reader(book)(others)
    tabs, findings = [], []
    for tab in others:
        scan, tables, cells_of = cells(tab.name)
        if scan.stray:
            findings.append(stray_finding(tab.name, scan.stray))
            continue
        rows = cells_of(tab.name)
        if any(not is_blank(cell) for row in rows for cell in row) and not _is_ours(tab.name, rows):
            tabs.append(ForeignSheet(tab.name, rows, tables, scan))
    proposal = propose(tabs, _formats(book.package))
    return replace(proposal, findings=(*findings, *proposal.findings))


def _is_ours(title: str, rows: Grid) -> bool:
    """Whether a sheet is ours, or a copy of one, by title and by headers."""
    name = sheet_name(title)[0]
    if not name:
        return False
    required = {column.name for column in sheets()[name].columns if column.required}
    for row in ([str(cell) for cell in row if not is_blank(cell)] for row in rows[:HEADER_ROWS]):
        if required <= matched_columns(sheets()[name], row):
            headings = zip(row, read_headers(sheets()[name], row), strict=True)
            unread = [text for text, heading in headings if heading.rule or heading.column is None]
            return not any(meanings(sheets()[name], Header(1, text, "", 1)) for text in unread)
    return False


def _formats(package: Package) -> Formats:
    """Return a function: title and row -> number formats of its cells; none where the file can't be read for them."""
    opened: list[Any] = []

    def formats(title: str, row: int) -> Sequence[str]:
        import openpyxl

        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of what it would not keep, and nothing is saved from it
            try:
                if not opened:
                    opened.append(openpyxl.load_workbook(io.BytesIO(rebuild(package, {})), read_only=True))
                cells = next(opened[0][title].iter_rows(min_row=row, max_row=row), ())
                return [cell.number_format or "" for cell in cells]
            except Exception:
                return []

    return formats
