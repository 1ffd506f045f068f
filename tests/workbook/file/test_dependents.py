"""Which formulas depend on the result sheets. openpyxl's translator is the outside check of shifting."""

from __future__ import annotations

import re

import pytest
from openpyxl.formula.translate import Translator

from costing.errors import WorkbookError
from costing.workbook.file.dependents import (
    _formula_elements,
    dependent_formulas,
    dependent_parts,
    without_stored_values,
)
from costing.workbook.file.graft import graft
from costing.workbook.file.package import Package, changed_parts, read_package
from costing.workbook.file.references import Area, Lookup, moved, references
from costing.workbook.file.scan import TableRange
from tests.form import chosen
from tests.workbook.hostile import minimal_workbook
from tests.workbook.scratch import RESULT_SHEETS, scratch_results, zip_of
from tests.workbook.torture import MAIN, torture_workbook

LONG = chosen(full=20_000, short=4_000)  # longer than calls may be nested, either way


def grafted(**user: str) -> Package:
    """A workbook with the result sheets and the user's sheet 'Only' with these formulas by cell."""
    cells = "".join(
        f'<row r="{int(re.sub("[A-Z]", "", cell))}"><c r="{cell}"><f>{text}</f><v>1</v></c></row>'
        for cell, text in user.items()
    )
    package = read_package(zip_of(minimal_workbook(cells)), "a.xlsx")
    return read_package(graft(package, scratch_results(), RESULT_SHEETS), "a.xlsx")


def dependent_cells(package: Package) -> list[str]:
    return [cell for _, cell, _ in dependent_formulas(package, RESULT_SHEETS)]


@pytest.mark.parametrize(
    ("formula", "depends"),
    [
        ("'Cost per bottle'!C4", True),
        ("'COST PER BOTTLE'!$C$4+1", True),
        ("Origins!B2", True),
        ("SUM(Only!A1,Origins!B:B)", True),
        ("SUM(Only:Origins!A1)", True),
        ("SUM('Only:Cost per bottle'!A1)", True),
        ("Cost_per_bottle[[#Totals],[EUR per bottle]]", True),
        ("SUM(cost_per_bottle[Bottles])", True),
        ("Costing_run*2", True),
        ("INDEX(Origins!A1:C9,2,3)", True),
        ("-Origins!A1%", True),
        ("'[1]Cost per bottle'!C4", False),
        ("[1]Origins!B2", False),
        ('"Origins!B2"', False),
        ('IF(A9="it is ""Origins!B2""",1,2)', False),
        ("Origin!B2", False),
        ("My_Origins!B2", False),
        ("Cost_per_bottle_2+1", False),
        ("Origins(B2)", False),
        ("LOG10(5)+1E5", False),
        ("SUM(A10:A20)", False),
        ("TRUE", False),
    ],
)
def test_a_mention_of_a_result_sheet_table_or_name_counts_and_nothing_else(formula: str, depends: bool) -> None:
    assert dependent_cells(grafted(A1=formula)) == (["A1"] if depends else [])


def test_dependence_runs_on_through_cells_ranges_and_names() -> None:
    package = grafted(
        A1="Origins!B2",
        A2="A1*2",
        A3="$A$2",
        A4="SUM(A1:Z3)",
        A5="SUM(Only!B1:Only!Z9)",
        A6="SUM(A:A)-1",
        A7="SUM(1:1)",
        A8="A9",
        B20="SUM(C1:C99)",
        B21="B20",
    )
    # A6 lies in its own range, as in a file with a circular reference: it is listed, and the search ends.
    assert dependent_cells(package) == ["A1", "A2", "A3", "A4", "A6", "A7"]


def test_a_long_range_depends_on_what_it_covers_and_on_nothing_above_or_below_it() -> None:
    package = grafted(
        A1="Origins!B2", A50="Origins!B2", C1="SUM(A2:A49)", C2="SUM(A51:A99)", C3="SUM(A2:A50)", C4="SUM(A50:A99)"
    )
    assert dependent_cells(package) == ["A1", "A50", "C3", "C4"]


def test_a_row_named_in_brackets_is_that_of_the_table_around_the_cell() -> None:
    """Of two tables of one sheet, and of one on another sheet."""
    tables = {
        name: (sheet, TableRange(name, left, 1, left + 1, 4, 1, 0, ("Lot", "Litres")))
        for name, sheet, left in (("here", 0, 1), ("beside", 0, 5), ("elsewhere", 1, 1))
    }
    found = {
        cell: references("[@Litres]", cell, Lookup({}, tables, {}))
        for cell in ((0, 2, 3), (0, 6, 3), (0, 2, 9), (0, 3, 3))
    }
    assert found == {
        (0, 2, 3): (Area(0, 2, 3, 2, 3),),
        (0, 6, 3): (Area(0, 6, 3, 6, 3),),
        (0, 2, 9): (),
        (0, 3, 3): (),
    }


def test_a_range_between_two_qualified_corners_is_one_range() -> None:
    assert dependent_cells(grafted(A1="Origins!B2", C5="SUM(Only!A1:Only!B1)")) == ["A1", "C5"]
    package = grafted(B2="Origins!B2", C5="SUM(Only!A1:Only!C3)")
    assert dependent_cells(package) == ["B2", "C5"], "B2 lies between the corners"


def test_table_columns_count_one_by_one_and_rows_too() -> None:
    content = torture_workbook(macros=False)
    package = read_package(content, "a.xlsx")
    sheet = package.part("xl/worksheets/sheet1.xml").replace(b"<f>B2*1.5</f>", b"<f>Origins!B2</f>")
    for cell, formula in (
        ("C3", "Lots[[#This Row],[Litres]]"),
        ("C4", "SUM(Lots[Litres])"),
        ("C5", "SUM(Lots[Paid])"),
    ):
        row = int(cell[1:])
        sheet = sheet.replace(f"<f>B{row}*1.5</f>".encode(), f"<f>{formula}</f>".encode())
    sheet = sheet.replace(b"<f>B6*1.5</f>", b"<f>[#This Row]</f>")
    parts = {name: package.part(name) for name in package.members} | {"xl/worksheets/sheet1.xml": sheet}
    listed = dependent_formulas(read_package(zip_of(parts), "a.xlsx"), RESULT_SHEETS)
    # C6 names its whole row, which it is part of itself, but no cell of that row depends on a result.
    assert [cell for name, cell, _ in listed if name == "Input"] == ["C2", "C5"]


def test_a_shared_formula_is_written_out_for_each_cell() -> None:
    cells = (
        '<row r="1"><c r="A1"><f t="shared" ref="A1:A3" si="0">Origins!B2+$C$1</f><v>1</v></c></row>'
        '<row r="2"><c r="A2"><f t="shared" si="0"/><v>1</v></c></row>'
        '<row r="3"><c r="A3"><f t="shared" si="0"/><v>1</v></c></row>'
        '<row r="9"><c r="B9"><f t="shared" ref="B9:B10" si="1">A2</f><v>1</v></c></row>'
        '<row r="10"><c r="B10"><f t="shared" si="1"/><v>1</v></c></row>'
        '<row r="11"><c r="B11"><f t="shared" si="7"/><v>1</v></c></row>'
    )
    package = read_package(zip_of(minimal_workbook(cells)), "a.xlsx")
    assert dependent_formulas(package, RESULT_SHEETS) == [
        ("Only", "A1", "=Origins!B2+$C$1"),
        ("Only", "A2", "=Origins!B3+$C$1"),
        ("Only", "A3", "=Origins!B4+$C$1"),
        ("Only", "B9", "=A2"),
        ("Only", "B10", "=A3"),
    ]


def test_every_cell_that_an_array_or_what_if_table_fills_counts() -> None:
    cells = (
        '<row r="1"><c r="A1"><f t="array" ref="A1:B2">Origins!B2:C3</f><v>1</v></c><c r="B1"><v>1</v></c>'
        "</row>"
        '<row r="2"><c r="A2"><v>1</v></c><c r="B2"><v>1</v></c><c r="D2"><f>B2</f><v>1</v></c></row>'
        '<row r="5"><c r="D5"><f>D2</f><v>1</v></c></row>'
        '<row r="6"><c r="E6"><f t="dataTable" ref="E6:F7" dt2D="1" r1="A9" r2="A8"/><v>1</v></c></row>'
        '<row r="7"><c r="F7"><v>1</v></c><c r="H7"><f>F7</f><v>1</v></c></row>'
        '<row r="8"><c r="A8"><f t="array" ref="A8:XFD1048576">1+Origins!B2</f><v>1</v></c></row>'
    )
    package = read_package(zip_of(minimal_workbook(cells)), "a.xlsx")
    assert dependent_cells(package) == ["A1", "D2", "D5", "E6", "H7", "A8"]
    stripped = without_stored_values(package, RESULT_SHEETS)["xl/sheet.xml"]
    assert b"<v>" not in stripped


@pytest.mark.parametrize(
    "formula",
    [
        "A1+$B2*C$3-$D$4",
        "SUM(A1:B2)*'My sheet'!C3",
        'IF(A1="B2 ""C3""",Sheet2!D4,1E5)',
        "SUM(A:B)+SUM($A:B)+SUM(3:4)+SUM($3:4)",
        "LOG10(A1)+ABC123",
        "INDEX(Lots[Litres],A1)+rate_2",
        "-A1%&B2",
    ],
)
@pytest.mark.parametrize(("columns", "rows"), [(0, 0), (1, 0), (0, 5), (30, 200)])
def test_shifting_a_shared_formula_agrees_with_openpyxl(formula: str, columns: int, rows: int) -> None:
    expected = Translator("=" + formula, origin="A1").translate_formula(row_delta=rows, col_delta=columns)
    assert "=" + moved(formula, columns, rows) == expected


@pytest.mark.slow
def test_a_long_chain_and_many_ranges() -> None:
    rows = ['<row r="1"><c r="A1"><f>Origins!B2</f><v>1</v></c><c r="B1"><f>SUM(A$1:A1)</f><v>1</v></c></row>']
    rows += [
        f'<row r="{n}"><c r="A{n}"><f>A{n - 1}+1</f><v>1</v></c><c r="B{n}"><f>SUM(A$1:A{n})</f><v>1</v></c></row>'
        for n in range(2, LONG + 1)
    ]
    package = read_package(zip_of(minimal_workbook("".join(rows))), "a.xlsx")
    assert len(dependent_formulas(package, RESULT_SHEETS)) == 2 * LONG


@pytest.mark.parametrize("prefix", ["", "x"])
def test_stripping_takes_exactly_the_stored_values_of_dependent_cells(prefix: str) -> None:
    package = read_package(torture_workbook(prefix=prefix), "a.xlsm")
    whole = read_package(graft(package, scratch_results(), RESULT_SHEETS), "a.xlsm")
    stripped = read_package(graft(package, scratch_results(), RESULT_SHEETS, strip_dependents=True), "a.xlsm")
    listed = dependent_formulas(whole, RESULT_SHEETS)
    assert [(name, cell) for name, cell, _ in listed] == [
        *(("My notes", f"A{row}") for row in (1, 2, 3, 4, 7)),
        ("Plain & simple", "C1"),
    ]
    sheets = {"My notes": "xl/worksheets/sheet2.xml", "Plain & simple": "xl/worksheets/sheet3.xml"}
    assert changed_parts(whole, stripped) == dependent_parts(whole, RESULT_SHEETS) == set(sheets.values())
    colon = f"{prefix}:" if prefix else ""
    wanted = {"My notes": {"A1", "A2", "A3", "A4", "A7"}, "Plain & simple": {"C1", "C2", "C3"}}
    for name, part in sheets.items():
        tag = colon if name == "Plain & simple" else ""
        before = whole.part(part).decode()
        after = stripped.part(part).decode()
        for cell in wanted[name]:
            before, count = re.subn(
                rf'(<{tag}c r="{cell}"[^>]*>(?:<{tag}f[^>]*>[^<]*</{tag}f>)?)<{tag}v>[^<]*</{tag}v>',
                r"\1",
                before,
            )
            assert count == 1, cell
        assert after == before


def test_a_sheet_in_an_odd_form_is_refused_rather_than_left_stale() -> None:
    parts = minimal_workbook()
    cells = f'<a:worksheet xmlns:a="{MAIN}" xmlns="{MAIN}"><sheetData><row r="1"><c r="A1"><f>Origins!B2</f>'
    parts["xl/sheet.xml"] = (cells + "<v>1</v></c></row></sheetData></a:worksheet>").encode()
    package = read_package(zip_of(parts), "a.xlsx")
    assert dependent_cells(package) == ["A1"]
    with pytest.raises(WorkbookError, match=r"Only!A1: its stored value can't be taken out"):
        without_stored_values(package, RESULT_SHEETS)


def test_the_torture_workbook_keeps_its_other_formulas_values() -> None:
    package = read_package(torture_workbook(), "a.xlsm")
    stripped = graft(package, scratch_results(), RESULT_SHEETS, strip_dependents=True)
    sheet = read_package(stripped, "a.xlsm").part("xl/worksheets/sheet2.xml")
    assert b"<v>6627.5</v>" in sheet
    assert b"<v>Cost per bottle</v>" in sheet


def test_a_sheet_whose_only_formulas_are_drop_downs_is_not_parsed(monkeypatch: pytest.MonkeyPatch) -> None:
    """ECMA-376 Part 1, 18.3.1.32 and .33: a validation's rule stands in formula1, a cell's formula in f."""
    drop_down = b'<dataValidation type="list" sqref="A1"><formula1>Lists!A:A</formula1></dataValidation>'
    sheet = b'<worksheet xmlns="%s">%s</worksheet>'

    def parsed(*_: object, **__: object) -> None:
        message = "parsed"
        raise AssertionError(message)

    monkeypatch.setattr("costing.workbook.file.dependents.etree.iterparse", parsed)
    assert not list(_formula_elements(sheet % (MAIN.encode(), drop_down), "sheet1.xml"))
    for cell in (b"<f>A1</f>", b"<x:f>A1</x:f>", b'<f t="shared" si="0"/>', b"<f/>"):
        with pytest.raises(AssertionError, match="parsed"):
            list(_formula_elements(sheet % (MAIN.encode(), cell), "sheet1.xml"))
