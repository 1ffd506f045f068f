"""The parts of a result sheet, made fit for another package.

Rule: a sheet's cells keep their values and take the place of their styles in the user's style sheet; shared
strings become inline ones, so that the user's own list is never touched. Elements follow ECMA-376 part 1,
section 18.3.

Conventions: the sheets come from XlsxWriter, whose cells open with `<c r= s= t=`, in this order and without
prefix. Every drawn object and every note is signed with the library's name, by which a later run tells them
from the user's.

What it does not do: it moves no chart sheets, macros, links to other workbooks or dynamic arrays.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping

from lxml import etree

from costing.errors import WorkbookError
from costing.workbook.file.package import TYPES_PART, Package, parse_xml, serialize_xml, shown
from costing.workbook.file.scan import in_blocks
from costing.workbook.file.sheets import MAIN, Book, Tab, relations
from costing.workbook.file.styles import AppendedStyles

SIGNATURE = "costing"
_DRAWN = "{http://schemas.openxmlformats.org/drawingml/2006/spreadsheetDrawing}cNvPr"
_CELL = re.compile(
    rb'(<c r="[A-Z]{1,3}[0-9]{1,7}")(?: s="([0-9]+)")?'
    rb'(?: t="s"><v>([0-9]+)</v>|(?=/?>| t="(?:str|b|e|inlineStr)"))'
)
_ROW_STYLE = re.compile(rb'(<row [^>]*? s=")([0-9]+)"')
_STRING = re.compile(rb"<si>(.*?)</si>|<si/>", re.DOTALL)
_EMPTY_DATA = b"<sheetData/>"
_OWN_KINDS = {"table", "drawing", "comments", "vmlDrawing", "hyperlink", "printerSettings"}


def inline_strings(book: Book) -> list[bytes]:
    """Return the content of every shared string of a workbook, by its index."""
    part = book.related("sharedStrings")
    return [match[1] or b"" for match in _STRING.finditer(book.package.part(part))] if part else []


def sheet_content(
    content: bytes, styles: AppendedStyles, strings: list[bytes], *, selected: bool, code_name: str
) -> bytes:
    """Return a sheet part with styles moved and strings inline; `selected` where it is the tab in front.

    code_name: the name that macros know the replaced sheet by, empty where there is none.
    Raises WorkbookError where the sheet is not in XlsxWriter's form.
    """
    start = content.find(b"<sheetData")
    closing = content.rfind(b"</sheetData>")
    end = closing + len(b"</sheetData>") if closing >= 0 else start + len(_EMPTY_DATA)
    frame = parse_xml(content[:start] + _EMPTY_DATA + content[end:], "result sheet")
    for element in frame.iter(f"{{{MAIN}}}col"):
        if style := element.get("style"):
            element.set("style", styles.cell_formats[style])
    _move_differential(frame, styles)
    for view in frame.iterfind(f"{{{MAIN}}}sheetViews/{{{MAIN}}}sheetView"):
        view.attrib.pop("tabSelected", "")
        if selected:
            view.set("tabSelected", "1")
    if code_name:
        properties = frame.find(f"{{{MAIN}}}sheetPr")
        if properties is None:
            properties = etree.Element(f"{{{MAIN}}}sheetPr")
            frame.insert(0, properties)
        properties.set("codeName", code_name)
    before, separator, after = serialize_xml(frame).partition(_EMPTY_DATA)
    return b"".join((before, *(_cells(content[start:end], styles, strings) if closing >= 0 else (separator,)), after))


def _cells(rows: bytes, styles: AppendedStyles, strings: list[bytes]) -> Iterator[bytes]:
    """Yield the rows with styles moved and strings inline, some megabytes at a time."""
    attributes = {old.encode(): f' s="{new}"'.encode() for old, new in styles.cell_formats.items()}
    attributes[b""] = b""

    def move(cell: re.Match[bytes]) -> bytes:
        opening, style, string = cell.groups(b"")
        if not string:
            return opening + attributes[style]
        return opening + attributes[style] + b' t="inlineStr"><is>' + strings[int(string)] + b"</is>"

    def move_row(row: re.Match[bytes]) -> bytes:
        return row[1] + styles.cell_formats[row[2].decode()].encode() + b'"'

    count = 0
    for block in in_blocks(rows, b"<c "):
        moved, met = _CELL.subn(move, block)
        yield _ROW_STYLE.sub(move_row, moved)
        count += met
    if count != rows.count(b"<c "):
        msg = "The result sheets are not in the form that XlsxWriter gives them; nothing was written."
        raise WorkbookError(msg)


def table_content(content: bytes, styles: AppendedStyles, number: int) -> bytes:
    """Return a table part with its formats moved and its number in the user's workbook."""
    root = parse_xml(content, "result table")
    root.set("id", str(number))
    _move_differential(root, styles)
    return serialize_xml(root)


def _move_differential(root: etree._Element, styles: AppendedStyles) -> None:
    for element in root.iter():
        for attribute in [name for name in element.attrib if str(name).lower().endswith("dxfid")]:
            element.set(attribute, styles.differential_formats[element.get(attribute, "")])


def signed_drawing(content: bytes) -> bytes:
    """Return a drawing part whose objects bear the library's name before their own."""
    root = parse_xml(content, "result drawing")
    for drawn in root.iter(_DRAWN):
        drawn.set("name", f"{SIGNATURE} {drawn.get('name', '')}".strip())
    return serialize_xml(root)


def signed_comments(content: bytes) -> bytes:
    """Return a comments part whose author is the library."""
    root = parse_xml(content, "result notes")
    for author in root.iter(f"{{{MAIN}}}author"):
        author.text = SIGNATURE
    return serialize_xml(root)


def refuse_additions(package: Package, sheet: Tab) -> None:
    """WorkbookError where the user has put something on a result sheet that writing it anew would lose."""
    additions = [relation.kind for relation in relations(package, sheet.part) if relation.kind not in _OWN_KINDS]
    for relation in relations(package, sheet.part):
        part = package.locate(relation.target)
        if part and relation.kind == "drawing":
            drawn = (element.get("name", "") for element in parse_xml(package.part(part), part).iter(_DRAWN))
            additions += [f"'{name}'" for name in drawn if not name.startswith(SIGNATURE)]
        elif part and relation.kind == "comments":
            authors = (element.text or "" for element in parse_xml(package.part(part), part).iter(f"{{{MAIN}}}author"))
            additions += [f"notes by '{author}'" for author in authors if author.strip() not in ("", SIGNATURE)]
    if additions:
        what = shown(", ".join(additions))
        msg = (
            f"Result sheet '{sheet.name}' holds what the library didn't put there ({what}). "
            "Result sheets are written anew: move it to a sheet of your own or delete it, then run again."
        )
        raise WorkbookError(msg)


SIGNING: Mapping[str, Callable[[bytes], bytes]] = {
    "drawing+xml": signed_drawing,
    "comments+xml": signed_comments,
}


def content_types(package: Package) -> dict[str, str]:
    """Return the content type of every part of a package."""
    types = parse_xml(package.part(TYPES_PART), TYPES_PART)
    defaults = {str(entry.get("Extension", "")).casefold(): str(entry.get("ContentType", "")) for entry in types}
    given = {str(entry.get("PartName", "")).lstrip("/"): str(entry.get("ContentType", "")) for entry in types}
    return {name: given.get(name) or defaults.get(name.rpartition(".")[2].casefold(), "") for name in package.members}
