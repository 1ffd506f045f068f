"""A folder of CSV files -> raw tables: UTF-8, comma or semicolon; row 1 is the header line.

Every cell is text here; numbers and dates are read later under the declared styles.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import pandas as pd

from costing.errors import Finding
from costing.inputs.cells import display
from costing.inputs.headers import sheet_name, sheet_title
from costing.inputs.raw import RawTable, column_letter


def read_csv_files(folder: Path) -> list[RawTable]:
    """Files of the folder that name a sheet or nearly do, in order of name."""
    tables = []
    for path in sorted(folder.iterdir(), key=lambda file: file.name):
        if path.suffix.casefold() != ".csv" or path.is_dir():
            continue
        name, rule, remedy = sheet_name(path.stem)
        if name and not path.is_file():
            rule, remedy = "is a pipe, a device or a broken link, no file.", "Put the CSV file itself in its place."
        if name and not rule:
            tables.append(_read_file(path, sheet_title(path.stem)))
        elif rule:
            tables.append(_empty(path.stem, Finding(path.name, "", rule, remedy)))
    return tables


def _empty(title: str, finding: Finding) -> RawTable:
    return RawTable(title, pd.DataFrame(), np.array([], dtype=np.int64), {}, (finding,))


def _read_file(path: Path, title: str) -> RawTable:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        return _empty(title, Finding(path.name, "", "is not UTF-8 text.", "Save it as 'CSV UTF-8'."))
    lines_above = 0
    if text[:5].casefold() in ("sep=;", "sep=,"):  # a hint that spreadsheet programs write and read
        text, lines_above = text.partition("\n")[2], 1
    if not text.strip():
        return RawTable(title, pd.DataFrame(), np.array([], dtype=np.int64), {})
    first = text.partition("\n")[0]
    separator = ";" if first.count(";") > first.count(",") else ","
    findings: list[Finding] = []
    try:
        cells = _regular(text, separator)
    except (pd.errors.ParserError, pd.errors.EmptyDataError):
        try:
            cells = _ragged(text, separator, title, lines_above, findings)
        except csv.Error as fault:
            rule = f"can't be read as CSV: {fault}."
            return _empty(title, Finding(path.name, "", rule, "Check quotation marks, or save it again as CSV."))
    headers = [str(header) if isinstance(header, str) else "" for header in cells.iloc[0]]
    frame = cells.iloc[1:].reset_index(drop=True).set_axis(headers, axis=1)
    letters: dict[str, str] = {}
    for position, header in enumerate(headers):
        letters.setdefault(header, column_letter(position))
    numbers = np.arange(len(frame)) + 2 + lines_above
    return RawTable(title, frame, numbers, letters, tuple(findings), header_row=1 + lines_above)


def _regular(text: str, separator: str) -> pd.DataFrame:
    return pd.read_csv(
        io.StringIO(text),
        sep=separator,
        header=None,
        dtype=str,
        keep_default_na=False,
        skip_blank_lines=False,
    )


def _ragged(text: str, separator: str, title: str, lines_above: int, findings: list[Finding]) -> pd.DataFrame:
    """Lines longer than the first: what stands beyond the last header is a finding."""
    lines = list(csv.reader(io.StringIO(text), delimiter=separator, strict=True))
    width = max(1, len(lines[0]))
    for row, line in enumerate(lines, start=1 + lines_above):
        beyond = [cell for cell in line[width:] if cell.strip()]
        if beyond:
            place = f"{title}!{column_letter(width)}{row}"
            rule = "stands beyond the last header."
            remedy = f"Put quotation marks around a cell that holds '{separator}', or give its column a header."
            findings.append(Finding(place, display(beyond[0]), rule, remedy))
    padded = [line[:width] + [""] * (width - len(line)) for line in lines]
    return pd.DataFrame(padded, dtype=str)
