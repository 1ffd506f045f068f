"""What counts as input when results are written: every sheet that is read, however its title is spelt."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import pandas as pd
import pytest

from costing.workbook.blank import blank_bytes
from costing.workbook.package import read_package
from costing.workbook.update import fingerprint

COSTS = {"Date incurred": ["2024-09-15"], "Lot": ["V12"], "Element": ["labour"]}


def workbook(title: str, amount: float) -> bytes:
    """A workbook with one cost, its sheet renamed."""
    content = blank_bytes({"Settings": pd.DataFrame(), "Costs": pd.DataFrame(COSTS | {"Amount": [amount]})})
    buffer = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(buffer, "w") as new:
        for name in old.namelist():
            part = old.read(name)
            if name == "xl/workbook.xml":
                part = part.replace(b'<sheet name="Costs"', f'<sheet name="{title}"'.encode())
            new.writestr(name, part)
    return buffer.getvalue()


@pytest.mark.parametrize("title", ["Costs", "costs", "COSTS 2024", "Costs  2024"])
def test_a_change_on_a_sheet_that_is_read_changes_the_fingerprint(title: str) -> None:
    one, other = (read_package(workbook(title, amount), Path("estate.xlsx")) for amount in (4000.0, 4001.0))
    assert fingerprint(one) != fingerprint(other)


def test_another_text_in_a_cell_changes_the_fingerprint() -> None:
    one, other = (
        read_package(blank_bytes({"Costs": pd.DataFrame(COSTS | {"Element": [element]})}), Path("estate.xlsx"))
        for element in ("labour", "energy")
    )
    assert fingerprint(one) != fingerprint(other)


def test_a_sheet_that_is_not_read_does_not_count() -> None:
    one, other = (read_package(workbook("My costs", amount), Path("estate.xlsx")) for amount in (4000.0, 4001.0))
    assert fingerprint(one) == fingerprint(other)
