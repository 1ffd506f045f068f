"""Rows of a sheet taken out and put in, as a spreadsheet program deletes and inserts whole rows.

Rule: what stands below moves up or down with everything in it; tables, filters, merged cells, links, notes and what
the formulas of that sheet name follow. A range that begins at the first row takes the new ones in; a formula that names
a row taken out by its distance names the one that then stands there; any other is left with #REF!. Validations and
conditional formats keep their ranges, which reach beyond the rows. A new row has the formats of the row that stands
first.

Conventions: ECMA-376 part 1, 18.3.1 (worksheet), 18.5.1 (tables), 18.7.3 (comments).

What it does not do: formulas on other sheets keep the cells that they name; pictures and charts stay where they hang.
"""

from __future__ import annotations

import datetime as dt
import re
from bisect import bisect_left, bisect_right
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from lxml import etree

from costing.inputs.raw import column_letter
from costing.workbook.file.package import serialize_xml
from costing.workbook.file.references import moved, with_cells
from costing.workbook.file.scan import column_number

_CELL = re.compile(r"(\$?[A-Z]{1,3}\$?)(\d{1,7})")
_ROW = re.compile(r"(\$?)(\d{1,7})$")
_NOTHING = "#REF!"
_ZERO = dt.date(1899, 12, 30)
DAYS_TO_1904 = 1462
Element = Any


@dataclass(frozen=True, eq=False)
class RowEdits:
    """What happens to one sheet. dropped: rows taken out; first: row at which new ones are put in; fresh: their cells
    by column letter; changed: cells set (None: cleared) by row and letter; scaled: cells multiplied likewise; cleared:
    rows whose cells are blank afterwards.
    """

    dropped: Collection[int] = ()
    first: int = 2
    fresh: Sequence[Mapping[str, Any]] = ()
    changed: Mapping[tuple[int, str], Any] = field(default_factory=dict)
    scaled: Mapping[tuple[int, str], float] = field(default_factory=dict)
    cleared: Collection[int] = ()
    date_1904: bool = False

    @cached_property
    def _gone(self) -> list[int]:
        return sorted(self.dropped)

    def at(self, row: int, *, end: bool = False) -> int:
        """Where a row stands afterwards; `end`: as the last row of a range, which shrinks over rows taken out."""
        before = bisect_right(self._gone, row) if end else bisect_left(self._gone, row)
        return row - before + (len(self.fresh) if row >= self.first or (end and row >= self.first - 1) else 0)

    def range_at(self, written: str) -> str:
        """A range, such as `A1:F20`, afterwards."""
        first, _, last = written.partition(":")
        corners = [_CELL.sub(lambda cell: cell[1] + str(self.at(int(cell[2]))), first)]
        if last:
            corners.append(_CELL.sub(lambda cell: cell[1] + str(self.at(int(cell[2]), end=True)), last))
        return ":".join(corners)

    def is_gone(self, written: str) -> bool:
        """Whether all rows of a range are taken out."""
        rows = [int(row) for _, row in _CELL.findall(written)]
        lost = bisect_right(self._gone, max(rows)) - bisect_left(self._gone, min(rows)) if rows else 0
        return bool(rows) and lost == max(rows) - min(rows) + 1

    def formula_at(self, formula: str, row: int) -> str:
        """A formula of a row of that sheet afterwards."""

        def follow(cells: str) -> str:
            first, _, last = cells.partition(":")
            begin, end = (_ROW.search(corner) for corner in (first, last or first))
            if not begin or not end:  # whole columns
                return cells
            if last:
                lies, reaches = int(begin[2]), int(end[2])
                top = lies if lies == self.first else self.at(lies)
                bottom = self.at(reaches, end=reaches >= self.first)
                return f"{first[: begin.start(2)]}{top}:{last[: end.start(2)]}{bottom}" if top <= bottom else _NOTHING
            lies = int(begin[2])
            copied = 0 if begin[1] else lies + self.at(row) - row
            at = copied if self.is_gone(cells) else self.at(lies)
            return f"{first[: begin.start(2)]}{at}" if at > 0 else _NOTHING

        return with_cells(formula, follow, own=True)


def edited_sheet(content: bytes, edit: RowEdits) -> bytes:
    """The sheet after the edit."""
    root: Element = etree.fromstring(content, etree.XMLParser(resolve_entities=False, no_network=True, huge_tree=True))
    space = f"{{{etree.QName(root).namespace}}}"
    data: Element = root.find(f"{space}sheetData")
    _plain_formulas(data, space)
    rows = _numbered(data, space)
    model = rows.get(edit.first, next((rows[row] for row in sorted(rows) if row >= edit.first), None))
    fresh = [_fresh_row(space, edit.first + place, cells, model, edit) for place, cells in enumerate(edit.fresh)]
    for number, row in rows.items():
        if number in edit.dropped:
            data.remove(row)
            continue
        _cells_set(row, number, edit, space)
        _move(row, number, edit, space)
    below = next((place for place, row in enumerate(data) if int(row.get("r")) >= edit.first + len(fresh)), len(data))
    data[below:below] = fresh
    for name in ("mergeCell", "hyperlink"):
        for entry in list(root.iter(f"{space}{name}")):
            _follow(entry, edit)
    for entry in root.iterfind(f"{space}autoFilter"):
        entry.set("ref", edit.range_at(entry.get("ref", "")))
    size = root.find(f"{space}dimension")
    if size is not None:
        root.remove(size)
    merged = root.find(f"{space}mergeCells")
    if merged is not None and not len(merged):
        root.remove(merged)
    return serialize_xml(root)


def edited_table(content: bytes, edit: RowEdits) -> bytes:
    """A table of that sheet."""
    root = etree.fromstring(content)
    for entry in [root, *root.iter("{*}autoFilter")]:
        entry.set("ref", edit.range_at(entry.get("ref", "")))
    return serialize_xml(root)


def edited_notes(content: bytes, edit: RowEdits) -> bytes:
    """Notes of that sheet."""
    root = etree.fromstring(content)
    for entry in list(root.iter("{*}comment", "{*}threadedComment")):
        _follow(entry, edit)
    return serialize_xml(root)


def edited_shapes(content: bytes, edit: RowEdits) -> bytes:
    """Shapes in which notes are shown (the older drawing language, whose text is no strict XML everywhere)."""

    def shape(match: re.Match[bytes]) -> bytes:
        row = re.search(rb"<x:Row>(\d+)</x:Row>", match[0])
        if not row:
            return match[0]
        if int(row[1]) + 1 in edit.dropped:
            return b""
        return match[0].replace(row[0], f"<x:Row>{edit.at(int(row[1]) + 1) - 1}</x:Row>".encode())

    return re.sub(rb"<v:shape\b.*?</v:shape>", shape, content, flags=re.DOTALL)


def edited_drawing(content: bytes, edit: RowEdits) -> bytes:
    """Pictures, charts and shapes on that sheet: each moves with the row at which it begins, or to the next one that
    stays, and keeps its size in rows.
    """
    root = etree.fromstring(content)
    for anchor in root.iter("{*}oneCellAnchor", "{*}twoCellAnchor"):
        corners: list[Element] = [
            corner for name in ("from", "to") for corner in anchor.iterfind(f"{{*}}{name}/{{*}}row")
        ]
        begin = int(corners[0].text)
        for corner in corners:
            corner.text = str(int(corner.text) + edit.at(begin + 1) - 1 - begin)
    return serialize_xml(root)


def _follow(entry: Element, edit: RowEdits) -> None:
    written = entry.get("ref", "")
    if edit.is_gone(written):
        entry.getparent().remove(entry)
    else:
        entry.set("ref", edit.range_at(written))


def _numbered(data: Element, space: str) -> dict[int, Element]:
    """Rows by number; where numbers or cell names are left out, each follows the one before."""
    numbered, last = {}, 0
    for row in data.iterfind(f"{space}row"):
        last = int(row.get("r", last + 1))
        numbered[last] = row
        column = 0
        for cell in row.iterfind(f"{space}c"):
            letters = re.match(r"[A-Z]+", cell.get("r", ""))
            column = column_number(letters[0]) if letters else column + 1
            cell.set("r", f"{column_letter(column - 1)}{last}")
    return numbered


def _move(row: Element, number: int, edit: RowEdits, space: str) -> None:
    place = str(edit.at(number))
    row.set("r", place)
    for cell in row.iterfind(f"{space}c"):
        cell.set("r", _letters(cell) + place)
        formula = cell.find(f"{space}f")
        if formula is not None:
            formula.text = edit.formula_at(formula.text or "", number)
            if formula.get("ref"):
                formula.set("ref", edit.range_at(formula.get("ref")))


def _plain_formulas(data: Element, space: str) -> None:
    """Formulas that share a text, written out: the one that holds it may be taken out."""
    shared: dict[str, tuple[str, int, int]] = {}
    for cell in data.iter(f"{space}c"):
        formula = cell.find(f"{space}f")
        if formula is None or formula.get("t") != "shared":
            continue
        place = column_number(_letters(cell)), int(cell.get("r")[len(_letters(cell)) :])
        if formula.text:
            shared[formula.get("si", "")] = (formula.text, *place)
        text, column, row = shared.get(formula.get("si", ""), ("", *place))
        formula.text = moved(text, place[0] - column, place[1] - row)
        for name in ("t", "si", "ref"):
            formula.attrib.pop(name, None)


def _letters(cell: Element) -> str:
    return str(cell.get("r")).rstrip("0123456789")


def _cells_set(row: Element, number: int, edit: RowEdits, space: str) -> None:
    for cell in row.iterfind(f"{space}c"):
        key = number, _letters(cell)
        if key in edit.changed or number in edit.cleared:
            _put(cell, edit.changed.get(key), edit, space)
        value = cell.find(f"{space}v")
        if key in edit.scaled and value is not None and cell.get("t", "n") == "n":
            _put(cell, float(value.text) * edit.scaled[key], edit, space)
    missing = [key for key in edit.changed if key[0] == number and edit.changed[key] is not None]
    known = {_letters(cell) for cell in row.iterfind(f"{space}c")}
    for _, letters in sorted(missing, key=lambda key: column_number(key[1])):
        if letters not in known:
            cell = etree.SubElement(row, f"{space}c", r=f"{letters}{number}")
            _put(cell, edit.changed[number, letters], edit, space)
    row[:] = sorted(row, key=lambda cell: column_number(_letters(cell)) if cell.get("r") else 0)


def _fresh_row(space: str, number: int, cells: Mapping[str, Any], model: Element | None, edit: RowEdits) -> Element:
    row = etree.Element(f"{space}row", r=str(number))
    formats = {_letters(cell): cell.get("s") for cell in model.iterfind(f"{space}c")} if model is not None else {}
    if model is not None:
        for name in ("ht", "customHeight", "s", "customFormat"):
            if model.get(name):
                row.set(name, model.get(name))
    for letters in sorted({*cells, *formats}, key=column_number):
        cell = etree.SubElement(row, f"{space}c", r=f"{letters}{number}")
        if formats.get(letters):
            cell.set("s", formats[letters])
        _put(cell, cells.get(letters), edit, space)
    return row


def _put(cell: Element, value: Any, edit: RowEdits, space: str) -> None:
    """A value into a cell, whose format stays; a date without a format is text, which reads alike everywhere."""
    for child in list(cell):
        cell.remove(child)
    cell.attrib.pop("t", None)
    if value is None:
        return
    if isinstance(value, dt.date) and cell.get("s"):
        day = value.date() if isinstance(value, dt.datetime) else value
        value = float((day - _ZERO).days - (DAYS_TO_1904 if edit.date_1904 else 0))
    if isinstance(value, (int, float)):
        etree.SubElement(cell, f"{space}v").text = repr(value) if not float(value).is_integer() else f"{value:.0f}"
        return
    cell.set("t", "inlineStr")
    text = etree.SubElement(etree.SubElement(cell, f"{space}is"), f"{space}t")
    text.text = value.isoformat()[:10] if isinstance(value, dt.date) else str(value)
