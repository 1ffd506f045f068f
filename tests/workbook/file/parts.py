"""Parts of result sheets, doubts of stored values and back-ups: cases, and what is made of each in words."""

from __future__ import annotations

import datetime as dt
import io
import struct
import tempfile
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from costing.errors import CostingError
from costing.workbook.file import backups, replace, result_parts
from costing.workbook.file.archive import DamagedArchiveError, Member, pack, unpack
from costing.workbook.file.dependents import _formula_elements
from costing.workbook.file.graft import _free_name
from costing.workbook.file.package import SizeLimits, changed_parts, open_package, read_package, rebuild
from costing.workbook.file.scan import calculation_doubt, percent_styles
from costing.workbook.file.sheets import MAIN, MARK, read_book
from costing.workbook.file.styles import AppendedStyles
from tests.workbook.hostile import hostile_files, minimal_workbook
from tests.workbook.scratch import zip_of

_MOVED = AppendedStyles(b"", {"1": "11", "2": "12"}, {"0": "7", "1": "8"})
_FRAME = """<worksheet xmlns="{space}">{before}<sheetViews><sheetView tabSelected="1"/><sheetView/></sheetViews>
<cols><col min="1" style="2"/><col min="2"/></cols>{data}<conditionalFormatting><cfRule dxfId="1"/>
</conditionalFormatting></worksheet>"""
_DATA = (
    "<sheetData/>",
    '<sheetData><row r="1" s="1" ht="9"><c r="A1" s="2" t="s"><v>1</v></c><c r="B1" t="s"><v>0</v></c></row>'
    '<row r="2"><c r="A2" s="1"><v>5</v></c><c r="B2"/><c r="C2" t="str"><f>1</f></c></row></sheetData>',
    '<sheetData><row r="1"><c r="A1" t="x"><v>1</v></c></row></sheetData>',
    '<sheetData><row r="1"><c s="1" r="A1"><v>1</v></c></row></sheetData>',
)


def result_sheets_made() -> Iterator[str]:
    """Result sheets and tables for a workbook with styles, strings and macros of its own."""
    for data in _DATA:
        for before, selected, code_name in (("", True, ""), ("<sheetPr/>", False, "Sheet7"), ("", False, "Sheet8")):
            content = _FRAME.format(space=MAIN, before=before, data=data).encode()
            try:
                strings = [b"<t>zero</t>", b"<t>one</t>"]
                made = result_parts.sheet_content(content, _MOVED, strings, selected=selected, code_name=code_name)
            except CostingError as refused:
                yield f"{selected} {code_name}: {refused}"
                continue
            yield f"{selected} {code_name}: {made.decode()}"
    table = f'<table xmlns="{MAIN}" id="1" headerRowDxfId="0"><tableColumn dataDxfId="1"/><tableColumn/></table>'
    yield result_parts.table_content(table.encode(), _MOVED, 42).decode()
    taken = ["xl/a.xml", "XL/B.XML", "xl/b_2.xml", "xl/_rels/c.xml.rels", "d"]
    yield str([_free_name("xl", base, taken) for base in ("a.xml", "b.xml", "c.xml", "e.xml")])


def values_doubted() -> Iterator[str]:
    """What a workbook says of its stored values, and formulas of a sheet that is no sheet."""
    parts = minimal_workbook()
    flags = ("", 'calcCompleted="0"', 'calcCompleted="false"', 'calcCompleted="1" calcMode="manual"')
    flags += ('calcMode="autoNoTable"', 'fullCalcOnLoad="1"', 'fullCalcOnLoad="true"', 'fullCalcOnLoad="0"')
    mark = f'<definedName name="{MARK}" localSheetId="0">"{_title(parts)}"</definedName>'
    for said in ("", *(f"<calcPr {flag}/>" for flag in flags)):
        for owned in ("", f"<definedNames>{mark}</definedNames>"):
            book = parts["xl/workbook.xml"].replace(b"</workbook>", f"{owned}{said}</workbook>".encode())
            read = read_book(read_package(zip_of(parts | {"xl/workbook.xml": book}), "a.xlsx"))
            yield f"{said} {len(read.owned())}: {calculation_doubt(read)!r} {sorted(percent_styles(read))}"
    for broken in (b"<a><f>1</f></b>", b"<a><f>1</f></a>", b"<a></b>"):
        try:
            yield f"{broken!r}: {len([*_formula_elements(broken, 'xl/sheet.xml')])}"
        except CostingError as refused:
            yield f"{broken!r}: {refused}"


def _title(parts: dict[str, bytes]) -> str:
    return parts["xl/workbook.xml"].partition(b'<sheet name="')[2].partition(b'"')[0].decode()


def backups_named() -> Iterator[str]:
    """Back-ups of a workbook written again and again, by a clock that is set back too; those of closings."""
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        target = Path(folder) / "estate.xlsx"
        target.write_bytes(b"")
        clock = [dt.datetime(2025, 1, 1, 9, 30)]
        patch.setattr(backups, "_now", lambda: clock[0])
        steps: list[Any] = [0, 0, 0, 5, -3600, 7200, *[60] * 12]
        for number, seconds in enumerate(steps):
            clock[0] += dt.timedelta(seconds=seconds)
            saved = backups.back_up(target, b"%d" % (number - number % 3 // 2), 0o640)
            backups.drop_old_backups(target)
            yield f"{number}: {saved.name} {[path.name[11:-5] for path in backups.backups(target)]}"
        (Path(folder) / "estate.bak-20250101-093000-x.xlsx").write_bytes(b"")
        for _ in range(3):
            yield backups.keep_closed(target, dt.date(2025, 12, 31)).name
        yield str(len(backups.backups(target)))
        for number in range(3):
            yield f"{number}: {replace.sibling_path(target).name}"
            replace.sibling_path(target).write_bytes(b"")
        patch.setattr(Path, "exists", lambda _: True)
        try:
            replace.sibling_path(target)
        except CostingError as refused:
            yield str(refused).replace(folder, "")


def _limited() -> Iterator[tuple[str, bytes, SizeLimits]]:
    plain = minimal_workbook()
    sheet = plain["xl/sheet.xml"]
    content = zip_of(plain)
    total = sum(map(len, plain.values()))
    largest = max(map(len, plain.values()))
    long = zip_of(plain | {"xl/sheet.xml": sheet + b" " * 70_000})
    for more in (0, -1):
        yield f"parts {more}", content, SizeLimits(members=len(plain) + more)
        yield f"part {more}", content, SizeLimits(member_bytes=largest + more)
        yield f"all {more}", content, SizeLimits(total_bytes=total + more)
    for ratio, least in ((10.0, 60_000), (10.0, 80_000), (1e4, 60_000)):
        yield f"dense {ratio} {least}", long, SizeLimits(ratio=ratio, ratio_from_bytes=least)


def packages_refused() -> Iterator[str]:
    """Files that are no workbook, or a danger, each with the whole of what is said; limits at their edges."""
    for title, (content, _) in hostile_files().items():
        yield f"{title}: {_read(content)}"
    for title, content, limits in _limited():
        yield f"{title}: {_read(content, limits)}"
    yield str(SizeLimits())
    plain = minimal_workbook()
    heads = (b"", b"\xef\xbb\xbf", b" \n", b"<!-- a -->", b"<!-- a --><!-- b -->\n", b'<?xml version="1.0"?>', b"x")
    heads += tuple(b'<?xml version="1.0" encoding="%s"?>' % name for name in (b"UTF-8", b"ascii", b"ebcdic"))
    heads += (b"<?x y?><!DOCTYPE a>", b"\xef\xbb\xbf<!DOCTYPE a>", b" <!ENTITY>")
    for head in heads:
        for name, body in (("xl/a.xml", b"<a/>"), ("xl/a.svg", b"<a/>"), ("xl/a.bin", b"<a/>")):
            yield f"{name} {head!r}: {_read(zip_of(plain | {name: head + body}))}"
    for encoding in ("utf-16", "utf-16-le", "utf-16-be"):
        for body in ("<a/>", f'<a xmlns="{MAIN}"/>', "<!DOCTYPE a><a/>"):
            yield f"{encoding} {body}: {_read(zip_of(plain | {'xl/a.xml': body.encode(encoding)}))}"
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "estate.xlsx"
        path.write_bytes(zip_of(plain))
        size = path.stat().st_size
        for named, limits in ((path, SizeLimits(file_bytes=size)), (path, SizeLimits(file_bytes=size - 1)),
                              (Path(folder), SizeLimits()), (path / "x", SizeLimits())):  # fmt: skip
            try:
                yield str(len(open_package(named, limits).members))
            except CostingError as refused:
                yield str(refused).replace(Path(folder).name, "FOLDER")


def _read(content: bytes, limits: SizeLimits | None = None) -> str:
    try:
        package = read_package(content, "a.xlsx", limits) if limits else read_package(content, "a.xlsx")
        return f"{len(package.members)} parts"
    except CostingError as refused:
        return str(refused)


def archives_written() -> Iterator[str]:
    """What an archive says of its members after it was written again, with a new one, and members that are wrong."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.comment = b"a comment"
        for number, (name, content) in enumerate(minimal_workbook().items()):
            entry = zipfile.ZipInfo(name, (1980 + number, 12, 31, 23, 59, 58 + number % 2))
            entry.compress_type = number % 2 * zipfile.ZIP_DEFLATED
            entry.extra = struct.pack("<HHQHHI", 1, 8, 5, 0x7777, 4, number) if number == 1 else b""
            entry.comment, entry.external_attr, entry.internal_attr = b"c" * number, number << 16, number % 2
            entry.create_system, entry.extract_version = number % 4, 20 + 25 * (number % 2)
            archive.writestr(entry, content)
    package = read_package(buffer.getvalue(), "a.xlsx")
    first = next(iter(package.members))
    again = rebuild(package, {"xl/new.xml": b"<a/>", "xl/é.xml": b"<a/>" * 9, first: package.part(first)}, {"none"})
    with zipfile.ZipFile(io.BytesIO(again)) as archive:
        yield f"{archive.comment!r} {archive.testzip()}"
        for entry in archive.infolist():
            fields = ("date_time", "compress_type", "comment", "extra", "create_system", "create_version", "CRC")
            fields += ("extract_version", "flag_bits", "internal_attr", "external_attr", "file_size")
            yield f"{entry.filename}: {[getattr(entry, name) for name in fields]}"
    changed = read_package(again, "a.xlsx", ours=True)
    yield f"{sorted(changed_parts(package, changed))} {sorted(changed_parts(changed, package))}"
    for size, stored in ((0, False), (64 * 1024, True), (64 * 1024 + 1, True), (3 * 1024 * 1024, False)):
        content = bytes(range(256)) * (size // 256) + b"x" * (size % 256)
        member = pack("a", content)
        if stored:
            member = Member("a", memoryview(content), zipfile.ZIP_STORED, member.crc, size)
        pieces = [*unpack(member)]
        yield f"{size}: {b''.join(pieces) == content} {[len(piece) for piece in pieces]}"
    member = pack("a", b"<a/>" * 100)
    given = {name: getattr(member, name) for name in ("name", "packed", "method", "crc", "size")}
    for wrong in (
        {"size": 399},
        {"size": 401},
        {"crc": 1},
        {"packed": member.packed[:9]},
        {"packed": memoryview(b"\7x")},
    ):
        try:
            yield f"{sorted(wrong)}: {len(b''.join(unpack(Member(**{**given, **wrong}))))}"
        except DamagedArchiveError as damaged:
            yield f"{sorted(wrong)}: {damaged}"
