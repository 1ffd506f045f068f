"""Fingerprint of the inputs: equal values read, in the same places, give equal fingerprints.

Rule: for every sheet of inputs, column by column under the schema, what its cells hold once read (numbers,
days, tidied texts, TRUE/FALSE, and which numbers are shown as percentages) and the rows they stand in; and
every error met while reading. Which program saved the file, what is selected, how cells look, the order of
sheets and columns and the user's own columns do not count.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator

import numpy as np

from costing.errors import errors_in
from costing.inputs.cells import Cells, tidy
from costing.inputs.headers import read_as, read_headers
from costing.inputs.raw import RawTable
from costing.inputs.schema import sheets

_DIGITS = 10


def fingerprint(tables: Iterable[RawTable]) -> str:
    """First digits of a hash over all that is read from these sheets, from a file or from an open workbook."""
    whole = hashlib.sha256()
    for table in sorted(tables, key=lambda table_read: table_read.sheet):
        name, rule, _ = read_as(table)
        for finding in errors_in(table.findings):
            whole.update(repr((finding.place, finding.value)).encode("utf-8", "replace"))
        if rule or (name and sheets()[name].owner == "user"):
            whole.update(repr(tidy(table.sheet)).encode("utf-8", "replace"))
        if name and not rule and sheets()[name].owner == "user":
            for part in _parts(name, table):
                whole.update(part)
    return whole.hexdigest()[:_DIGITS]


def _parts(name: str, table: RawTable) -> Iterator[bytes]:
    headers = [str(header) for header in table.frame.columns]
    headings = read_headers(sheets()[name], headers)
    known = {
        heading.column.name: (position, heading.factor) for position, heading in enumerate(headings) if heading.column
    }
    if table.linked:
        known = {key: (place, table.linked.factors.get(headers[place], 1.0)) for key, (place, _) in known.items()}
        yield repr((name, sorted(table.linked.fixed.items()))).encode("utf-8", "replace")
    columns = {key: table.cells(position) for key, (position, _) in known.items()}
    filled = np.zeros(len(table.frame), dtype=bool)
    for cells in columns.values():
        filled |= cells.filled()
    rows = np.flatnonzero(filled)
    yield np.asarray(table.row_numbers, dtype=np.int64)[rows].tobytes()
    for key in sorted(columns):
        position, factor = known[key]
        header = table.frame.columns[position]
        yield repr((key, factor, table.letters.get(header, ""))).encode()
        cells = columns[key].take(rows)
        yield from _cells(cells)
        shown_as_percent = table.percent_formatted.get(header)
        if shown_as_percent is not None and cells.numbers is not None:
            yield b"%" + np.flatnonzero(np.asarray(shown_as_percent)[rows] & ~np.isnan(cells.numbers)).tobytes()


def _cells(cells: Cells) -> Iterator[bytes]:
    """Each sort of value that a column holds, under its own sign; a sort that no cell is of says nothing."""
    if cells.numbers is not None and (known := ~np.isnan(cells.numbers)).any():
        yield b"n" + known.tobytes() + (np.where(known, cells.numbers, 0.0) + 0.0).tobytes()
    if cells.dates is not None and (known := ~np.isnat(cells.dates)).any():
        days = np.where(known, cells.dates, np.datetime64(0, "s")).astype("datetime64[D]")
        yield b"d" + known.tobytes() + days.astype(np.int64).tobytes()
    if cells.codes is not None and (cells.codes >= 0).any():
        used, codes = np.unique(cells.codes, return_inverse=True)
        yield b"t" + repr([cells.texts[code] if code >= 0 else "" for code in used.tolist()]).encode("utf-8", "replace")
        yield codes.astype(np.int64).tobytes()
    if cells.flags is not None and cells.truths is not None and cells.flags.any():
        yield b"f" + cells.flags.tobytes() + (cells.truths & cells.flags).tobytes()
