"""Input and result sheets in LibreOffice and before a validator of Office Open XML.

LibreOffice calculates every formula anew; what it finds must be what was stored. The validator is
openxml-audit, an independent implementation of the schema and semantic rules of Microsoft's Open XML SDK.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from itertools import chain, repeat
from pathlib import Path

import numpy as np
import openxml_audit as audit
import pandas as pd
import pytest
from openpyxl import load_workbook

from costing.answers.charts import CHART_KINDS, Chart
from costing.workbook.blank.blank import blank_bytes, blank_workbook
from costing.workbook.blank.contents import tables_from_csv
from costing.workbook.file.sheets import LISTS_SHEET
from costing.workbook.pages import write
from costing.workbook.pages.result_sheet import ResultSheet, ResultTable, RunStamp
from costing.workbook.pages.write import result_workbook
from tests.form import chosen, every
from tests.workbook.blank.test_blank import EXAMPLE, assert_same, estate_of
from tests.workbook.office import convert, sheets_as_calculated, unprinted
from tests.workbook.pages.test_write import COSTS, FORMATS, SHEET, STALE, STAMP
from tests.workbook.running import Office

pytestmark = pytest.mark.office


@pytest.fixture(scope="module")
def example(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo estate, in the short form one of a row or two on every sheet, as the library lays it out."""
    folder = tmp_path_factory.mktemp("example")
    path = folder / "whole" / "example.xlsx"
    path.parent.mkdir()
    blank_workbook(path, tables_from_csv(EXAMPLE))
    return unprinted(path, folder)


def stored_and_calculated(path: Path, folder: Path) -> list[tuple[str, object, str]]:
    """Every formula's place, its stored value, and LibreOffice's."""
    live, stored = (load_workbook(path, read_only=True, data_only=values) for values in (False, True))
    calculated = sheets_as_calculated(path, folder)
    found = []
    for sheet in live:
        lines = chain(calculated[sheet.title], repeat([]))
        for cells, values, line in zip(
            sheet.iter_rows(), stored[sheet.title].iter_rows(values_only=True), lines, strict=False
        ):
            for cell, value, text in zip(cells, values, chain(line, repeat("")), strict=False):
                if cell.data_type == "f":
                    found.append((f"{sheet.title}!{cell.coordinate}", value, text))
    return found


def assert_agree(found: list[tuple[str, object, str]]) -> None:
    for place, value, text in found:
        if isinstance(value, (int, float)):
            assert float(text) == pytest.approx(value, rel=1e-9, abs=1e-9), place
        else:
            assert text == (value or ""), place


def test_totals_and_the_stale_cell_are_what_was_stored(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(write, "LONG_TABLE", 40)
    rng = np.random.default_rng(5)
    long = pd.DataFrame({"Lot": [f"V{n}" for n in range(200)], "Amount [EUR] #1": rng.normal(1e4, 4e3, 200).round(2)})
    sheets = [
        SHEET,
        ResultSheet("Postings", "Postings", (), (ResultTable("postings", long, total_columns=("Amount [EUR] #1",)),)),
        ResultSheet("Empty", "Empty", (), (ResultTable("nothing", COSTS.head(0), FORMATS, ("Bottles",)),)),
    ]
    path = tmp_path / "results.xlsx"
    path.write_bytes(result_workbook(sheets, STAMP, STALE))
    found = stored_and_calculated(path, tmp_path)
    assert len(found) == 2 + 1 + 1 + 3
    assert_agree(found)


def test_a_total_moves_with_a_line(tmp_path: Path) -> None:
    path = tmp_path / "results.xlsx"
    path.write_bytes(result_workbook([SHEET]))
    book = load_workbook(path)
    sheet = book["Cost per bottle"]
    row = next(row for row in range(1, 20) if sheet.cell(row, 1).value == "Brut")
    sheet.cell(row, 3).value += 88
    changed = tmp_path / "changed.xlsx"
    book.save(changed)
    lines = sheets_as_calculated(changed, tmp_path)["Cost per bottle"]
    assert next(line for line in lines if line[0] == "Total")[2] in ("5600", "5,600")


def test_lists_behind_the_drop_downs_are_what_was_stored(example: Path, tmp_path: Path) -> None:
    found = stored_and_calculated(example, tmp_path)
    assert {place.split("!")[0] for place, _, _ in found} == {LISTS_SHEET}
    assert len(found) > 5_000
    assert_agree(found)
    assert sum(bool(text) and not text.isdigit() for _, _, text in found) > chosen(full=200, short=20)


def test_drop_downs_know_every_name_of_the_estate_and_no_other(example: Path, office: Office) -> None:
    # Column D of Movements: the lot drawn from. Opening stock introduces the first, Movements itself the second.
    opened, made = chosen(full=("R-PERP", "B18-BRUT"), short=("T20", "T20-B"))
    invalid, tried = office.hand.validity(
        str(example), "Movements", 3, 1, ["NOSUCHLOT", opened, made, f"{made.lower()} "]
    )
    assert invalid == chosen(full=[], short=["Recipes"])  # where a row of the short one names no figure that there is
    assert tried == {"NOSUCHLOT": True, opened: False, made: False, f"{made.lower()} ": True}


def test_a_workbook_saved_by_libreoffice_reads_to_the_same_estate(example: Path, tmp_path: Path) -> None:
    (saved,) = convert(example, "xlsx", tmp_path)
    assert saved.read_bytes() != example.read_bytes()
    assert_same(estate_of(saved.read_bytes()), estate_of(example.read_bytes()))


def test_nothing_prints_as_number_signs_and_each_sheet_is_one_page_wide(tmp_path: Path) -> None:
    if shutil.which("pdftotext") is None:
        assert "COSTING_NEED_OFFICE" not in os.environ, "pdftotext is missing (poppler-utils)"
        pytest.skip("pdftotext is not installed (poppler-utils)")
    amounts = [-123456789.125, 0.5, 99_999_999.99]
    frame = pd.DataFrame(
        {"Cuvée": ["Brut", "Rosé", "Prestige"], "Amount": amounts, "On": pd.to_datetime(["2025-12-31"] * 3)}
    )
    formats = {"Amount": "money", "On": "date"}
    charts = tuple(
        Chart(
            kind,
            f"Amount, {kind}",
            "amounts",
            "On" if kind == "scatter" else "Cuvée",
            ("Amount", "Amount"),
            "cuvée",
            "EUR",
        )
        for kind in CHART_KINDS
    )
    sheet = ResultSheet("Amounts", "Amounts", (), (ResultTable("amounts", frame, formats, ("Amount",)),), charts)
    path = tmp_path / "results.xlsx"
    path.write_bytes(result_workbook([sheet], STAMP))
    (pdf,) = convert(path, "pdf", tmp_path)
    text = subprocess.run(
        ["pdftotext", "-layout", str(pdf), "-"], capture_output=True, text=True, timeout=60, check=True
    ).stdout
    assert "###" not in text
    assert "-123,456,789.1" in text
    assert "Amount, waterfall" in text
    # The table is one page wide; its charts stand on its right, as tall as they are.
    (count,) = {int(pages) for pages in re.findall(r"\d+ ?/ ?(\d+)", text)}
    table_pages = [page for page in text.split("\f") if "-123,456,789.1" in page]
    assert len(table_pages) == 1
    assert "99,999,999.9" in table_pages[0]
    assert "2025-12-31" in table_pages[0]
    assert len(re.findall(r"\d+ ?/ ?\d+", text)) == count


@pytest.mark.parametrize("what", every(3, ["empty", "filled", "results", "long results"], 2))
def test_the_validator_finds_no_fault(what: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    if what == "empty":
        content = blank_bytes()
    elif what == "filled":
        content = blank_bytes({"loss_norms": pd.DataFrame({"applies_to": ["racking"], "Norm (%)": [1.5]})})
    else:
        monkeypatch.setattr(write, "LONG_TABLE", 1 if what.startswith("long") else 99)
        chart = Chart("stacked column", "Cost", "cost_per_bottle", "Cuvée", ("Cost (EUR)",), "cuvée", "EUR per bottle")
        sheet = ResultSheet(SHEET.name, SHEET.title, SHEET.notes, SHEET.tables, (chart,))
        content = result_workbook([sheet], RunStamp(STAMP.when, "1", "book", "ab"), STALE)
    path = tmp_path / "made.xlsx"
    path.write_bytes(content)
    validator = audit.OpenXmlValidator(file_format=audit.FileFormat.OFFICE_2019, max_errors=100)
    assert [str(fault) for fault in validator.validate(str(path)).errors] == []
