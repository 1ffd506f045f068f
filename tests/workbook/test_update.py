"""What counts as input when results are written: every sheet that is read, however its title is spelt."""

from __future__ import annotations

import io
import zipfile
from functools import cache

import pandas as pd
import pytest
from openpyxl import load_workbook

from costing.inputs.fingerprint import fingerprint
from costing.workbook.blank.blank import blank_bytes
from costing.workbook.read import read_workbook

pytestmark = pytest.mark.slow

COSTS = {"Date incurred": ["2024-09-15"], "Lot": ["V12"], "Element": ["labour"]}


@cache
def one_cost(amount: float) -> bytes:
    return blank_bytes({"Settings": pd.DataFrame(), "Costs": pd.DataFrame(COSTS | {"Amount": [amount]})}, names=())


def workbook(title: str, amount: float) -> bytes:
    """A workbook with one cost, its sheet renamed."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(one_cost(amount))) as old, zipfile.ZipFile(buffer, "w") as new:
        for name in old.namelist():
            part = old.read(name)
            if name == "xl/workbook.xml":
                part = part.replace(b'<sheet name="Costs"', f'<sheet name="{title}"'.encode())
            new.writestr(name, part)
    return buffer.getvalue()


@pytest.mark.parametrize("title", ["Costs", "costs", "COSTS 2024", "Costs  2024"])
def test_a_change_on_a_sheet_that_is_read_changes_the_fingerprint(title: str) -> None:
    one, other = (read_workbook(workbook(title, amount)) for amount in (4000.0, 4001.0))
    assert fingerprint(one) != fingerprint(other)


def test_another_text_in_a_cell_changes_the_fingerprint() -> None:
    one, other = (
        read_workbook(blank_bytes({"Costs": pd.DataFrame(COSTS | {"Element": [element]})}, names=()))
        for element in ("labour", "energy")
    )
    assert fingerprint(one) != fingerprint(other)


def test_a_sheet_that_is_not_read_does_not_count() -> None:
    one, other = (read_workbook(workbook("My costs", amount)) for amount in (4000.0, 4001.0))
    assert fingerprint(one) == fingerprint(other)


def test_saved_by_another_program_with_another_cell_selected_the_fingerprint_is_the_same() -> None:
    content = workbook("Costs", 4000.0)
    book = load_workbook(io.BytesIO(content))
    book["Costs"].sheet_view.selection[0].sqref = book["Costs"].sheet_view.selection[0].activeCell = "D9"
    book["Costs"]["A2"].number_format = "dd.mm.yyyy"
    saved = io.BytesIO()
    book.save(saved)
    assert saved.getvalue() != content
    assert fingerprint(read_workbook(saved.getvalue())) == fingerprint(read_workbook(content))


def test_rows_that_moved_have_another_fingerprint_since_results_name_their_places() -> None:
    content = workbook("Costs", 4000.0)
    book = load_workbook(io.BytesIO(content))
    book["Costs"].move_range("A2:Z2", rows=1)
    saved = io.BytesIO()
    book.save(saved)
    assert fingerprint(read_workbook(saved.getvalue())) != fingerprint(read_workbook(content))
