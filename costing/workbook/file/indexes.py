"""The package indexes that a run changes: content types, workbook part, its relations, properties.

Rule: entries are added, replaced or removed one by one; all else that an index holds stays, elements unknown
to this library too. Element order follows ECMA-376 part 1, section 18.2.27 (workbook).

Conventions: an index is changed as a parsed tree and written once. New relations take the next free number.

What it does not do: it knows nothing of what the parts hold.
"""

from __future__ import annotations

import posixpath
import re
from collections.abc import Collection, Iterable, Mapping, Sequence

from lxml import etree

from costing.workbook.file.sheets import MAIN, MARK, PACKAGE_REL, REL, Book, DefinedName, Relation, mark_text

_TYPES = "http://schemas.openxmlformats.org/package/2006/content-types"
_APP = "http://schemas.openxmlformats.org/officeDocument/2006/extended-properties"
_VARIANT = "http://schemas.openxmlformats.org/officeDocument/2006/docPropsVTypes"
_AFTER_NAMES = ("calcPr", "oleSize", "customWorkbookViews", "pivotCaches", "smartTagPr", "smartTagTypes")
_AFTER_CALC = (*_AFTER_NAMES[1:], "webPublishing", "fileRecoveryPr", "webPublishObjects", "extLst")


def set_types(types: etree._Element, removed: Collection[str], added: Mapping[str, str]) -> None:
    """Drop the content types of removed parts, and give each added part its own.

    Pictures and old-style drawings get theirs by suffix, as spreadsheet programs do it, where it is new.
    """
    for entry in list(types.iterfind(f"{{{_TYPES}}}Override")):
        if entry.get("PartName", "").lstrip("/") in removed:
            types.remove(entry)
    by_suffix = {
        entry.get("Extension", "").casefold(): entry.get("ContentType", "")
        for entry in types.iterfind(f"{{{_TYPES}}}Default")
    }
    for part, kind in added.items():
        suffix = part.rpartition(".")[2].casefold()
        if suffix not in ("xml", *by_suffix):
            new = etree.Element(f"{{{_TYPES}}}Default", {"Extension": suffix, "ContentType": kind})
            types.insert(len(by_suffix), new)
            by_suffix[suffix] = kind
        if by_suffix.get(suffix) == kind:
            continue
        etree.SubElement(types, f"{{{_TYPES}}}Override", {"PartName": f"/{part}", "ContentType": kind})


def relate(rels: etree._Element, source: str, type_: str, part: str, rel_id: str = "") -> str:
    """Point a relation of `source` to `part`: the one of that number, or a new one. Returns its number."""
    target = posixpath.relpath(part, posixpath.dirname(source) or ".")
    tag = f"{{{PACKAGE_REL}}}Relationship"
    known = {entry.get("Id", ""): entry for entry in rels.iterfind(tag)}
    if not rel_id or rel_id not in known:
        taken = [int(key[3:]) for key in known if re.fullmatch(r"rId\d+", key)]
        rel_id = f"rId{max(taken, default=0) + 1}"
        known[rel_id] = etree.SubElement(rels, tag, {"Id": rel_id, "Type": type_})
    known[rel_id].set("Target", target)
    return rel_id


def drop_relations(rels: etree._Element, kind: str) -> None:
    """Drop the relations of one kind."""
    for entry in list(rels.iterfind(f"{{{PACKAGE_REL}}}Relationship")):
        if entry.get("Type", "").rpartition("/")[2] == kind:
            rels.remove(entry)


def relations_content(source: str, kept: Iterable[Relation], names: Mapping[str, str]) -> bytes:
    """Return a relations part for the moved part `source`: same numbers, targets under their new names."""
    root = etree.fromstring(f'<Relationships xmlns="{PACKAGE_REL}"/>')
    for relation in kept:
        target = relation.target
        if not relation.external:
            target = posixpath.relpath(names[target], posixpath.dirname(source))
        entry = {"Id": relation.rel_id, "Type": relation.type, "Target": target}
        etree.SubElement(
            root,
            f"{{{PACKAGE_REL}}}Relationship",
            entry | ({"TargetMode": "External"} if relation.external else {}),
        )
    return etree.tostring(root, xml_declaration=True, encoding="UTF-8", standalone=True)


def _sheets(workbook: etree._Element) -> etree._Element:
    """The list of tabs: `read_book` has refused a workbook without one."""
    return next(workbook.iterfind(f"{{{MAIN}}}sheets"))


def add_sheet(workbook: etree._Element, name: str, rel_id: str, state: str = "") -> None:
    """Append a tab. state: `hidden`, or blank."""
    sheets = _sheets(workbook)
    given = [entry.get("sheetId", "") for entry in sheets.iterfind(f"{{{MAIN}}}sheet")]
    number = 1 + max((int(text) for text in given if text.isdecimal()), default=0)
    tab = {"name": name, "sheetId": str(number)} | ({"state": state} if state else {})
    etree.SubElement(sheets, f"{{{MAIN}}}sheet", tab).set(f"{{{REL}}}id", rel_id)


def tab_order(present: Sequence[str], ours: Collection[str], new: Sequence[str], order: Sequence[str]) -> list[str]:
    """Names of all tabs once new ones are in. present: tabs as they stand; ours: those of them that the library wrote.

    A new tab comes after the nearest of the library's that `order` has before it, with none before the nearest that it
    has after it, with none last; one that `order` does not name comes last.
    """
    tabs, rank = list(present), {name: number for number, name in enumerate(order)}
    known = {name for name in ours if name in rank}
    for name in new:
        before = [other for other in known if name in rank and rank[other] < rank[name]]
        after = [other for other in known if name in rank and rank[other] > rank[name]]
        if before:
            tabs.insert(tabs.index(max(before, key=rank.__getitem__)) + 1, name)
        elif after:
            tabs.insert(tabs.index(min(after, key=rank.__getitem__)), name)
        else:
            tabs.append(name)
        known |= {name} & set(rank)
    return tabs


def order_tabs(workbook: etree._Element, tabs: Sequence[str]) -> None:
    """Put the tabs in this order; names that belong to one of them, and what a window shows, follow."""
    sheets = _sheets(workbook)
    entries = list(sheets.iterfind(f"{{{MAIN}}}sheet"))
    places = [tabs.index(entry.get("name", "")) for entry in entries]
    if places == list(range(len(places))):
        return
    sheets.extend(entry for _, entry in sorted(zip(places, entries, strict=True), key=lambda pair: pair[0]))
    names = workbook.iterfind(f"{{{MAIN}}}definedNames/{{{MAIN}}}definedName")
    views = workbook.iterfind(f"{{{MAIN}}}bookViews/{{{MAIN}}}workbookView")
    said = [(entry, "localSheetId") for entry in names]
    said += [(view, attribute) for view in views for attribute in ("activeTab", "firstSheet")]
    for entry, attribute in said:
        if (index := entry.get(attribute, "")).isdecimal() and int(index) < len(places):
            entry.set(attribute, str(places[int(index)]))


def active_tab(workbook: etree._Element) -> int:
    """Return the place of the tab in front."""
    view = workbook.find(f"{{{MAIN}}}bookViews/{{{MAIN}}}workbookView")
    active = view.get("activeTab", "0") if view is not None else "0"
    return int(active) if active.isdecimal() else 0


def set_names(
    workbook: etree._Element, results: Book, places: Mapping[int, int], unmarked: Collection[str] = ()
) -> None:
    """Replace the names that the library's sheets carry by the new ones.

    places: the tabs of the result sheets in the workbook; unmarked: sheets that get no mark. Of the names on
    a result sheet the library's are its mark, its print and filter settings, and those that it writes; a user's own
    name there stays.
    """
    new = [name for name in results.names if name.name != MARK]
    marked = [sheet for sheet in results.sheets if sheet.name not in unmarked]
    new += [DefinedName(MARK, sheet.index, mark_text(sheet.name)) for sheet in marked]
    scoped = {(name.name.casefold(), None if name.index is None else places[name.index]) for name in new}
    names = workbook.find(f"{{{MAIN}}}definedNames")
    if names is None:
        names = _insert(workbook, "definedNames", _AFTER_NAMES + _AFTER_CALC)
    for entry in list(names.iterfind(f"{{{MAIN}}}definedName")):
        scope = int(index) if (index := entry.get("localSheetId", "")).isdecimal() else None
        key = entry.get("name", "").casefold()
        if (key, scope) in scoped or (scope in places.values() and key.startswith("_xlnm.")):
            names.remove(entry)
    for name in new:
        entry = etree.SubElement(names, f"{{{MAIN}}}definedName", {"name": name.name})
        entry.text = name.text
        if name.index is not None:
            entry.set("localSheetId", str(places[name.index]))
        if name.name in (MARK, "_xlnm._FilterDatabase"):
            entry.set("hidden", "1")


def ask_calculation(workbook: etree._Element) -> None:
    """Have a spreadsheet program calculate the whole workbook when it opens it."""
    calculation = workbook.find(f"{{{MAIN}}}calcPr")
    if calculation is None:
        calculation = _insert(workbook, "calcPr", _AFTER_CALC)
    calculation.set("fullCalcOnLoad", "1")


def _insert(workbook: etree._Element, tag: str, later: Sequence[str]) -> etree._Element:
    new = etree.Element(f"{{{MAIN}}}{tag}")
    tags = {f"{{{MAIN}}}{name}" for name in later}
    place = next((place for place, child in enumerate(workbook) if child.tag in tags), len(workbook))
    workbook.insert(place, new)
    return new


def set_titles(app: etree._Element, before: Sequence[str], after: Sequence[str]) -> bool:
    """Count new sheets in the document properties, where these begin with the worksheets that were there.

    Returns whether anything was changed.
    """
    pairs = app.find(f"{{{_APP}}}HeadingPairs/{{{_VARIANT}}}vector")
    titles = app.find(f"{{{_APP}}}TitlesOfParts/{{{_VARIANT}}}vector")
    count = pairs.find(f"{{{_VARIANT}}}variant/{{{_VARIANT}}}i4") if pairs is not None else None
    if titles is None or count is None or count.text != str(len(before)):
        return False
    if len(after) == len(before) or [title.text for title in titles][: len(before)] != list(before):
        return False
    for old in list(titles)[: len(before)]:
        titles.remove(old)
    for place, name in enumerate(after):
        title = etree.Element(f"{{{_VARIANT}}}lpstr")
        title.text = name
        titles.insert(place, title)
    count.text = str(len(after))
    titles.set("size", str(len(titles)))
    return True
