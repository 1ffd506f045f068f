"""The smallest workbook, and files that nobody should open: each is refused with one line."""

from __future__ import annotations

import io
import struct
import zipfile
from collections.abc import Callable

from tests.workbook.scratch import Parts, zip_of
from tests.workbook.torture import MAIN, REL, SHEET_TYPE


def minimal_workbook(cells: str = '<row r="1"><c r="A1"><v>1</v></c></row>') -> Parts:
    """The parts of the smallest workbook: one sheet, no styles, no document properties."""
    package = "http://schemas.openxmlformats.org/package/2006"
    return {
        "[Content_Types].xml": (
            f'<Types xmlns="{package}/content-types"><Default Extension="rels" '
            'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
            f'<Default Extension="xml" ContentType="application/xml"/>'
            f'<Override PartName="/xl/workbook.xml" ContentType="{SHEET_TYPE}.sheet.main+xml"/>'
            f'<Override PartName="/xl/sheet.xml" ContentType="{SHEET_TYPE}.worksheet+xml"/></Types>'
        ).encode(),
        "_rels/.rels": (
            f'<Relationships xmlns="{package}/relationships"><Relationship Id="rId1" '
            f'Type="{REL}/officeDocument" Target="/xl/workbook.xml"/></Relationships>'
        ).encode(),
        "xl/workbook.xml": (
            f'<workbook xmlns="{MAIN}" xmlns:r="{REL}"><sheets>'
            '<sheet name="Only" sheetId="4" r:id="rId1"/></sheets>'
            "</workbook>"
        ).encode(),
        "xl/_rels/workbook.xml.rels": (
            f'<Relationships xmlns="{package}/relationships"><Relationship Id="rId1" '
            f'Type="{REL}/worksheet" Target="sheet.xml"/></Relationships>'
        ).encode(),
        "xl/sheet.xml": f'<worksheet xmlns="{MAIN}"><sheetData>{cells}</sheetData></worksheet>'.encode(),
    }


def hostile_files() -> dict[str, tuple[bytes, str]]:
    """Files that must be refused, by what is wrong with them, and a word that the refusal says."""
    plain = minimal_workbook()
    good = zip_of(plain)
    dtd = b'<!DOCTYPE x [<!ENTITY a "b">]>'
    cfb = bytes.fromhex("d0cf11e0a1b11ae1") + bytes(500)

    def with_parts(**changes: bytes) -> bytes:
        return zip_of(plain | {name.replace("__", "/").replace("_DOT_", "."): part for name, part in changes.items()})

    def dirty(change: Callable[[bytearray], None]) -> bytes:
        content = bytearray(good)
        change(content)
        return bytes(content)

    def lie_about_size(content: bytearray) -> None:
        at = content.rindex(b"PK\1\2")
        content[at + 24 : at + 28] = struct.pack("<I", 5)

    def overlap(content: bytearray) -> None:
        at = content.rindex(b"PK\1\2")
        content[at + 42 : at + 46] = struct.pack("<I", 0)

    def past_its_end(content: bytearray) -> None:
        at = content.rindex(b"PK\1\2")
        content[at + 20 : at + 24] = struct.pack("<I", 5_000)

    def encrypted_flag(content: bytearray) -> None:
        content[content.index(b"PK\1\2") + 8] |= 1

    def damage_content(content: bytearray) -> None:
        at = content.index(b"xl/workbook.xml") + len("xl/workbook.xml") + 20
        content[at] ^= 0xFF

    remark = b"<!--" + b"x" * 200_000 + b"-->"
    sheet = plain["xl/sheet.xml"]
    return {
        "empty file": (b"", "empty"),
        "text": (b"lot;litres\nT-1;200\n", "isn't an Excel workbook"),
        "web page": (b"<html><table></table></html>", "isn't an Excel workbook"),
        "old binary": (cfb + "Workbook".encode("utf-16-le"), ".xls kind"),
        "encrypted": (cfb + "EncryptedPackage".encode("utf-16-le"), "password"),
        "truncated": (good[: len(good) // 2], "damaged or incomplete"),
        "cut by one byte": (good[:-1], "damaged or incomplete"),
        "damaged part": (dirty(damage_content), "damaged"),
        "false size": (dirty(lie_about_size), "damaged"),
        "overlapping parts": (dirty(overlap), "damaged"),
        "a part past its end": (dirty(past_its_end), "runs past its end"),
        "encrypted part": (dirty(encrypted_flag), "encrypted"),
        "dense bomb": (zip_of(plain | {"xl/media/a.bin": bytes(40_000_000)}), "unpacks to"),
        "too many parts": (zip_of(plain | {f"x/{n}.bin": b"" for n in range(10_001)}), "parts"),
        "twin parts": (_twins(plain), "twice"),
        "twins but for case": (zip_of(plain | {"XL/Sheet.xml": sheet}), "twice"),
        "document type": (with_parts(xl__sheet_DOT_xml=dtd + sheet), "document type"),
        "document type in a custom part": (with_parts(customXml__i_DOT_xml=dtd + b"<a/>"), "document type"),
        "document type in UTF-16": (
            with_parts(a_DOT_xml=(dtd + b"<a/>").decode().encode("utf-16")),
            "document type",
        ),
        "document type under another suffix": (
            with_parts(a_DOT_bin=b"  \n" + dtd + b"<a/>"),
            "document type",
        ),
        "document type after remarks": (
            with_parts(a_DOT_xml=b"<?xml version='1.0'?><!--a--> " + dtd),
            "document type",
        ),
        "document type far down": (with_parts(a_DOT_xml=remark + dtd + b"<a/>"), "document type"),
        "odd encoding": (with_parts(a_DOT_xml=b'<?xml version="1.0" encoding="utf-7"?><a/>'), "encoding"),
        "not XML": (with_parts(xl__a_DOT_xml=b"\x4c\x6f\xa7\x94"), "isn't XML"),
        "path up": (zip_of(plain | {"../../evil.xml": b"<a/>"}), "part name"),
        "absolute path": (zip_of(plain | {"/etc/evil.xml": b"<a/>"}), "part name"),
        "drive": (zip_of(plain | {"C:/evil.xml": b"<a/>"}), "part name"),
        "backslashes": (zip_of(plain | {"xl\\evil.xml": b"<a/>"}), "part name"),
        "line break in a name": (zip_of(plain | {"xl/a\nb.xml": b"<a/>"}), "part name"),
        "odd packing": (_bzipped(plain), "unusual way"),
        "OpenDocument": (
            zip_of({"mimetype": b"application/vnd.oasis.opendocument.spreadsheet"}),
            "OpenDocument",
        ),
        "plain zip": (zip_of({"readme.txt": b"hello"}), "not an Excel workbook"),
        "text document": (
            _typed(plain, "application/vnd.ms-word.document.macroEnabled.main+xml"),
            "not a workbook",
        ),
        "binary workbook": (
            _typed(plain, "application/vnd.ms-excel.sheet.binary.macroEnabled.main"),
            ".xlsb",
        ),
        "signed": (zip_of(plain | {"_xmlsignatures/sig1.xml": b"<a/>"}), "signed"),
        "broken types": (with_parts(**{"[Content_Types]_DOT_xml": b"<Types"}), "well-formed"),
    }


def _typed(plain: Parts, kind: str) -> bytes:
    types = plain["[Content_Types].xml"].replace(f"{SHEET_TYPE}.sheet.main+xml".encode(), kind.encode())
    return zip_of(plain | {"[Content_Types].xml": types})


def _twins(plain: Parts) -> bytes:
    content = bytearray(zip_of(plain | {"xl/twin0.xml": b"<a/>", "xl/twin1.xml": b"<b/>"}))
    return bytes(content.replace(b"xl/twin1.xml", b"xl/twin0.xml"))


def _bzipped(plain: Parts) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_BZIP2) as archive:
        for name, content in plain.items():
            archive.writestr(name, content)
    return buffer.getvalue()
