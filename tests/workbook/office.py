"""What LibreOffice makes of a workbook, for tests: every formula calculated anew."""

from __future__ import annotations

import csv
import re
import zipfile
from pathlib import Path

from tests.workbook.running import the_office

# Filters by kind of file, with options. CSV: separator, quote, UTF-8, from line 1, all sheets (LibreOffice help,
# "Filter Options for CSV").
_FILTERS = {
    "csv": ("Text - txt - csv (StarCalc)", "44,34,76,1,,0,false,false,false,false,false,-1"),
    "pdf": ("calc_pdf_Export", ""),
    "xlsx": ("Calc MS Excel 2007 XML", ""),
}


_PRINTED = re.compile(rb'<definedName [^>]*name="_xlnm.Print_Titles".*?</definedName>', re.DOTALL)


def unprinted(path: Path, folder: Path) -> Path:
    """A copy of a workbook in `folder`, without the rows that repeat in print: for their sake LibreOffice lays out
    every sheet of a file that it opens, which takes it longer than all else.
    """
    copy = folder / path.name
    with zipfile.ZipFile(path) as whole, zipfile.ZipFile(copy, "w") as kept:
        for part in whole.namelist():
            content = whole.read(part)
            kept.writestr(part, _PRINTED.sub(b"", content) if part == "xl/workbook.xml" else content)
    return copy


def convert(path: Path, kind: str, folder: Path) -> list[Path]:
    """Open the workbook, calculate it, and save it as another kind of file into `folder`."""
    out = folder / f"as-{kind}"
    out.mkdir(parents=True, exist_ok=True)
    the_office().hand.convert(str(path), *_FILTERS[kind], str(out / f"{path.stem}.{kind}"))
    return sorted(out.glob(f"*.{kind}"))


def sheets_as_calculated(path: Path, folder: Path) -> dict[str, list[list[str]]]:
    """Every sheet's cells as text, as LibreOffice calculates them."""
    found, copies = {}, folder / "unprinted"
    copies.mkdir(exist_ok=True)
    for file in convert(unprinted(path, copies), "csv", folder):
        with file.open(encoding="utf-8", newline="") as lines:
            found[file.stem.removeprefix(f"{path.stem}-")] = list(csv.reader(lines))
    return found
