"""What a package says of its sheets: relations, names, tables, and which sheets are the library's own.

Rule: a sheet is the library's when it carries a name of its own scope, `costing_result_sheet`, whose text is
the sheet's present name. A spreadsheet program keeps that name when it saves under part names of its own, and
a copied or renamed sheet no longer matches, so it is the user's.

Conventions: sheets stand in the order of their tabs, counted from 0. Relations follow ECMA-376 part 2, the
workbook part ECMA-376 part 1, section 18.2. A part belongs to the owned sheets when nothing but them leads to
it.

What it does not do: it reads no cells and changes nothing.
"""

from __future__ import annotations

import posixpath
from collections.abc import Collection
from dataclasses import dataclass
from urllib.parse import unquote

from lxml import etree

from costing.errors import WorkbookError
from costing.once import asked_once
from costing.workbook.file.package import TYPES_PART, Package, parse_xml, refusal, serialize_xml, shown

MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
REL = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
PACKAGE_REL = "http://schemas.openxmlformats.org/package/2006/relationships"
MARK = "costing_result_sheet"
NOTES = "Notes"
"""Heading of what stands below the tables of a result sheet."""
LISTS_SHEET = "Lists"  # the hidden sheet behind the drop-downs
_STRICT = "http://purl.oclc.org/ooxml/"


@dataclass(frozen=True, slots=True)
class Relation:
    """One relation of a part; `target` is a part name, or an address where it is external."""

    rel_id: str
    type: str
    target: str
    external: bool

    @property
    def kind(self) -> str:
        """Last word of the relation's type: `worksheet`, `table`, `drawing`."""
        return self.type.rpartition("/")[2]


@dataclass(frozen=True, slots=True)
class Tab:
    """One tab: its name, its place from 0, its part. kind: `worksheet`, `chartsheet`, ...; state: `hidden` or blank."""

    name: str
    index: int
    sheet_id: str
    rel_id: str
    part: str
    kind: str
    state: str = ""


@dataclass(frozen=True, slots=True)
class DefinedName:
    """A name of the workbook, or of one sheet where `index` says which; `text` is what it stands for."""

    name: str
    index: int | None
    text: str


@dataclass(frozen=True)
class Book:
    """The workbook part and what it lists."""

    package: Package
    part: str
    sheets: tuple[Tab, ...]
    names: tuple[DefinedName, ...]

    def owned(self) -> tuple[Tab, ...]:
        """Sheets that the library wrote and that still bear the name it gave them."""
        marked = {(name.index, name.text) for name in self.names if name.name == MARK}
        return tuple(sheet for sheet in self.sheets if (sheet.index, mark_text(sheet.name)) in marked)

    def sheet(self, name: str) -> Tab | None:
        """Return the sheet of that name, which counts regardless of case."""
        folded = name.casefold()
        return next((sheet for sheet in self.sheets if sheet.name.casefold() == folded), None)

    def related(self, kind: str) -> str | None:
        """Return the part that the workbook part relates to by `kind`, for kinds that occur once."""
        targets = (rel.target for rel in relations(self.package, self.part) if rel.kind == kind)
        return next((part for target in targets if (part := self.package.locate(target))), None)


def mark_text(name: str) -> str:
    """Text of the mark on the library's sheet `name`: the sheet's name as a string constant."""
    return '"' + name.replace('"', '""') + '"'


def read_book(package: Package) -> Book:
    """Read the workbook part: sheets and names. WorkbookError where it is broken or in the Strict variant."""
    main = next((rel.target for rel in relations(package, "") if rel.kind == "officeDocument"), "")
    part = package.locate(main)
    if part is None:
        raise refusal(package.path, "it has no workbook part.", "Restore a back-up.")
    root = parse_xml(package.part(part), part)
    if str(root.tag).startswith("{" + _STRICT):
        wrong = "it is a Strict Open XML workbook."
        raise refusal(package.path, wrong, "Save it as the ordinary Excel workbook (.xlsx) and use that.")
    by_id = {rel.rel_id: rel for rel in relations(package, part)}
    sheets = []
    for index, element in enumerate(root.iterfind(f"{{{MAIN}}}sheets/{{{MAIN}}}sheet")):
        relation = by_id.get(element.get(f"{{{REL}}}id", ""))
        target = package.locate(relation.target) if relation else None
        name = element.get("name", "")
        if relation is None or target is None:
            raise refusal(package.path, f"the content of sheet '{shown(name)}' is missing.", "Restore a back-up.")
        sheets.append(
            Tab(
                *(name, index, element.get("sheetId", ""), relation.rel_id, target, relation.kind),
                state=element.get("state", ""),
            ),
        )
    if not sheets:
        raise refusal(package.path, "it has no sheets.", "Restore a back-up.")
    return Book(package, part, tuple(sheets), tuple(_names(root)))


def is_1904(book: Book) -> bool:
    """Whether the workbook counts its days from 1904 (ECMA-376 part 1, 18.2.28, `date1904`)."""
    settings = parse_xml(book.package.part(book.part), book.part).find(f"{{{MAIN}}}workbookPr")
    return settings is not None and settings.get("date1904", "0") in ("1", "true", "on")


def _names(root: etree._Element) -> list[DefinedName]:
    names = []
    for element in root.iterfind(f"{{{MAIN}}}definedNames/{{{MAIN}}}definedName"):
        scope = element.get("localSheetId", "")
        index = int(scope) if scope.isdecimal() else None
        names.append(DefinedName(element.get("name", ""), index, (element.text or "").strip()))
    return names


def rels_part(part: str) -> str:
    """Name of the part that holds the relations of `part`; of the package itself for an empty name."""
    folder, name = posixpath.split(part)
    return posixpath.join(folder, "_rels", name + ".rels")


@asked_once
def relations(package: Package, part: str) -> tuple[Relation, ...]:
    """Return the relations of a part, targets resolved to part names as the package would spell them."""
    where = package.locate(rels_part(part))
    if where is None:
        return ()
    relations_read = []
    for element in parse_xml(package.part(where), where).iterfind(f"{{{PACKAGE_REL}}}Relationship"):
        target, external = element.get("Target", ""), element.get("TargetMode") == "External"
        if not external:
            path = unquote(target.partition("#")[0])
            target = posixpath.normpath(posixpath.join("/", posixpath.dirname(part), path)).lstrip("/")
        relations_read.append(Relation(element.get("Id", ""), element.get("Type", ""), target, external))
    return tuple(relations_read)


def exclusive_parts(book: Book, sheets: Collection[Tab]) -> set[str]:
    """Return the parts that only these sheets lead to: themselves, tables, drawings, charts, relations."""
    without = _reached(book.package, {sheet.part for sheet in sheets})
    return _reached(book.package, set()) - without


def _reached(package: Package, closed: set[str]) -> set[str]:
    reached: set[str] = set()
    waiting = [""]
    while waiting:
        part = waiting.pop()
        if part in reached or part in closed:
            continue
        reached.add(part)
        if rels := package.locate(rels_part(part)):
            reached.add(rels)
        targets = (rel.target for rel in relations(package, part) if not rel.external)
        waiting.extend(name for target in targets if (name := package.locate(target)))
    return reached - {""}


def changeable_parts(package: Package) -> set[str]:
    """Return the parts that a run may change: five indexes and what belongs to the library's sheets.

    The calculation chain is one of them only where a spreadsheet program has entered cells of those sheets
    into it.
    """
    book = read_book(package)
    owned = book.owned()
    app = next((rel.target for rel in relations(package, "") if rel.kind == "extended-properties"), "")
    indexes = [TYPES_PART, book.part, rels_part(book.part), book.related("styles"), app]
    chain = book.related("calcChain")
    if chain and chain_without(package.part(chain), chain, {sheet.sheet_id for sheet in owned}) is not None:
        indexes += [chain]
    parts = {part for index in indexes if index and (part := package.locate(index))}
    return parts | exclusive_parts(book, owned)


def chain_without(content: bytes, part: str, sheet_ids: Collection[str]) -> bytes | None:
    """Return the calculation chain less the cells of some sheets; None where it lists none of them.

    Empty where no other is left. A chain that names a cell without a formula makes Excel offer a repair. `i`,
    the sheet's number, counts for all entries up to the next one that gives it (ECMA-376 part 1, 18.6.1).
    """
    root = parse_xml(content, part)
    current, written, dropped = "", "", False
    for entry in list(root.iterfind(f"{{{MAIN}}}c")):
        current = entry.get("i", current)
        if current in sheet_ids:
            root.remove(entry)
            dropped = True
            continue
        if current != written and current:
            entry.set("i", current)
        written = current
    if not dropped:
        return None
    return serialize_xml(root) if len(root) else b""


def require_free(book: Book, name: str) -> None:
    """WorkbookError where `name` is a sheet of the user's own, which the library never overwrites."""
    sheet = book.sheet(name)
    if sheet is not None and sheet not in book.owned():
        msg = (
            f"Sheet '{shown(sheet.name)}' has the name of a result sheet but wasn't written by this library. "
            "Rename it, or delete it if it is an old result, and run again."
        )
        raise WorkbookError(msg)
