"""Which of the user's formulas depend on the result sheets: a run makes their stored values stale.

Rule: a formula depends on a result sheet when it refers to that sheet, by its name, a table of it, or a
defined name; or when it refers to a cell whose formula does. So the list is closed: what is not on it keeps a
value that no run touches.

Conventions: a formula that several cells share is written out for each; every cell that an array formula
fills counts.

What it does not do: it calculates nothing. Charts and pivot tables of the user's that draw on results keep
their stored figures until a spreadsheet program refreshes them.
"""

from __future__ import annotations

import io
import re
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Collection, Iterator
from dataclasses import dataclass

from lxml import etree

from costing.errors import WorkbookError
from costing.inputs.raw import column_letter
from costing.workbook.file.package import Package, shown
from costing.workbook.file.references import Area, Lookup, lookup, moved, references
from costing.workbook.file.scan import column_number
from costing.workbook.file.sheets import LISTS_SHEET, MAIN, Book, Tab, read_book

_HAS_FORMULA = re.compile(rb"[<:]f[\s/>]")  # the <formula1> of a drop-down is none
_ADDRESS = re.compile(r"([A-Z]{1,3})(\d{1,7})(?::([A-Z]{1,3})(\d{1,7}))?")
_FEW_CELLS = 16
_MOST_FILLED = 1_000_000  # an array formula over more cells is no person's work; its own cell stands for it
_Cell = tuple[int, int, int]


@dataclass(frozen=True, slots=True)
class _Formula:
    text: str
    filled: Area
    sources: tuple[Area, ...]


def dependent_formulas(package: Package, owned_sheet_names: Collection[str]) -> list[tuple[str, str, str]]:
    """List the user's formulas that depend on these sheets: sheet, cell, formula, in workbook order."""
    book = read_book(package)
    stale = _stale(book, owned_sheet_names)
    return [
        (book.sheets[formula.filled.sheet].name, _cell_name(formula.filled), "=" + formula.text) for formula in stale
    ]


def dependent_parts(package: Package, owned_sheet_names: Collection[str]) -> set[str]:
    """Return the sheet parts that hold such formulas: those that `without_stored_values` changes."""
    book = read_book(package)
    return {book.sheets[formula.filled.sheet].part for formula in _stale(book, owned_sheet_names)}


def without_stored_values(package: Package, owned_sheet_names: Collection[str]) -> dict[str, bytes]:
    """Return the sheet parts that hold such formulas, less the stored values of their cells and nothing else.

    Raises WorkbookError where a sheet is not written as spreadsheet programs write it.
    """
    book = read_book(package)
    cells: dict[int, dict[bytes, bool]] = defaultdict(dict)
    for formula in _stale(book, owned_sheet_names):
        for sheet, column, row in formula.filled.cells():
            cells[sheet].setdefault(f"{column_letter(column - 1)}{row}".encode(), False)
        cells[formula.filled.sheet][_cell_name(formula.filled).encode()] = True
    return {
        book.sheets[sheet].part: _stripped(package.part(book.sheets[sheet].part), wanted, book.sheets[sheet])
        for sheet, wanted in cells.items()
    }


def _stripped(content: bytes, wanted: dict[bytes, bool], sheet: Tab) -> bytes:
    """Content of a sheet without `<v>` and `t` in the wanted cells; True marks those that must be there."""
    opening = re.search(rb"<(?:([\w.-]+):)?worksheet[\s>]", content)
    prefix = re.escape(opening[1] + b":") if opening and opening[1] else b""
    cell = re.compile(
        rb"<%bc((?:\s+[\w:.-]+\s*=\s*(?:\"[^\"]*\"|'[^']*'))*)\s*>(.*?)</%bc\s*>" % (prefix, prefix),
        re.DOTALL,
    )
    value = re.compile(rb"<%bv(?:\s[^>]*)?(?:/>|>[^<]*</%bv\s*>)" % (prefix, prefix))
    address = re.compile(rb"\sr\s*=\s*[\"']([A-Z]+\d+)[\"']")
    met = set()

    def strip(match: re.Match[bytes]) -> bytes:
        name = address.search(match[1])
        if not name or name[1] not in wanted:
            return match[0]
        met.add(name[1])
        attributes = re.sub(rb"\st\s*=\s*(?:\"[^\"]*\"|'[^']*')", b"", match[1])
        before, between = content[match.start() : match.start(1)], content[match.end(1) : match.start(2)]
        return before + attributes + between + value.sub(b"", match[2]) + content[match.end(2) : match.end()]

    result = cell.sub(strip, content)
    if missed := [name for name, required in wanted.items() if required and name not in met]:
        place = f"{shown(sheet.name)}!{missed[0].decode()}"
        msg = f"{place}: its stored value can't be taken out. Save the workbook again in a spreadsheet program."
        raise WorkbookError(msg)
    return result


def _cell_name(area: Area) -> str:
    return f"{column_letter(area.first_column - 1)}{area.first_row}"


def _stale(book: Book, owned_sheet_names: Collection[str]) -> list[_Formula]:
    absent = {name: -number for number, name in enumerate(owned_sheet_names, 1) if not book.sheet(name)}
    present = {sheet.index for name in owned_sheet_names if (sheet := book.sheet(name))}
    owned = present | set(absent.values())
    known = lookup(book, absent)
    formulas = [
        formula
        for sheet in book.sheets
        if sheet.kind == "worksheet" and sheet.index not in owned and sheet.name != LISTS_SHEET
        for formula in _formulas(book.package.part(sheet.part), sheet, known)
    ]
    return [formulas[place] for place in sorted(_closure(formulas, owned))]


def _closure(formulas: list[_Formula], owned: Collection[int]) -> set[int]:
    """Places of the formulas that refer to an owned sheet, directly or through other formulas."""
    by_cell: dict[_Cell, list[int]] = defaultdict(list)
    wide: dict[int, list[Area]] = {}
    waiting = []
    for place, formula in enumerate(formulas):
        if any(area.sheet in owned for area in formula.sources):
            waiting.append(place)
        for area in formula.sources:
            for cell in area.cells() if area.size <= _FEW_CELLS else ():
                by_cell[cell].append(place)
        if broad := [area for area in formula.sources if area.size > _FEW_CELLS]:
            wide[place] = broad
    stale: set[int] = set()
    rows: dict[tuple[int, int], list[int]] = defaultdict(list)
    while waiting:
        # Chains of single cells first; then each range once against all that is stale by now.
        while waiting:
            place = waiting.pop()
            if place in stale:
                continue
            stale.add(place)
            for cell in formulas[place].filled.cells():
                rows[cell[:2]].append(cell[2])
                waiting.extend(by_cell.get(cell, ()))
        for listed in rows.values():
            listed.sort()
        waiting = [place for place, areas in wide.items() if place not in stale and _meets(areas, rows)]
    return stale


def _meets(areas: list[Area], rows: dict[tuple[int, int], list[int]]) -> bool:
    for area in areas:
        for (sheet, column), listed in rows.items():
            if sheet == area.sheet and area.first_column <= column <= area.last_column:
                place = bisect_left(listed, area.first_row)
                if place < len(listed) and listed[place] <= area.last_row:
                    return True
    return False


def _formulas(content: bytes, sheet: Tab, known: Lookup) -> Iterator[_Formula]:
    shared: dict[str, tuple[str, int, int]] = {}
    for element, column, row in _formula_elements(content, sheet.part):
        text, group, kind = element.text or "", element.get("si", ""), element.get("t", "normal")
        if kind == "shared" and text:
            shared[group] = text, column, row
        elif kind == "shared" and group in shared:
            base, base_column, base_row = shared[group]
            text = moved(base, column - base_column, row - base_row)
        filled = Area(sheet.index, column, row, column, row)
        sources = references(text, (sheet.index, column, row), known)
        corners = _ADDRESS.fullmatch(element.get("ref", "")) if kind in ("array", "dataTable") else None
        if corners and corners[3]:
            left, top = column_number(corners[1]), int(corners[2])
            whole = Area(sheet.index, left, top, column_number(corners[3]), int(corners[4]))
            filled = whole if whole.size <= _MOST_FILLED else filled
        if kind == "dataTable":
            # A what-if table calculates from the row above it and the column to its left.
            left, top = filled.first_column - 1, filled.first_row - 1
            sources = (*sources, Area(sheet.index, left, top, filled.last_column, filled.last_row))
            text = text or "TABLE()"
        if text:
            yield _Formula(text, filled, sources)


def _formula_elements(content: bytes, part: str) -> Iterator[tuple[etree._Element, int, int]]:
    """Every formula element with the column and row of its cell; rows are forgotten once read."""
    if not _HAS_FORMULA.search(content):
        return
    tags = (f"{{{MAIN}}}row", f"{{{MAIN}}}f")
    reading = etree.iterparse(
        io.BytesIO(content),
        events=("end",),
        tag=tags,
        resolve_entities=False,
        no_network=True,
        load_dtd=False,
    )
    try:
        for _, element in reading:
            if element.tag == tags[0]:
                element.clear()
                above = element.getparent()
                while above is not None and element.getprevious() is not None:
                    del above[0]
                continue
            cell = element.getparent()
            address = _ADDRESS.fullmatch(cell.get("r", "")) if cell is not None else None
            if address:
                yield element, column_number(address[1]), int(address[2])
    except etree.XMLSyntaxError as fault:
        msg = f"Part {shown(part)} isn't well-formed XML. Open and save the workbook in a spreadsheet program."
        raise WorkbookError(msg) from fault
