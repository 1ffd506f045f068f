"""Opening a workbook's zip with guards and rebuilding it without loss."""

from __future__ import annotations

import dataclasses
import hashlib
import io
import random
import struct
import zipfile
import zlib
from pathlib import Path

import pytest

from costing.errors import WorkbookError
from costing.workbook.file import package
from costing.workbook.file.archive import STORED, DamagedArchiveError, Member, _without_long_sizes, pack, unpack
from costing.workbook.file.package import (
    SizeLimits,
    changed_parts,
    open_package,
    parse_xml,
    read_package,
    rebuild,
    serialize_xml,
)
from tests.workbook.hostile import hostile_files, minimal_workbook
from tests.workbook.scratch import parts_of, zip_of
from tests.workbook.torture import torture_workbook

HOSTILE = hostile_files()


def compressed(content: bytes) -> dict[str, tuple[int, bytes]]:
    """Method and compressed bytes of every member, by way of the standard library's own directory reading."""
    found = {}
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        for info in archive.infolist():
            lengths = struct.unpack_from("<2H", content, info.header_offset + 26)
            first = info.header_offset + 30 + sum(lengths)
            found[info.filename] = info.compress_type, content[first : first + info.compress_size]
    return found


@pytest.mark.parametrize("fault", sorted(HOSTILE))
def test_hostile_file_is_refused_with_one_line(fault: str, tmp_path: Path) -> None:
    content, word = HOSTILE[fault]
    path = tmp_path / "estate.xlsx"
    path.write_bytes(content)
    with pytest.raises(WorkbookError) as refused:
        open_package(path)
    message = str(refused.value)
    assert word in message
    assert message.isprintable(), "one line, no control characters"
    assert len(message) <= 500
    assert message.endswith("."), "the remedy closes the line"
    assert path.read_bytes() == content
    assert [entry.name for entry in tmp_path.iterdir()] == ["estate.xlsx"]


def test_the_smallest_workbook_is_accepted_so_each_refusal_above_is_due_to_its_fault() -> None:
    assert list(read_package(zip_of(minimal_workbook()), "a.xlsx").members) == list(minimal_workbook())


def test_a_part_is_written_as_the_format_wants_it() -> None:
    """ECMA-376 part 2, 5th edition, section 8 (from memory): XML 1.0 in UTF-8; it leans on no other document."""
    part = parse_xml(b"<a>\xc3\xa9</a>", "a.xml")
    assert serialize_xml(part).splitlines()[0] == b"<?xml version='1.0' encoding='UTF-8' standalone='yes'?>"
    assert serialize_xml(part).splitlines()[1] == b"<a>\xc3\xa9</a>"


def test_missing_file_folder_and_large_file_are_refused(tmp_path: Path) -> None:
    with pytest.raises(WorkbookError, match=r"none\.xlsx: it can't be read"):
        open_package(tmp_path / "none.xlsx")
    with pytest.raises(WorkbookError, match="it is no file"):
        open_package(tmp_path)
    path = tmp_path / "large.xlsx"
    path.write_bytes(zip_of(minimal_workbook()))
    with pytest.raises(WorkbookError, match="larger than 0 MB"):
        open_package(path, SizeLimits(file_bytes=100))


@pytest.mark.parametrize(
    ("limits", "word"),
    [
        (SizeLimits(total_bytes=1_000), "it unpacks to"),
        (SizeLimits(member_bytes=300), "unpacks to"),
        (SizeLimits(members=4), "holds 5 parts"),
        (SizeLimits(ratio=1.1, ratio_from_bytes=100), "unpacks to"),
    ],
)
def test_each_limit_is_read(limits: SizeLimits, word: str) -> None:
    with pytest.raises(WorkbookError, match=word):
        read_package(zip_of(minimal_workbook()), "a.xlsx", limits)


def test_what_is_just_as_large_as_a_limit_is_read() -> None:
    parts = minimal_workbook()
    sizes = [len(part) for part in parts.values()]
    exact = SizeLimits(len(zip_of(parts)), len(parts), max(sizes), sum(sizes), 1.1, max(sizes))
    assert list(read_package(zip_of(parts), "a.xlsx", exact).members) == list(parts)


def test_a_part_that_is_packed_just_as_densely_as_a_limit_is_read() -> None:
    parts = minimal_workbook()
    as_it_is = zip_of(parts, stored=tuple(parts))
    assert list(read_package(as_it_is, "a.xlsx", SizeLimits(ratio=1.0, ratio_from_bytes=0)).members) == list(parts)


def test_an_index_as_large_as_it_may_be_is_read_and_a_larger_one_is_not(monkeypatch: pytest.MonkeyPatch) -> None:
    index = b"<a><b/></a>"
    monkeypatch.setattr(package, "_MOST_XML_BYTES", len(index))
    assert len(package.parse_xml(index, "xl/a.xml")) == 1
    with pytest.raises(WorkbookError, match="is larger than"):
        package.parse_xml(index + b" ", "xl/a.xml")


@pytest.mark.parametrize("lacking", ["[Content_Types].xml", "_rels/.rels"])
def test_a_zip_without_one_of_the_two_parts_that_every_workbook_has_is_refused(lacking: str) -> None:
    parts = {name: part for name, part in minimal_workbook().items() if name != lacking}
    with pytest.raises(WorkbookError, match="it is a zip file but not an Excel workbook"):
        read_package(zip_of(parts), "a.xlsx")


def test_what_programs_do_write_is_accepted() -> None:
    svg = b'<?xml version="1.0"?><!DOCTYPE svg PUBLIC "-//W3C//DTD SVG 1.1//EN" "svg11.dtd"><svg/>'
    parts = minimal_workbook() | {"xl/media/image1.svg": svg, "xl/": b"", "xl/empty.xml": b""}
    parts["customXml/item1.xml"] = '<?xml version="1.0" encoding="utf-16"?><own/>'.encode("utf-16")
    parts["xl/médaille.bin"] = b"\0\1"
    package = read_package(zip_of(parts), "a.xlsx")
    assert package.part("xl/media/image1.svg") == svg
    assert parts_of(rebuild(package, {})) == parts


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be"])
def test_a_sheet_in_utf_16_is_refused(encoding: str) -> None:
    """It was read as an empty sheet."""
    parts = minimal_workbook()
    name = next(name for name in parts if "sheet" in name)
    parts[name] = parts[name].decode().encode(encoding)
    with pytest.raises(WorkbookError, match="is in UTF-16"):
        read_package(zip_of(parts), "a.xlsx")


def test_parts_are_what_the_standard_library_reads() -> None:
    content = torture_workbook()
    package = read_package(content, "a.xlsm")
    assert {name: package.part(name) for name in package.members} == parts_of(content)
    assert package.sha256 == hashlib.sha256(content).hexdigest()


def test_nothing_changed_keeps_every_compressed_byte_and_all_that_the_directory_says() -> None:
    content = torture_workbook()
    again = rebuild(read_package(content, "a.xlsm"), {})
    assert compressed(again) == compressed(content)
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(io.BytesIO(again)) as new:
        assert new.testzip() is None
        assert new.comment == old.comment == b"made for a test"
        assert any(info.compress_type == zipfile.ZIP_STORED for info in new.infolist())
        for before, after in zip(old.infolist(), new.infolist(), strict=True):
            for said in (
                "filename",
                "date_time",
                "external_attr",
                "create_system",
                "CRC",
                "file_size",
                "extra",
            ):
                assert getattr(before, said) == getattr(after, said), said


def test_only_the_changed_part_is_packed_anew_and_equal_content_stays_packed_as_it_was() -> None:
    content = torture_workbook()
    package = read_package(content, "a.xlsm")
    same = package.part("xl/workbook.xml")
    result = rebuild(
        package,
        {"xl/workbook.xml": same, "xl/styles.xml": b"<a/>", "xl/new.xml": b"<b/>"},
        {"xl/calcChain.xml"},
    )
    after = read_package(result, "a.xlsm")
    assert changed_parts(package, after) == {"xl/styles.xml", "xl/new.xml", "xl/calcChain.xml"}
    assert list(after.members)[-1] == "xl/new.xml"
    kept = [name for name in package.members if name != "xl/calcChain.xml"]
    assert list(after.members)[:-1] == kept, "the order of the zip stays"


def test_a_part_packed_differently_counts_as_changed() -> None:
    parts = minimal_workbook()
    before = read_package(zip_of(parts), "a.xlsx")
    after = read_package(zip_of(parts, stored=("xl/sheet.xml",)), "a.xlsx")
    assert changed_parts(before, after) == {"xl/sheet.xml"}
    sheet = before.members["xl/sheet.xml"]
    squeeze = zlib.compressobj(1, zlib.DEFLATED, -zlib.MAX_WBITS)
    squeezed = memoryview(squeeze.compress(before.part("xl/sheet.xml")) + squeeze.flush(zlib.Z_SYNC_FLUSH))
    less = read_package(rebuild(before, {"xl/sheet.xml": dataclasses.replace(sheet, packed=squeezed)}), "a.xlsx")
    assert (less.part("xl/sheet.xml"), changed_parts(before, less)) == (before.part("xl/sheet.xml"), {"xl/sheet.xml"})


def test_sizes_after_the_content_and_64_bit_sizes_are_read_and_not_written() -> None:
    class Pipe(io.RawIOBase):
        """A stream that can't go back, so that sizes follow the content (bit 3 of the flags)."""

        def __init__(self) -> None:
            self.taken = bytearray()

        def writable(self) -> bool:
            return True

        def write(self, chunk: bytes) -> int:  # type: ignore[override]
            self.taken += chunk
            return len(chunk)

    pipe = Pipe()
    with zipfile.ZipFile(pipe, "w", zipfile.ZIP_DEFLATED) as archive:  # type: ignore[call-overload]
        for name, content in minimal_workbook().items():
            with archive.open(name, "w", force_zip64=True) as member:
                member.write(content)
    package = read_package(bytes(pipe.taken), "a.xlsx")
    again = rebuild(package, {})
    assert parts_of(again) == minimal_workbook()
    assert compressed(again) == compressed(bytes(pipe.taken))
    with zipfile.ZipFile(io.BytesIO(again)) as archive:
        assert all(info.flag_bits & 8 == 0 and info.extra == b"" for info in archive.infolist())


@pytest.mark.parametrize("size", [0, 1, 65_535, 65_536, 65_537, 1_048_576, 1_048_577, 3_000_000])
@pytest.mark.parametrize("kind", ["zeros", "noise", "mixed"])
def test_pack_and_unpack_are_inverse_at_the_edges_of_chunks(size: int, kind: str) -> None:
    noise = random.Random(size).randbytes(size)
    content = {"zeros": bytes(size), "noise": noise, "mixed": (bytes(size // 2) + noise)[:size]}[kind]
    assert b"".join(unpack(pack("a", content))) == content
    deflated = pack("a", content)
    stored = Member("a", memoryview(content), STORED, deflated.crc, size)
    assert b"".join(unpack(stored)) == content


@pytest.mark.parametrize("wrong", ["size", "crc", "content"])
def test_unpack_never_gives_more_than_announced_and_says_what_is_wrong(wrong: str) -> None:
    good = pack("a", bytes(100_000))
    bad = {
        "size": Member("a", good.packed, good.method, good.crc, 99_000),
        "crc": Member("a", good.packed, good.method, good.crc ^ 1, good.size),
        "content": Member("a", memoryview(bytes(good.packed)[:20]), good.method, good.crc, good.size),
    }[wrong]
    taken: list[bytes] = []
    with pytest.raises(DamagedArchiveError):
        taken.extend(unpack(bad))
    assert sum(map(len, taken)) <= bad.size


def test_sizes_of_64_bits_are_taken_out_of_what_else_is_said_of_a_part() -> None:
    sizes, moment, other = (
        struct.pack("<HH", tag, length) + bytes(length) for tag, length in ((1, 16), (0x5455, 5), (9, 0))
    )
    assert _without_long_sizes(moment + sizes + other) == moment + other
    assert _without_long_sizes(sizes) == b""
    assert _without_long_sizes(moment + b"\1\0\0") == moment
