"""Rows of long tables, written straight into the sheets of an XlsxWriter workbook.

Rule: the first row of a long table stands in the sheet already, with the format of each column. The
others are set behind it in the same formats, as text of the file format (ECMA-376 part 1, 18.3.1.4 `c`,
18.3.1.73 `row`), column by column.

Conventions: text is inline (`inlineStr`), with characters that XML cannot hold escaped as `_x0001_`
(22.9.2.19, ST_Xstring); blank cells keep their format.

What it does not do: it moves nothing that stands below a long table (the writer leaves the room), and it
knows no formulas.
"""

from __future__ import annotations

import html
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from costing.inputs.raw import column_letter
from costing.workbook.file.package import read_package, rebuild
from costing.workbook.file.sheets import read_book

_BLOCK = 10_000
_ESCAPE = re.compile("_(?=x[0-9A-Fa-f]{4}_)")


@dataclass(frozen=True, slots=True)
class LongTable:
    """Rows that are still to be written: sheet by its index, first row (from 1), cells column by column.

    links: position of a column -> place of each row, None where it has none.
    """

    sheet: int
    first_row: int
    columns: Sequence[Sequence[Any]]
    links: Mapping[int, Sequence[str | None]]


def fill_rows(content: bytes, tables: Sequence[LongTable]) -> bytes:
    """Return the workbook with the rows of its long tables written in."""
    if not tables:
        return content
    package = read_package(content, "results.xlsx", ours=True)
    book = read_book(package)
    changed: dict[str, bytes] = {}
    for index in {table.sheet for table in tables}:
        part = book.sheets[index].part
        changed[part] = with_rows(package.part(part), [table for table in tables if table.sheet == index])
    return rebuild(package, changed)


def with_rows(xml: bytes, tables: Sequence[LongTable]) -> bytes:
    """Return a sheet with the rows of its long tables written in."""
    for table in tables:
        xml = _with_links(_with_rows(xml, table), table)
    return xml


def _with_rows(xml: bytes, table: LongTable) -> bytes:
    row = re.search(rb'<row r="%d"[^>]*>(.*?)</row>' % (table.first_row - 1), xml)
    if row is None:
        msg = f"the first row of a long table is missing in row {table.first_row - 1}"
        raise ValueError(msg)
    styles = re.findall(rb'<c r="[A-Z]+\d+"((?: s="\d+")?)', row[1])
    size = len(table.columns[0])
    # In blocks, since the text of all cells at once takes far more memory than the sheet.
    blocks = [_block(table, styles, start, min(start + _BLOCK, size)) for start in range(0, size, _BLOCK)]
    return b"".join([xml[: row.end()], *blocks, xml[row.end() :]])


def _block(table: LongTable, styles: Sequence[bytes], start: int, stop: int) -> bytes:
    numbers = range(table.first_row + start, table.first_row + stop)
    columns = [
        _cells(column_letter(position), styles[position].decode(), numbers, values[start:stop])
        for position, values in enumerate(table.columns)
    ]
    lines = zip(numbers, *columns, strict=True)
    return "".join([f'<row r="{number}">{"".join(cells)}</row>' for number, *cells in lines]).encode()


def _cells(letter: str, style: str, numbers: range, values: Sequence[Any]) -> list[str]:
    escaped: dict[str, str] = {}
    cells = []
    for number, value in zip(numbers, values, strict=True):
        if value is None:
            cells.append(f'<c r="{letter}{number}"{style}/>')
        elif type(value) is str:
            text = escaped.get(value)
            if text is None:
                space = ' xml:space="preserve"' if value != value.strip() or "\n" in value else ""
                plain = html.escape(_ESCAPE.sub("_x005F_", value), quote=False)
                text = escaped[value] = f"<is><t{space}>{plain}</t></is></c>"
            cells.append(f'<c r="{letter}{number}"{style} t="inlineStr">{text}')
        elif type(value) is bool:
            cells.append(f'<c r="{letter}{number}"{style} t="b"><v>{value:d}</v></c>')
        else:
            cells.append(f'<c r="{letter}{number}"{style}><v>{value!r}</v></c>')
    return cells


def _with_links(xml: bytes, table: LongTable) -> bytes:
    links = "".join(
        f'<hyperlink ref="{letter}{table.first_row + step}" location="{html.escape(place)}"/>'
        for position, places in table.links.items()
        for letter in [column_letter(position)]
        for step, place in enumerate(places)
        if place is not None and table.columns[position][step] is not None
    ).encode()
    if not links:
        return xml
    if b"</hyperlinks>" in xml:
        return xml.replace(b"</hyperlinks>", links + b"</hyperlinks>", 1)
    # The order of a sheet's elements is fixed (18.3.1.99): links stand right before those of the page.
    marks = (b"<printOptions", b"<pageMargins")
    start = min(place for mark in marks if (place := xml.find(mark)) >= 0)
    return xml[:start] + b"<hyperlinks>" + links + b"</hyperlinks>" + xml[start:]
