"""Year-end sheets: what people read is seen, what only the library reads is hidden and still read."""

from __future__ import annotations

from pathlib import Path

import openpyxl

from costing import read_estate
from costing.cli import main


def test_composition_and_fingerprints_are_hidden_and_still_read(small_book: Path) -> None:
    assert main(["close", str(small_book), "--date", "2025-12-31"]) == 0
    opened = openpyxl.load_workbook(small_book)
    states = {sheet.title: sheet.sheet_state for sheet in opened}
    assert {name: state for name, state in states.items() if name.startswith("Year-end")} == {
        "Year-end stock": "visible",
        "Year-end costs": "visible",
        "Year-end composition": "hidden",
        "Year-end inputs": "hidden",
    }
    assert any("Hidden beside it" in str(row[0].value) for row in opened["Year-end stock"]["A1:A8"])
    estate = read_estate(small_book)
    assert len(estate["yearend_inputs"]) > 10
    assert len(estate["yearend_composition"]) > 10
