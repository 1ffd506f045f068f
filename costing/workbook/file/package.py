"""A workbook's package: opened once with guards, rebuilt without loss.

Rule: every part that is not replaced keeps its compressed bytes, whatever the number of runs. Part names,
content types and relations follow ECMA-376 part 2 (Open Packaging Conventions).

Conventions: a file is read once, its SHA-256 is kept, and everything else is done on those bytes. A refusal
is one line of `WorkbookError`: file, what is wrong, what to do. Limits are sizes that no workbook of an
estate comes near.

What it does not do: it looks into no sheet and judges no cell. SVG pictures may carry a document type
(drawing programs write one); nothing here ever parses them.
"""

from __future__ import annotations

import hashlib
import re
import stat
import zipfile
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

from lxml import etree

from costing.errors import WorkbookError
from costing.once import Once
from costing.workbook.file.archive import (
    DEFLATED,
    MB,
    STORED,
    DamagedArchiveError,
    Member,
    pack,
    read_directory,
    read_members,
    unpack,
    write_archive,
)

TYPES_PART = "[Content_Types].xml"
_PROLOG_BYTES = 64 * 1024
_MOST_XML_BYTES = 64 * MB
_CFB = bytes.fromhex("d0cf11e0a1b11ae1")
_SAVE_AGAIN = "Open it in a spreadsheet program and save it as .xlsx."
_RESTORE = "Restore a back-up, or fetch the file again."
# Encodings in which `<!DOCTYPE` shows as these ASCII characters, or as UTF-16 with its mark.
_READABLE = {"utf-8", "utf8", "utf-16", "us-ascii", "ascii", "iso-8859-1", "iso-8859-15", "windows-1252"}
_WIDE_BEGINNINGS = (b"\xff\xfe", b"\xfe\xff", b"<\0", b"\0<")  # UTF-16, with its mark or without
_SHEET_NAMESPACE = "/spreadsheetml/"
_BINARY = "application/vnd.ms-excel.sheet.binary"
_WORKBOOK = re.compile(
    r"application/vnd\.(openxmlformats-officedocument\.spreadsheetml|ms-excel)\.\w+(\.macroEnabled)?\.main\+xml"
)


@dataclass(frozen=True, slots=True)
class SizeLimits:
    """What a workbook may hold before it is refused as a danger to memory; ratio is unpacked : packed."""

    file_bytes: int = 256 * MB
    members: int = 10_000
    member_bytes: int = 512 * MB
    total_bytes: int = 1024 * MB
    ratio: float = 200.0
    ratio_from_bytes: int = 16 * MB


SIZE_LIMITS = SizeLimits()


@dataclass(frozen=True)
class Package(Once):
    """A workbook's zip as it was read: path, SHA-256 of the file, members by name in the order of the zip."""

    path: Path
    sha256: str
    members: Mapping[str, Member] = field(repr=False)
    comment: bytes = b""

    def part(self, name: str) -> bytes:
        """Unpacked content of one member. KeyError where there is none of that name."""
        return b"".join(unpack(self.members[name]))

    def locate(self, name: str) -> str | None:
        """Return the member's spelling of a part name: names differing in case alone are one (ECMA-376-2)."""
        return self._by_folded.get(name.casefold())

    @cached_property
    def _by_folded(self) -> dict[str, str]:
        return {name.casefold(): name for name in self.members}


def open_package(path: str | Path, limits: SizeLimits = SIZE_LIMITS) -> Package:
    """Read a workbook (.xlsx, .xlsm, .xltx, .xltm) once, with every guard.

    Raises WorkbookError, one line, where it is missing, encrypted, binary, signed, damaged, or dangerous.
    """
    path = Path(path)
    try:
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            raise refusal(path, "it is no file.", "Name the workbook (.xlsx or .xlsm) itself.")
        if status.st_size > limits.file_bytes:
            wrong = f"the file is larger than {limits.file_bytes // MB} MB."
            raise refusal(path, wrong, "Remove pictures or old sheets.")
        content = path.read_bytes()
    except OSError as fault:
        wrong = f"it can't be read ({fault.strerror or fault})."
        raise refusal(path, wrong, "Check the name, the folder and the permissions.") from fault
    return read_package(content, path, limits)


def read_package(content: bytes, path: str | Path, limits: SizeLimits = SIZE_LIMITS, *, ours: bool = False) -> Package:
    """As `open_package`, from bytes already in memory; `path` only names the file in messages.

    ours: put together here of parts that were looked at before, so that they are not all unpacked once more.
    """
    path = Path(path)
    if not content.startswith(b"PK"):
        raise _not_a_zip(path, content)
    try:
        directory = read_directory(content)
        if len(directory.entries) > limits.members:
            wrong = f"it holds {len(directory.entries)} parts, more than {limits.members}."
            raise refusal(path, wrong, "It isn't an ordinary workbook; ask where it came from.")
        for entry in directory.entries:
            _check_name(path, entry)
        _check_twins(path, [entry.orig_filename for entry in directory.entries])
        _check_sizes(path, directory.entries, limits)
        members = read_members(content, directory)
    except DamagedArchiveError as fault:
        raise refusal(path, f"the file is damaged or incomplete ({fault}).", _RESTORE) from fault
    for member in () if ours else members.values():
        _check_content(path, member)
    package = Package(path, hashlib.sha256(content).hexdigest(), members, directory.comment)
    _check_kind(package)
    return package


def refusal(path: Path, wrong: str, remedy: str) -> WorkbookError:
    """Build the one-line refusal: file, what is wrong, what to do."""
    return WorkbookError(shown(f"{path.name}: {wrong} {remedy}", 500))


def shown(text: str, length: int = 80) -> str:
    """Return text of unknown origin fit for one line: control characters escaped, long text cut."""
    line = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)
    return line if len(line) <= length else line[: length - 1] + "…"


def parse_xml(content: bytes, part: str) -> etree._Element:
    """Parse an XML part without entities, network or document type.

    Raises WorkbookError where it is malformed, or too large for a part that is not a sheet.
    """
    if len(content) > _MOST_XML_BYTES:
        msg = f"Part {shown(part)} is larger than {_MOST_XML_BYTES // MB} MB. {_SAVE_AGAIN}"
        raise WorkbookError(msg)
    parser = etree.XMLParser(resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False)
    try:
        return etree.fromstring(content, parser)
    except (etree.XMLSyntaxError, ValueError) as fault:
        msg = f"Part {shown(part)} isn't well-formed XML ({shown(str(fault))}). {_SAVE_AGAIN}"
        raise WorkbookError(msg) from fault


def serialize_xml(root: etree._Element) -> bytes:
    """Return the whole document of `root` as UTF-8, with what stands beside the root element."""
    return etree.tostring(root.getroottree(), xml_declaration=True, encoding="UTF-8", standalone=True)


def rebuild(package: Package, changed: Mapping[str, Member | bytes], removed: Collection[str] = ()) -> bytes:
    """Return the zip again, all other parts as they were.

    `changed` parts stand in their old place or at the end; `removed` ones are left out. A part
    given as bytes equal to its old content stays in its old compressed form.
    """
    kept = {name: member for name, member in package.members.items() if name not in removed}
    for name, new in changed.items():
        if isinstance(new, Member):
            kept[name] = new
        elif name not in kept or package.part(name) != new:
            kept[name] = pack(name, new)
    return write_archive(kept.values(), package.comment)


def changed_parts(before: Package, after: Package) -> set[str]:
    """Names of the parts that were added, removed, or differ in even one compressed byte."""
    names = set(before.members) | set(after.members)
    return {name for name in names if not _same(before.members.get(name), after.members.get(name))}


def _same(before: Member | None, after: Member | None) -> bool:
    if before is None or after is None:
        return False
    return (before.method, before.crc, before.size) == (
        after.method,
        after.crc,
        after.size,
    ) and before.packed == after.packed


def _not_a_zip(path: Path, content: bytes) -> WorkbookError:
    if content.startswith(_CFB):
        if "EncryptedPackage".encode("utf-16-le") in content:
            return refusal(
                path,
                "it is encrypted with a password.",
                "Save it without a password to open, then run again.",
            )
        return refusal(path, "it is a binary workbook of the .xls kind.", "Save it as .xlsx or .xlsm and use that.")
    if not content:
        return refusal(path, "the file is empty.", _RESTORE)
    return refusal(path, "it isn't an Excel workbook (.xlsx or .xlsm).", _SAVE_AGAIN)


def _check_name(path: Path, entry: zipfile.ZipInfo) -> None:
    name = entry.orig_filename
    steps = name.rstrip("/").split("/")
    outside = any(step in ("", ".", "..") for step in steps) or re.match(r"[A-Za-z]:", name)
    if outside or "\\" in name or not name.isprintable() or name != entry.filename:
        wrong = f"the part name '{shown(name)}' is not one that a spreadsheet program writes."
        raise refusal(path, wrong, "Don't open the file; ask where it came from.")
    if entry.flag_bits & 0x41:  # encrypted, plainly or strongly
        raise refusal(path, f"its part '{shown(name)}' is encrypted.", "Take the password off, then run again.")
    if entry.compress_type not in (STORED, DEFLATED):
        raise refusal(path, f"its part '{shown(name)}' is packed in an unusual way.", _SAVE_AGAIN)


def _check_twins(path: Path, names: list[str]) -> None:
    seen: set[str] = set()
    for name in names:
        if name.casefold() in seen:
            raise refusal(path, f"it holds the part '{shown(name)}' twice.", _SAVE_AGAIN)
        seen.add(name.casefold())


def _check_sizes(path: Path, entries: list[zipfile.ZipInfo], limits: SizeLimits) -> None:
    for entry in entries:
        dense = entry.file_size > limits.ratio * entry.compress_size and entry.file_size > limits.ratio_from_bytes
        if dense or entry.file_size > limits.member_bytes:
            wrong = f"its part '{shown(entry.orig_filename)}' unpacks to {entry.file_size // MB} MB."
            raise refusal(path, wrong, "Delete unused rows and columns and save it again.")
    total = sum(entry.file_size for entry in entries)
    if total > limits.total_bytes:
        wrong = f"it unpacks to {total // MB} MB."
        raise refusal(path, wrong, "Delete unused sheets, rows and pictures and save it again.")


def _check_content(path: Path, member: Member) -> None:
    """Whole content against its checksum; no document type in any XML, whatever the part is called."""
    head, part = b"", f"its part '{shown(member.name)}'"
    try:
        for chunk in unpack(member):
            head += chunk[:_PROLOG_BYTES] if len(head) < _PROLOG_BYTES else b""
    except DamagedArchiveError as fault:
        raise refusal(path, f"{part} is damaged ({fault}).", _RESTORE) from fault
    suffix = member.name.rpartition(".")[2].casefold()
    if suffix == "svg" or not head:
        return
    text = _as_text(head)
    if head[:2] in _WIDE_BEGINNINGS and _SHEET_NAMESPACE in text:
        raise refusal(path, f"{part} is in UTF-16, which no spreadsheet program writes.", _SAVE_AGAIN)
    if not text.startswith("<"):
        if suffix in ("xml", "rels"):
            raise refusal(path, f"{part} isn't XML text.", _RESTORE)
        return
    declared = re.match(r"<\?xml[^>]*?encoding\s*=\s*[\"']([^\"']*)", text)
    if declared and declared[1].casefold() not in _READABLE:
        raise refusal(path, f"{part} has the unusual encoding '{shown(declared[1])}'.", _SAVE_AGAIN)
    rest = re.sub(r"\A(?:\s+|<\?.*?\?>|<!--.*?-->)*", "", text, flags=re.DOTALL)
    if rest.startswith(("<!", "<?")):
        wrong = f"{part} declares a document type, which no spreadsheet program writes."
        raise refusal(path, wrong, "Don't open the file; ask where it came from.")


def _as_text(head: bytes) -> str:
    """Beginning of an XML part; wrong bytes become replacement characters: only the markup is looked at."""
    for mark, encoding in (
        (b"\xef\xbb\xbf", "utf-8"),
        (b"\xff\xfe", "utf-16-le"),
        (b"\xfe\xff", "utf-16-be"),
    ):
        if head.startswith(mark):
            return head[len(mark) :].decode(encoding, "replace").lstrip()
    encoding = {b"<\0": "utf-16-le", b"\0<": "utf-16-be"}.get(head[:2], "utf-8")
    return head.decode(encoding, "replace").lstrip()


def _check_kind(package: Package) -> None:
    path = package.path
    if package.locate("mimetype"):
        raise refusal(path, "it is an OpenDocument file.", "Save it as .xlsx and use that.")
    if any(name.casefold().startswith("_xmlsignatures/") for name in package.members):
        wrong = "it is digitally signed, and writing would break the signature."
        raise refusal(path, wrong, "Use a copy without the signature.")
    types = package.locate(TYPES_PART)
    if types is None or package.locate("_rels/.rels") is None:
        raise refusal(path, "it is a zip file but not an Excel workbook.", _SAVE_AGAIN)
    kinds = {str(entry.get("ContentType", "")) for entry in parse_xml(package.part(types), types)}
    if any(kind.startswith(_BINARY) for kind in kinds):
        raise refusal(path, "it is a binary workbook (.xlsb).", "Save it as .xlsx or .xlsm and use that.")
    if not any(_WORKBOOK.fullmatch(kind) for kind in kinds):
        raise refusal(path, "it is an Office file but not a workbook.", "Name the workbook (.xlsx or .xlsm) instead.")
