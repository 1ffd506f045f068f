"""What other programs make of a grafted workbook: LibreOffice, and a validator of Office Open XML.

The validator is openxml-audit, an independent implementation of the schema and semantic rules of Microsoft's
Open XML SDK; LibreOffice calculates every formula anew on opening.
"""

from __future__ import annotations

from pathlib import Path

import openxml_audit as audit
import pypdf
import pytest

from costing.workbook.file.graft import graft
from costing.workbook.file.package import changed_parts, open_package, rebuild
from costing.workbook.file.sheets import changeable_parts, read_book
from tests.form import every
from tests.workbook.grafting import OWN, hidden, loaded, package_of, run
from tests.workbook.office import convert, sheets_as_calculated
from tests.workbook.scratch import RESULT_SHEETS, scratch_results
from tests.workbook.torture import torture_workbook

pytestmark = pytest.mark.slow


def faults(content: bytes, path: Path) -> set[str]:
    path.write_bytes(content)
    validator = audit.OpenXmlValidator(file_format=audit.FileFormat.OFFICE_2019, max_errors=1000)
    return {str(fault) for fault in validator.validate(str(path)).errors}


@pytest.mark.parametrize("prefix", ["", "x"])
def test_grafting_adds_no_fault_to_a_workbook(prefix: str, tmp_path: Path) -> None:
    original = torture_workbook(prefix=prefix, macros=False)
    assert faults(original, tmp_path / "a.xlsx") == set(), "the torture workbook itself is valid"
    once = run(original)
    assert faults(once, tmp_path / "b.xlsx") == set()
    assert faults(run(run(once, 2.0), 3.0), tmp_path / "c.xlsx") == set()
    stripped = graft(package_of(original), scratch_results(), RESULT_SHEETS, strip_dependents=True)
    assert faults(stripped, tmp_path / "d.xlsx") == set()


@pytest.mark.parametrize(
    ("part", "old", "new"),
    [
        ("xl/tables/costing_table1.xml", b"<tableColumns", b'<tableColumns wrong="1"'),
        ("xl/worksheets/costing_sheet2.xml", b"<sheetData>", b"<sheetDate/><sheetData>"),
        ("xl/worksheets/_rels/costing_sheet1.xml.rels", b"costing_table1", b"no_such_table"),
        ("xl/styles.xml", b"<cellXfs", b"<cellXfx/><cellXfs"),
        ("xl/workbook.xml", b"<calcPr", b"<oleSize/><calcPr"),
    ],
)
def test_the_validator_sees_such_faults_as_a_graft_could_make(
    part: str, old: bytes, new: bytes, tmp_path: Path
) -> None:
    package = package_of(run(torture_workbook(macros=False)))
    assert old in package.part(part)
    broken = rebuild(package, {part: package.part(part).replace(old, new, 1)})
    assert faults(broken, tmp_path / "a.xlsx")


@pytest.mark.office
@pytest.mark.parametrize("prefix", every(2, ["", "x"], 1))
def test_libreoffice_calculates_what_is_stored(prefix: str, tmp_path: Path) -> None:
    path = tmp_path / "estate.xlsx"
    content = run(run(torture_workbook(prefix=prefix, macros=False)), 2.0)
    path.write_bytes(content)
    sheets = sheets_as_calculated(path, tmp_path)
    book = loaded(content, data_only=True)
    assert set(sheets) >= {*RESULT_SHEETS, "Input", "My notes"}
    checked = 0
    for name in RESULT_SHEETS:
        for row, cells in enumerate(book[name].iter_rows(values_only=True)):
            for column, stored in enumerate(cells):
                if isinstance(stored, (int, float)) and not isinstance(stored, bool):
                    assert float(sheets[name][row][column]) == pytest.approx(stored, abs=1e-9)
                    checked += 1
                elif isinstance(stored, str):
                    assert sheets[name][row][column] == stored
    assert checked >= 10
    notes = [row[0] for row in sheets["My notes"]]
    # 'Cost per bottle'!C4 = 9; both lines 9 + 18; A1*2; Costing_run + 1; the user's own sum stays.
    assert [float(value) for value in notes[:5]] == [9, 27, 18, 10, 6627.5]


@pytest.mark.office
def test_libreoffice_draws_every_sheet(tmp_path: Path) -> None:
    path = tmp_path / "estate.xlsm"
    path.write_bytes(run(torture_workbook()))
    (drawn,) = convert(path, "pdf", tmp_path)
    pages = pypdf.PdfReader(drawn).pages
    text = " ".join(" ".join(page.extract_text().split()) for page in pages)
    for expected in (
        "Demonstration, invented figures & <no estate>",
        "4.5000",
        "=1+1 is text, not a formula",
        "T-10",
    ):
        assert expected in text


@pytest.mark.office
def test_after_libreoffice_has_saved_the_same_sheets_are_replaced(tmp_path: Path) -> None:
    path = tmp_path / "estate.xlsx"
    path.write_bytes(hidden(run(torture_workbook(macros=False)), "Origins"))
    (saved,) = convert(path, "xlsx", tmp_path)
    package = open_package(saved)
    assert [sheet.name for sheet in read_book(package).owned()] == list(RESULT_SHEETS)
    after = graft(package, scratch_results(2.0), RESULT_SHEETS)
    assert changed_parts(package, package_of(after)) <= changeable_parts(package) | OWN
    book, before = loaded(after), loaded(saved.read_bytes())
    assert book.sheetnames == before.sheetnames
    assert book["Origins"].sheet_state == "hidden"
    assert book["Cost per bottle"]["C4"].value == 9.0
    assert len(book["Cost per bottle"]._charts) == 1
    assert set(book["Cost per bottle"].tables) == {"Cost_per_bottle"}
