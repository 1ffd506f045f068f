"""Appending one style sheet to another.

Rule: entries are added at the end of each list or found there already, so an index that a cell of the user's
holds never moves, and a second run adds nothing. The lists are those of ECMA-376 part 1, section 18.8.

Conventions: index 0 of the added cell formats and fonts is the user's own index 0, the workbook's normal
look; every added cell format follows the user's first cell style, "Normal". Number formats below 164 are
built in and keep their number.

What it does not do: it moves no named cell styles, table styles or colour palettes.
"""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass
from functools import partial

from lxml import etree

from costing.errors import WorkbookError
from costing.workbook.file.package import parse_xml, serialize_xml
from costing.workbook.file.sheets import MAIN

_ORDER = (
    *("numFmts", "fonts", "fills", "borders", "cellStyleXfs", "cellXfs"),
    *("cellStyles", "dxfs", "tableStyles", "colors", "extLst"),
)
_FIRST_OWN_NUMBER = 164
_MOST_FORMATS = 64_000  # Excel specifications and limits: unique cell formats in a workbook
_EMPTY = f'<styleSheet xmlns="{MAIN}"/>'.encode()
_Shape = tuple[object, ...]


@dataclass(frozen=True, slots=True)
class AppendedStyles:
    """The user's style sheet with what was added, and where each index of the added one went."""

    content: bytes
    cell_formats: dict[str, str]
    differential_formats: dict[str, str]


def append_styles(user: bytes | None, added: bytes) -> AppendedStyles:
    """Add the formats of a style sheet to the user's (None: there is none yet).

    Raises WorkbookError where the workbook would pass the number of cell formats that Excel allows.
    """
    target, source = parse_xml(user or _EMPTY, "styles"), parse_xml(added, "styles of the results")
    numbers = _append_numbers(target, source)
    places = {
        "numFmtId": numbers,
        "fontId": _append(target, source, "fonts", keep_first=True),
        "fillId": _append(target, source, "fills"),
        "borderId": _append(target, source, "borders"),
    }
    base_style = target.find(f"{{{MAIN}}}cellStyleXfs") is not None
    move_format = partial(_move_format, places=places, base_style=base_style)
    cell_formats = _append(target, source, "cellXfs", move_format, keep_first=True)
    differential = _append(target, source, "dxfs", partial(_move_number, numbers=numbers))
    if len(_list(target, "cellXfs")) > _MOST_FORMATS:
        msg = f"The workbook would hold over {_MOST_FORMATS} cell formats. Clear the formats of unused cells."
        raise WorkbookError(msg)
    same = user is not None and _shape(target) == _shape(parse_xml(user, "styles"))
    return AppendedStyles(user if user and same else serialize_xml(target), cell_formats, differential)


def _append(
    target: etree._Element,
    source: etree._Element,
    tag: str,
    move: Callable[[etree._Element], None] | None = None,
    *,
    keep_first: bool = False,
) -> dict[str, str]:
    """Add what the target's list `tag` lacks; return the index there of every entry of the source's list."""
    entries = source.find(f"{{{MAIN}}}{tag}")
    if entries is None or len(entries) == 0:
        return {}
    into = _list(target, tag)
    entry_tag = entries[0].tag
    present = into.findall(entry_tag)  # only these count; a remark between them has no index
    known = {_shape(entry): index for index, entry in reversed(list(enumerate(present)))}
    count = len(present)
    places = {}
    for index, entry in enumerate(entries.iterfind(entry_tag)):
        if index == 0 and keep_first and count:
            places["0"] = "0"
            continue
        new = deepcopy(entry)
        if move:
            move(new)
        shape = _shape(new)
        if shape not in known:
            known[shape], count = count, count + 1
            into.append(new)
            into.set("count", str(count))
        places[str(index)] = str(known[shape])
    return places


def _append_numbers(target: etree._Element, source: etree._Element) -> dict[str, str]:
    """Add the number formats that the target lacks, also those inside dxfs; return their numbers."""
    entries = [(entry.get("numFmtId", "0"), entry.get("formatCode", "")) for entry in source.iter(f"{{{MAIN}}}numFmt")]
    own = [(number, code) for number, code in entries if int(number) >= _FIRST_OWN_NUMBER]
    if not own:
        return {}
    into = _list(target, "numFmts")
    present = into.findall(f"{{{MAIN}}}numFmt")
    by_code = {entry.get("formatCode", ""): entry.get("numFmtId", "0") for entry in reversed(present)}
    numbers = (entry.get("numFmtId", "") for entry in present)
    taken = [int(number) for number in numbers if number.isdecimal()]
    following = 1 + max([_FIRST_OWN_NUMBER - 1, *taken])
    places = {}
    for number, code in own:
        if code not in by_code:
            by_code[code] = str(following)
            etree.SubElement(into, f"{{{MAIN}}}numFmt", {"numFmtId": str(following), "formatCode": code})
            into.set("count", str(len(into.findall(f"{{{MAIN}}}numFmt"))))
            following += 1
        places[number] = by_code[code]
    return places


def _move_format(entry: etree._Element, places: dict[str, dict[str, str]], base_style: bool) -> None:
    for attribute, moved in places.items():
        old = entry.get(attribute, "0")
        entry.set(attribute, moved.get(old, old))
    if base_style:
        entry.set("xfId", "0")
    elif "xfId" in entry.attrib:
        del entry.attrib["xfId"]


def _move_number(entry: etree._Element, numbers: dict[str, str]) -> None:
    for number in entry.iter(f"{{{MAIN}}}numFmt"):
        old = number.get("numFmtId", "")
        number.set("numFmtId", numbers.get(old, old))


def _list(root: etree._Element, tag: str) -> etree._Element:
    """Return the list `tag`, made in the place that the schema gives it where there is none."""
    entries = root.find(f"{{{MAIN}}}{tag}")
    if entries is not None:
        return entries
    entries = etree.Element(f"{{{MAIN}}}{tag}")
    later = {f"{{{MAIN}}}{name}" for name in _ORDER[_ORDER.index(tag) + 1 :]}
    for place, child in enumerate(root):
        if child.tag in later:
            root.insert(place, entries)
            return entries
    root.append(entries)
    return entries


def _shape(entry: etree._Element) -> _Shape:
    """Return what an entry says, whatever prefixes it is written with."""
    children = tuple(_shape(child) for child in entry if isinstance(child.tag, str))
    return (entry.tag, tuple(sorted(entry.attrib.items())), (entry.text or "").strip(), children)
