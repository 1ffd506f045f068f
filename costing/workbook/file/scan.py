"""What a sheet's own bytes say before any value is read: faults, extent, percent formats, tables.

Rule: a value reader shows an error cell and a formula without a stored value as blank, and it allocates the
whole rectangle up to the last filled cell. So the bytes are looked through first: every such cell is named,
and a sheet whose filled rectangle is beyond `MAX_CELLS` is never handed on.

Conventions: cells are (column, row), both counted from 1. Elements and attributes follow ECMA-376 part 1,
18.3.1 (worksheet, `row`, `c`, `f`, `v`), 18.5.1 (tables) and 18.8 (styles). The quick way serves sheets
written as spreadsheet programs write them (each cell opens with `<c r="A1"`, no prefix, no comment); any
other sheet goes through an XML parser, more slowly.

What it does not do: it returns no values, and it evaluates no formula.
"""

from __future__ import annotations

import io
import re
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, field

from lxml import etree

from costing.errors import WorkbookError
from costing.inputs.raw import column_letter
from costing.workbook.file.package import parse_xml
from costing.workbook.file.sheets import Book, Tab, relations

MAX_CELLS = 10_000_000
LAST_COLUMN, LAST_ROW = 16_384, 1_048_576  # XFD1048576 (Microsoft, "Excel specifications and limits")
ERROR_CELL, NO_VALUE = "error cell", "no value"
_CELL = re.compile(rb'<c r="([A-Z]{1,3})([1-9]\d{0,6})"([^>]*)>')
_ODD_CELL = re.compile(rb'<c(?:[>/\t\r\n]| (?!r="[A-Z]{1,3}[1-9]\d{0,6}"))')
_NOT_NEAR = re.compile(rb'<c(?:[>/\t\r\n]| (?!r="[A-Z][1-9]\d{0,4}"))')  # no cell from A1 to Z99999
_FILLED = re.compile(rb'<c r="([A-Z]{1,3})(\d{1,7})"[^>]*(?<!/)>\s*+<[^/]')
_PAST_EDGE = re.compile(rb'<c r="([A-Z]{3}\d{1,7}|[A-Z]{1,2}\d{7})"')
_FAR = re.compile(rb'<c r="(?=[A-Z]{2}|[A-Z]\d{6})([A-Z]{1,3})(\d{1,7})"[^>]*(?<!/)>\s*+<[^/]')
_NEAR_COLUMN, _NEAR_COLUMNS = re.compile(rb'<c r="([A-Z])\d'), 26
_FORMULA = re.compile(rb'<c r="([A-Z]+)(\d+)"[^>]*>\s*<f[ >/]')
_FORMULA_WITHOUT_VALUE = re.compile(
    rb'<c r="([A-Z]+)(\d+)"([^>]*)>\s*+(?:<f\b[^>]*/>|<f\b[^>]*>[^<]*</f>)\s*+(?!<v\b[^>/]*>[^<])'
)
_VALUE = re.compile(rb"\s*(?:<f\b[^>]*/>|<f\b[^>]*>[^<]*</f>)?\s*<v\b[^>]*>([^<]*)<")
_UNUSUAL = (b"<!", b" t =", b" t= ")
_PERCENT_IDS = (9, 10)
_BLOCK = 4 * 1024 * 1024
_LITERAL_FORMAT_TEXT = re.compile(r'"[^"]*"|\\.|_.|\*.|\[[^\]]*\]')


@dataclass(frozen=True, slots=True)
class CellFault:
    """A cell whose value can't be trusted: an error value, or a formula that was never calculated."""

    column: int
    row: int
    kind: str
    shown: str


@dataclass(frozen=True, slots=True)
class TableRange:
    """One table of a sheet: its name, its corners (header and totals rows counted in), its column names; in a file its
    number there and its part.
    """

    name: str
    first_column: int
    first_row: int
    last_column: int
    last_row: int
    header_rows: int
    totals_rows: int
    headers: tuple[str, ...]
    number: int = 0
    part: str = ""


@dataclass(frozen=True, slots=True)
class SheetScan:
    """What a sheet's bytes say. `stray`: farthest filled cell of one too large to read, or a cell no sheet can have."""

    faults: tuple[CellFault, ...]
    stray: str
    formula_cells: frozenset[tuple[int, int]] = field(repr=False)
    percent_cells: frozenset[tuple[int, int]] = field(repr=False)


def scan_sheet(xml: bytes, percent_styles: Collection[int]) -> SheetScan:
    """Look through one sheet's XML. `percent_styles`: indexes of the cell formats that show a percentage."""
    not_near = _NOT_NEAR.search(xml)
    start = not_near.start() if not_near else len(xml)
    if not _is_plain(xml, start):
        return _scan_slowly(xml, frozenset(percent_styles))
    formulas = formula_cells(xml)
    faults = _error_cells(xml) + (_uncalculated(xml) if formulas else [])
    return SheetScan(tuple(faults), _stray(xml, start), formulas, _percent_cells(xml, percent_styles))


def formula_cells(xml: bytes) -> frozenset[tuple[int, int]]:
    """Cells that hold a formula, of a sheet written as spreadsheet programs write them."""
    any_here = xml.find(b"<f", 0, xml.rfind(b"</sheetData>")) >= 0  # further down there is `<formula1>`
    return _cells(_FORMULA, xml) if any_here else frozenset()


def percent_styles(book: Book) -> frozenset[int]:
    """Indexes of the cell formats whose number format shows a percentage."""
    part = book.related("styles")
    if not part:
        return frozenset()
    root = parse_xml(book.package.part(part), part)
    percent = {str(number) for number in _PERCENT_IDS}
    for entry in root.iterfind(".//{*}numFmts/{*}numFmt"):
        number = entry.get("numFmtId", "")
        percent.discard(number)
        if "%" in _LITERAL_FORMAT_TEXT.sub("", entry.get("formatCode", "")):
            percent.add(number)
    formats = root.iterfind(".//{*}cellXfs/{*}xf")
    return frozenset(index for index, entry in enumerate(formats) if entry.get("numFmtId", "0") in percent)


def table_ranges(book: Book, sheet_part: str) -> list[TableRange]:
    """Tables of one sheet, from the top."""
    ranges = []
    for relation in relations(book.package, sheet_part):
        part = book.package.locate(relation.target) if relation.kind == "table" else None
        if part is None:
            continue
        root = parse_xml(book.package.part(part), part)
        corners = re.fullmatch(r"([A-Z]{1,3})(\d{1,7}):([A-Z]{1,3})(\d{1,7})", root.get("ref", ""))
        number = root.get("id", "")
        if corners:
            ranges.append(
                TableRange(
                    root.get("displayName", root.get("name", "")),
                    column_number(corners[1]),
                    int(corners[2]),
                    column_number(corners[3]),
                    int(corners[4]),
                    0 if root.get("headerRowCount", "1") == "0" else 1,
                    0 if root.get("totalsRowCount", "0") == "0" else 1,
                    tuple(entry.get("name", "") for entry in root.iterfind(".//{*}tableColumn")),
                    int(number) if number.isdecimal() else 0,
                    part,
                )
            )
    return sorted(ranges, key=lambda table: (table.first_row, table.first_column))


def all_tables(book: Book) -> list[tuple[Tab, TableRange]]:
    """Every table of a workbook, beside the sheet that it stands on."""
    return [(sheet, table) for sheet in book.sheets for table in table_ranges(book, sheet.part)]


def calculation_doubt(book: Book) -> str:
    """Why the stored values may be old, in words; empty if the file doesn't say so.

    A file that holds sheets of this library carries the library's own request to calculate on opening, which
    says nothing of the values, so that request counts only without them.
    """
    entry = parse_xml(book.package.part(book.part), book.part).find(".//{*}calcPr")
    if entry is None:
        return ""
    if entry.get("calcCompleted", "1") in ("0", "false"):
        return "its last calculation was not completed"
    if entry.get("calcMode", "auto") == "manual":
        return "it is set to calculate only when asked"
    if entry.get("fullCalcOnLoad", "0") in ("1", "true") and not book.owned():
        return "it asks to be calculated again when opened"
    return ""


def in_blocks(content: bytes, mark: bytes) -> Iterator[bytes]:
    """Content of a sheet some megabytes at a time, cut before a mark such as `<row `, which never stands in a text: all
    its cells at once take far more memory.
    """
    start = 0
    while start < len(content):
        end = content.find(mark, start + _BLOCK)
        end = end if end >= 0 else len(content)
        yield content[start:end]
        start = end


def column_number(letters: str) -> int:
    """Return the number of a column: A is 1, AA is 27."""
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - 64
    return number


def is_past_edge(reference: str) -> bool:
    """Whether a reference is none to a cell that a sheet can have: readers of values end the process at such a one."""
    match = re.fullmatch(r"([A-Za-z]{1,3})([1-9]\d{0,6})", reference)
    return not match or column_number(match[1].upper()) > LAST_COLUMN or int(match[2]) > LAST_ROW


def _is_plain(xml: bytes, start: int) -> bool:
    """Whether each cell is written in the usual way; before `start` they are."""
    return (
        re.match(rb"(?:\xef\xbb\xbf)?\s*(?:<\?xml[^>]*\?>)?\s*<worksheet[\s>]", xml) is not None
        and not any(sign in xml for sign in _UNUSUAL)
        and _ODD_CELL.search(xml, start) is None
    )


def _error_cells(xml: bytes) -> list[CellFault]:
    cells = []
    for mark in (b't="e"', b"t='e'"):
        position = xml.find(mark)
        while position >= 0:
            start = xml.rfind(b"<", 0, position)
            cell = _CELL.match(xml, start)
            # A text may hold the same letters; then no cell opens here.
            if cell and cell.start(3) <= position < cell.end(3):
                value = _VALUE.match(xml, cell.end())
                shown = value[1].decode("utf-8", "replace") if value else "#N/A"
                cells.append(CellFault(column_number(cell[1].decode()), int(cell[2]), ERROR_CELL, shown))
            position = xml.find(mark, position + 1)
    return cells


def _uncalculated(xml: bytes) -> list[CellFault]:
    return [
        CellFault(column_number(cell[1].decode()), int(cell[2]), NO_VALUE, "")
        for cell in _FORMULA_WITHOUT_VALUE.finditer(xml)
        # An empty text is a value: ="" is stored as an empty <v> of type str.
        if not re.search(rb"""\bt=["'](?:str|e)["']""", cell[3])
    ]


def _stray(xml: bytes, start: int) -> str:
    """`SheetScan.stray`; before `start` there are but cells from A1 to Z99999."""
    for cell in _PAST_EDGE.finditer(xml, start):
        if is_past_edge(reference := cell[1].decode()):
            return reference
    # The rectangle is overestimated first, which is quick; a close look follows only where that is too large.
    width, height = 0, 99_999
    for cell in _FAR.finditer(xml, start):
        width, height = max(width, column_number(cell[1].decode())), max(height, int(cell[2]))
    if max(width, _NEAR_COLUMNS) * height <= MAX_CELLS:
        return ""
    width = max(width, *(letters[0] - 64 for letters in set(_NEAR_COLUMN.findall(xml))), 1)
    if width * height <= MAX_CELLS:
        return ""
    return _farthest((cell[1].decode(), int(cell[2])) for cell in _FILLED.finditer(xml))


def _farthest(cells: Iterable[tuple[str, int]]) -> str:
    width = height = reach = 0
    farthest = ""
    for letters, row in cells:
        column = column_number(letters)
        width, height = max(width, column), max(height, row)
        if column * row > reach:
            reach, farthest = column * row, f"{letters}{row}"
    return farthest if width * height > MAX_CELLS else ""


def _percent_cells(xml: bytes, styles: Collection[int]) -> frozenset[tuple[int, int]]:
    if not styles:
        return frozenset()
    wanted = b"|".join(str(style).encode() for style in sorted(styles))
    pattern = re.compile(rb'<c r="([A-Z]{1,3})(\d{1,7})"(?: [^>]*?)? s="(?:' + wanted + rb')"[^>]*(?<!/)>')
    return _cells(pattern, xml)


def _cells(pattern: re.Pattern[bytes], xml: bytes) -> frozenset[tuple[int, int]]:
    return frozenset((column_number(cell[1].decode()), int(cell[2])) for cell in pattern.finditer(xml))


def _scan_slowly(xml: bytes, styles: frozenset[int]) -> SheetScan:
    faults: list[CellFault] = []
    percent: set[tuple[int, int]] = set()
    filled: list[tuple[str, int]] = []
    formulas: set[tuple[int, int]] = set()
    row = column = 0
    past_edge = ""
    try:
        walk = etree.iterparse(
            io.BytesIO(xml),
            events=("start", "end"),
            tag=("{*}row", "{*}c"),
            no_network=True,
            resolve_entities=False,
        )
        for event, element in walk:
            is_row = etree.QName(element).localname == "row"
            if event == "start":
                if is_row:
                    row, column = int(element.get("r", row + 1)), 0
                    past_edge = f"A{row}" if row > LAST_ROW else past_edge
                continue
            if is_row:
                element.clear()
                continue
            given = str(element.get("r", ""))
            past_edge = given if given and is_past_edge(given) else past_edge
            reference = re.fullmatch(r"([A-Za-z]{1,3})([1-9]\d{0,6})", given)
            column = column_number(reference[1].upper()) if reference else column + 1
            place = (column, int(reference[2]) if reference else row)
            formula, value = element.find("{*}f"), element.findtext("{*}v") or ""
            kind = str(element.get("t", "n"))
            if formula is not None:
                formulas.add(place)
            if kind == "e":
                faults.append(CellFault(*place, ERROR_CELL, value or "#N/A"))
            elif formula is not None and kind != "str" and not value:
                faults.append(CellFault(*place, NO_VALUE, ""))
            if value or element.find("{*}is") is not None:
                filled.append((column_letter(column - 1), place[1]))
                if int(element.get("s", "0")) in styles:
                    percent.add(place)
    except (etree.XMLSyntaxError, ValueError) as fault:
        msg = f"A sheet isn't well-formed ({fault}). Open and save the workbook in a spreadsheet program."
        raise WorkbookError(msg) from fault
    return SheetScan(tuple(faults), past_edge or _farthest(filled), frozenset(formulas), frozenset(percent))
