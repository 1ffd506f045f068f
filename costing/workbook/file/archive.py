"""The records of a zip archive: compressed members kept as they are, and written again.

Rule: a member is its compressed bytes. What nobody changed is copied in that form, never unpacked and
packed again, so it is the same byte for byte. Records follow the PKWARE application note (.ZIP File Format
Specification 6.3.10), sections 4.3.7, 4.3.12 and 4.3.16.

Conventions: new members carry the earliest date a zip can hold, so that equal input gives equal bytes.
Sizes stand in the header of each member; nothing is large enough for 64-bit sizes.

What it does not do: it knows nothing of workbooks, and it reads no archive of more than four gigabytes.
"""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

STORED, DEFLATED = zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED
MB = 1024 * 1024
_FEED = 64 * 1024
_EARLIEST = (1 << 5 | 1) << 16  # 1980-01-01 00:00 as a zip's date and time
_LOCAL = struct.Struct("<4s5H3I2H")
_CENTRAL = struct.Struct("<4s6H3I5H2I")
_END = struct.Struct("<4s4H2IH")
_UTF8_NAME, _SIZES_AFTER = 0x800, 0x8


class DamagedArchiveError(Exception):
    """The zip's own records contradict each other; the message says how, without the file's name."""


@dataclass(frozen=True, slots=True)
class Member:
    """One member of the zip: its compressed bytes and what its two zip records say."""

    name: str
    packed: memoryview = field(repr=False)
    method: int
    crc: int
    size: int
    flags: int = 0
    stamp: int = _EARLIEST
    made_by: int = 20
    needed: int = 20
    internal_bits: int = 0
    external_bits: int = 0
    extra: bytes = b""
    comment: bytes = b""


@dataclass(frozen=True, slots=True)
class Directory:
    """What the archive says that it holds, before anything of it is unpacked."""

    entries: list[zipfile.ZipInfo]
    comment: bytes
    start: int


def read_directory(content: bytes) -> Directory:
    """List the members by the central directory. DamagedArchiveError where there is none or it is cut off."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            return Directory(archive.infolist(), archive.comment, archive.start_dir)
    except (zipfile.BadZipFile, NotImplementedError, struct.error, ValueError, OverflowError) as fault:
        raise DamagedArchiveError(str(fault)) from fault


def read_members(content: bytes, directory: Directory) -> dict[str, Member]:
    """Members in the order of the directory, each with a view of its compressed bytes.

    DamagedArchiveError where two share a byte (the overlapping kind of zip bomb) or one runs past the end.
    """
    view, members, end = memoryview(content), {}, 0
    for entry in sorted(directory.entries, key=lambda entry: entry.header_offset):
        start = entry.header_offset
        if start < end or start + _LOCAL.size > directory.start or content[start : start + 4] != b"PK\3\4":
            msg = "its parts overlap or are not where its directory says"
            raise DamagedArchiveError(msg)
        name_length, extra_length = _LOCAL.unpack_from(content, start)[-2:]
        first = start + _LOCAL.size + name_length + extra_length
        end = first + entry.compress_size
        if end > directory.start:
            msg = "a part runs past its end"
            raise DamagedArchiveError(msg)
        members[entry.orig_filename] = _member(entry, view[first:end])
    return {entry.orig_filename: members[entry.orig_filename] for entry in directory.entries}


def _member(entry: zipfile.ZipInfo, packed: memoryview) -> Member:
    year, month, day, hour, minute, second = entry.date_time
    date = max(year - 1980, 0) << 9 | month << 5 | day
    return Member(
        name=entry.orig_filename,
        packed=packed,
        method=entry.compress_type,
        crc=entry.CRC,
        size=entry.file_size,
        flags=entry.flag_bits,
        stamp=date << 16 | hour << 11 | minute << 5 | second // 2,
        made_by=entry.create_system << 8 | entry.create_version,
        needed=min(entry.extract_version, 20),
        internal_bits=entry.internal_attr,
        external_bits=entry.external_attr,
        extra=_without_long_sizes(entry.extra),
        comment=entry.comment,
    )


def _without_long_sizes(extra: bytes) -> bytes:
    """Extra field less its 64-bit sizes: those in the header hold, and a reader would trust these instead."""
    kept = b""
    while len(extra) >= 4:
        tag, length = struct.unpack_from("<HH", extra)
        kept += extra[: 4 + length] if tag != 1 else b""
        extra = extra[4 + length :]
    return kept


def unpack(member: Member) -> Iterator[bytes]:
    """Content in chunks, never more than the directory says.

    DamagedArchiveError, after the last chunk, where size or checksum differ.
    """
    left, crc = member.size, 0
    try:
        for chunk in _inflated(member):
            piece = chunk[:left]
            left -= len(piece)
            crc = zlib.crc32(piece, crc)
            yield piece
            if left == 0:
                break
    except zlib.error as fault:
        raise DamagedArchiveError(str(fault)) from fault
    if left or crc != member.crc:
        msg = "its size or checksum is wrong"
        raise DamagedArchiveError(msg)


def _inflated(member: Member) -> Iterator[bytes]:
    loose = zlib.decompressobj(-zlib.MAX_WBITS)
    for begin in range(0, len(member.packed), _FEED):
        feed = bytes(member.packed[begin : begin + _FEED])
        if member.method == STORED:
            yield feed
            continue
        chunk = loose.decompress(feed, MB)
        # A full chunk may leave more inside, with or without input left over.
        while chunk:
            yield chunk
            chunk = loose.decompress(loose.unconsumed_tail, MB)


def pack(name: str, content: bytes) -> Member:
    """Compress content into a new member."""
    # Large sheets are regular enough that a low level costs little size and saves most of the time.
    squeeze = zlib.compressobj(2 if len(content) > 4 * MB else 6, zlib.DEFLATED, -zlib.MAX_WBITS)
    packed = squeeze.compress(content) + squeeze.flush()
    flags = 0 if name.isascii() else _UTF8_NAME
    return Member(name, memoryview(packed), DEFLATED, zlib.crc32(content), len(content), flags)


def write_archive(members: Iterable[Member], comment: bytes) -> bytes:
    """Return the zip that holds `members` in this order."""
    body, directory, count = bytearray(), bytearray(), 0
    for member in members:
        name = member.name.encode("utf-8" if member.flags & _UTF8_NAME else "cp437")
        time, date = member.stamp & 0xFFFF, member.stamp >> 16
        common = (
            *(member.needed, member.flags & ~_SIZES_AFTER, member.method, time, date),
            *(member.crc, len(member.packed), member.size, len(name), len(member.extra)),
        )
        places = (len(member.comment), 0, member.internal_bits, member.external_bits, len(body))
        directory += _CENTRAL.pack(b"PK\1\2", member.made_by, *common, *places)
        directory += name + member.extra + member.comment
        body += _LOCAL.pack(b"PK\3\4", *common)
        body += name + member.extra
        body += member.packed
        count += 1
    end = _END.pack(b"PK\5\6", 0, 0, count, count, len(directory), len(body), len(comment))
    return bytes(body + directory + end + comment)
