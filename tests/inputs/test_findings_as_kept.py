"""No finding of a wrong cell changes unnoticed: a value stands in the same column of every sheet at once, and what is
said is kept by sheet (`python -m tests.inputs.test_findings_as_kept` keeps it anew; read what changes before).
"""

from __future__ import annotations

import csv
import hashlib
from pathlib import Path

import pytest

from tests.form import every
from tests.inputs.planted import findings_in_all, frames

pytestmark = pytest.mark.slow

KEPT = Path(__file__).with_name("findings_as_kept.csv")
VALUES = ("-7.5", "x", "", "2031-03-01")
COLUMNS = ("value", "column", "sheet", "findings", "words")
Line = tuple[str, ...]


def said(value: str) -> list[Line]:
    """One line per column and sheet spoken of: how many findings, and a digest of their words."""
    widths = {title: frame.shape[1] for title, frame in frames().items()}
    lines = []
    for column in range(max(widths.values())):
        letter = chr(ord("A") + column)
        cells = {f"{title}!{letter}2": value for title, width in widths.items() if column < width}
        by_sheet: dict[str, list[str]] = {}
        for finding in findings_in_all(cells):
            by_sheet.setdefault(finding.place.partition("!")[0], []).append(f"{finding.severity} {finding}")
        for sheet, texts in sorted(by_sheet.items()):
            digest = hashlib.sha256("\n".join(sorted(texts)).encode()).hexdigest()[:12]
            lines.append((value, letter, sheet, str(len(texts)), digest))
    return lines


@pytest.mark.parametrize("value", every(2, VALUES))
def test_what_is_said_of_a_wrong_cell_is_as_kept(value: str) -> None:
    with KEPT.open(encoding="utf-8", newline="") as file:
        kept = [tuple(line) for line in csv.reader(file) if line[0] == value]
    assert said(value) == kept


if __name__ == "__main__":
    with KEPT.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows([COLUMNS, *(line for value in VALUES for line in said(value))])
