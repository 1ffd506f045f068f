"""Rows taken out of a sheet and put in: what stands on each of the others, and every range that follows.

Shared formulas, ranges and cells: ECMA-376 part 1, 18.3.1.
"""

from __future__ import annotations

import datetime as dt
import re

import pytest

from costing.workbook.file.rows import RowEdits, edited_shapes, edited_sheet

SHEET = """<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">
<dimension ref="A1:D6"/><sheetData>
<row r="1"><c r="A1" t="inlineStr"><is><t>Date</t></is></c></row>
<row r="2" ht="20" customHeight="1"><c r="A2" s="3"><v>45000</v></c><c r="B2"><v>1</v></c>
<c r="D2"><f t="shared" ref="D2:D5" si="0">B2*2+$B$2</f><v>2</v></c></row>
<row r="3"><c r="A3" s="4"><v>45001</v></c><c r="B3"><v>2</v></c><c r="D3"><f t="shared" si="0"/><v>4</v></c></row>
<row r="4"><c r="A4"><v>45002</v></c><c r="B4"><v>3</v></c><c r="D4"><f t="shared" si="0"/><v>6</v></c></row>
<row r="5"><c r="A5"><v>45003</v></c><c r="B5" t="s"><v>4</v></c><c r="D5"><f t="shared" si="0"/><v>8</v></c></row>
<row r="6"><c r="B6"><v>10</v></c></row>
</sheetData><autoFilter ref="A1:D5"/><mergeCells><mergeCell ref="A2:A3"/><mergeCell ref="C4:C6"/></mergeCells>
<hyperlinks><hyperlink ref="A2"/><hyperlink ref="A5"/></hyperlinks></worksheet>"""


def edited(**edit: object) -> str:
    return edited_sheet(SHEET.encode(), RowEdits(**edit)).decode()  # type: ignore[arg-type]


def cells(sheet: str) -> dict[str, str]:
    """Formula, else value, of every filled cell."""
    found = {}
    for name, inside in re.findall(r'<c r="([A-Z]+\d+)"[^/>]*>(.*?)</c>', sheet, re.DOTALL):
        texts = re.findall(r"<(?:f|v|t)>([^<]*)</", inside)
        found[name] = texts[0] if texts else ""
    return found


def ranges(sheet: str, element: str) -> list[str]:
    return re.findall(rf'<{element} ref="([^"]*)"', sheet)


def test_what_stands_below_moves_up_with_its_formulas() -> None:
    sheet = edited(dropped=[2, 3])
    assert cells(sheet) == {
        **{"A1": "Date", "A2": "45002", "B2": "3", "D2": "B2*2+#REF!"},
        **{"A3": "45003", "B3": "4", "D3": "B3*2+#REF!", "B4": "10"},
    }
    assert ranges(sheet, "autoFilter") == ["A1:D3"]
    assert ranges(sheet, "mergeCell") == ["C2:C4"]
    assert ranges(sheet, "hyperlink") == ["A3"]
    assert "dimension" not in sheet
    assert "shared" not in sheet


def test_new_rows_have_the_formats_of_the_row_that_stood_first() -> None:
    sheet = edited(fresh=[{"A": dt.date(2026, 1, 31), "B": 2.5}, {"A": dt.date(2026, 2, 28), "C": "racking"}])
    assert cells(sheet)["A2"] == "46053"  # LibreOffice: 46053 is 2026-01-31
    assert cells(sheet)["B2"] == "2.5"
    assert (cells(sheet)["A3"], cells(sheet)["C3"]) == ("46081", "racking")
    assert (cells(sheet)["A4"], cells(sheet)["D5"]) == ("45000", "B5*2+$B$4")
    assert [re.search(rf'<row r="{row}"[^>]*>', sheet)[0].count('ht="20"') for row in (2, 3, 4, 5)] == [1, 1, 1, 0]  # type: ignore[index]
    assert re.findall(r'<c r="A[234]" s="(\d)"', sheet) == ["3", "3", "3"]
    assert re.findall(r'<row r="(\d)"', sheet) == list("12345678")
    assert ranges(sheet, "autoFilter") == ["A1:D7"]
    assert ranges(sheet, "hyperlink") == ["A4", "A7"]
    assert cells(edited(fresh=[{"A": dt.date(2026, 1, 31)}], date_1904=True))["A2"] == "44591"


def test_cells_are_set_scaled_and_cleared() -> None:
    changed = {(3, "A"): dt.datetime(2026, 1, 31), (4, "A"): dt.date(2026, 1, 31), (4, "C"): "x", (5, "B"): None}
    found = cells(edited(changed=changed, scaled={(2, "B"): 0.25, (5, "B"): 2.0}, cleared=[6]))
    assert (found["A3"], found["A4"]) == ("46053", "2026-01-31")  # a cell without a format of dates shows a text
    assert (found["B2"], found["B3"], found["C4"]) == ("0.25", "2", "x")
    assert {"B5", "B6"} & {name for name, text in found.items() if text} == set()


@pytest.mark.parametrize(
    ("written", "after"),
    [("A1:F4", "A1:F3"), ("A4:F8", "A4:F7"), ("B7", "B6"), ("A3:A4", "A3:A3"), ("$A$5:$B$6", "$A$4:$B$5")],
)
def test_a_range_shrinks_over_rows_taken_out(written: str, after: str) -> None:
    assert RowEdits(dropped=[3, 4], first=2, fresh=[{}]).range_at("A9") == "A8"
    assert RowEdits(dropped=[4]).range_at(written) == after


@pytest.mark.parametrize(
    ("row", "formula", "after"),
    [
        (12, "SUM(B2:B11)", "SUM(B2:B9)"),  # a total below: of the two new rows and all that stay
        (12, "SUM(B4:B11)", "SUM(B4:B9)"),  # begins at a row taken out: at the next that stays
        (12, "SUM(B2:B5)", "SUM(B2:B3)"),  # of rows taken out alone: of the new ones
        (12, "SUM(B3:B5)", "SUM(#REF!)"),
        (7, "SUM(C$2:C7)", "SUM(C$2:C5)"),  # a running total
        (6, "D5+B6", "D3+B4"),  # the row above, whichever that is
        (7, "$B$1*B7", "$B$1*B5"),
        (7, "$B$3*B7", "#REF!*B5"),
        (1, "COUNT(B:B)+B9+Notes!B9", "COUNT(B:B)+B7+Notes!B9"),
        (1, "MATCH(1,A1:F1,0)", "MATCH(1,A1:F1,0)"),
    ],
)
def test_formulas_follow_what_they_name(row: int, formula: str, after: str) -> None:
    """A total below rows taken out named a row at the end of the sheet."""
    assert RowEdits(dropped=[2, 3, 4, 5], fresh=[{}, {}]).formula_at(formula, row) == after


def test_a_range_is_gone_with_all_its_rows_alone() -> None:
    edit = RowEdits(dropped=[3, 4])
    assert [edit.is_gone(one) for one in ("A3", "A3:B4", "A2:B4", "A3:A5", "")] == [True, True, False, False, False]


def test_notes_in_the_older_drawing_language_follow_their_rows() -> None:
    gone, plain = b"<v:shape id='a'><x:Row>1</x:Row></v:shape>", b"<v:shape id='b'>no row</v:shape>"
    moved = b"<v:shape id='c'><x:Row>%d</x:Row></v:shape>"
    assert edited_shapes(gone + plain + moved % 3, RowEdits(dropped=[2])) == plain + moved % 2
