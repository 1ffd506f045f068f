"""Reading rules, each on a workbook made for it.

Error texts and cell types: ECMA-376 part 1, 18.18.11 (ST_CellType).
"""

from __future__ import annotations

import datetime as dt
import io
import re
import zipfile
from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
import xlsxwriter
from openpyxl import Workbook

from costing.errors import CAUTION, ERROR, Finding, InputError, WorkbookError
from costing.inputs.load import load
from costing.inputs.raw import RawTable
from costing.workbook.file.scan import _farthest
from costing.workbook.read import is_ours, read_workbook

Fill = Callable[[xlsxwriter.Workbook, xlsxwriter.worksheet.Worksheet], None]
HEADERS = ["Date", "Lot", "Measured", "Cause"]


def book(fill: Fill, title: str = "Stocktakes", calculated: bool = True) -> bytes:
    """One-sheet workbook; `calculated` takes away the writer's request to calculate when opened."""
    content = io.BytesIO()
    with xlsxwriter.Workbook(content) as workbook:
        fill(workbook, workbook.add_worksheet(title))
    if not calculated:
        return content.getvalue()
    return rewritten(content.getvalue(), "xl/workbook.xml", lambda xml: xml.replace(b' fullCalcOnLoad="1"', b""))


def rewritten(content: bytes, part: str, change: Callable[[bytes], bytes]) -> bytes:
    """Workbook with one part changed; the change must change something."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            xml = old.read(name)
            if name == part:
                assert change(xml) != xml
                xml = change(xml)
            new.writestr(name, xml)
    return out.getvalue()


def counted(row: int, workbook: xlsxwriter.Workbook, sheet: xlsxwriter.worksheet.Worksheet) -> None:
    """One good stocktake."""
    sheet.write_datetime(row, 0, dt.datetime(2024, 12, 31), workbook.add_format({"num_format": "yyyy-mm-dd"}))
    sheet.write_row(row, 1, [f"V{row:02}", 1990.5, "evaporation"])


def plain(rows: int = 2, first: int = 0) -> Fill:
    def fill(workbook: xlsxwriter.Workbook, sheet: xlsxwriter.worksheet.Worksheet) -> None:
        sheet.write_row(first, 0, HEADERS)
        for row in range(first + 1, first + 1 + rows):
            counted(row, workbook, sheet)

    return fill


def only(content: bytes) -> RawTable:
    tables = read_workbook(content)
    assert len(tables) == 1
    return tables[0]


def said(table: RawTable) -> list[str]:
    return [str(finding) for finding in table.findings]


def test_headers_values_rows_and_letters() -> None:
    table = only(book(plain()))
    assert list(table.frame.columns) == HEADERS
    assert table.frame["Date"].dt.date.tolist() == [dt.date(2024, 12, 31)] * 2
    assert table.frame["Lot"].tolist() == ["V01", "V02"]
    assert table.frame["Measured"].tolist() == [1990.5, 1990.5]
    assert (table.sheet, table.header_row, table.row_numbers.tolist()) == ("Stocktakes", 1, [2, 3])
    assert table.letters == {"Date": "A", "Lot": "B", "Measured": "C", "Cause": "D"}
    assert table.findings == ()


def test_title_rows_above_the_headers_are_passed_over() -> None:
    def fill(workbook: xlsxwriter.Workbook, sheet: xlsxwriter.worksheet.Worksheet) -> None:
        sheet.write(0, 0, "Gauging of the cellar")
        sheet.write(2, 1, "Lot")
        plain(first=4)(workbook, sheet)

    table = only(book(fill))
    assert table.header_row == 5
    assert table.row_numbers.tolist() == [6, 7]


def test_headers_below_row_20_are_not_looked_for() -> None:
    table = only(book(plain(first=20)))
    assert "no header row among its first 20 rows" in said(table)[0]
    assert "'Date', 'Lot', 'Measured'" in said(table)[0]
    assert table.findings[0].severity == ERROR


def test_header_row_with_a_misspelt_header_is_still_found() -> None:
    def fill(workbook: xlsxwriter.Workbook, sheet: xlsxwriter.worksheet.Worksheet) -> None:
        sheet.write(0, 0, "Cellar book")
        sheet.write_row(1, 0, ["Date", "Lott", "Measured"])
        sheet.write_row(2, 0, ["2024-12-31", "V12", 1990])

    table = only(book(fill))
    assert table.header_row == 2
    assert list(table.frame.columns) == ["Date", "Lott", "Measured"]


def test_a_table_is_read_by_its_range_without_its_totals_row() -> None:
    def fill(workbook: xlsxwriter.Workbook, sheet: xlsxwriter.worksheet.Worksheet) -> None:
        sheet.write(1, 0, "a note above")
        columns = [{"header": header} for header in HEADERS]
        columns[0]["total_string"] = "Total"
        columns[2]["total_function"] = "sum"
        sheet.add_table(4, 1, 7, 4, {"columns": columns, "total_row": True, "name": "stocktakes"})
        for row in (5, 6):
            sheet.write_row(row, 1, [dt.date(2024, 12, 31).isoformat(), f"V{row}", 1990.0])

    table = only(book(fill))
    assert table.letters["Date"] == "B"
    assert table.header_row == 5
    assert table.row_numbers.tolist() == [6, 7]
    assert table.frame["Lot"].tolist() == ["V5", "V6"]
    assert table.findings == ()


def table_then(after: list[tuple[int, list[object]]], totals: bool = False) -> Fill:
    def fill(workbook: xlsxwriter.Workbook, sheet: xlsxwriter.worksheet.Worksheet) -> None:
        sheet.add_table(0, 0, 3 if totals else 2, 3, {"columns": [{"header": h} for h in HEADERS], "total_row": totals})
        for row in (1, 2):
            sheet.write_row(row, 0, ["2024-12-31", f"V{row}", 1990.0])
        for row, cells in after:
            sheet.write_row(row, 0, cells)

    return fill


def test_rows_typed_right_below_a_table_belong_to_it() -> None:
    # LibreOffice does not stretch a table when a row is typed below it (common practice, no source).
    table = only(book(table_then([(3, ["2025-12-31", "V3", 5.0]), (4, ["2025-12-31", "V4", 6.0])])))
    assert table.frame["Lot"].tolist() == ["V1", "V2", "V3", "V4"]
    assert table.findings == ()


@pytest.mark.parametrize(
    ("after", "totals"),
    [
        ([(3, ["Total", None, 3980.0])], False),
        ([(5, ["Total", "V3", 5.0])], False),
        ([(4, ["counted twice", None, None])], True),
    ],
)
def test_other_cells_below_a_table_are_a_caution(after: list[tuple[int, list[object]]], totals: bool) -> None:
    table = only(book(table_then(after, totals)))
    assert table.frame["Lot"].tolist() == ["V1", "V2"]
    assert [(f.place, f.severity) for f in table.findings] == [(f"Stocktakes!A{after[0][0] + 1}", CAUTION)]


def test_a_column_headed_right_beside_the_table_is_read() -> None:
    def fill(workbook: xlsxwriter.Workbook, sheet: xlsxwriter.worksheet.Worksheet) -> None:
        sheet.add_table(0, 0, 1, 2, {"columns": [{"header": h} for h in HEADERS[:3]]})
        sheet.write_row(1, 0, ["2024-12-31", "V1", 1.0, "evaporation"])
        sheet.write(0, 3, "Cause")

    assert only(book(fill)).frame["Cause"].tolist() == ["evaporation"]


def test_two_tables_with_the_same_headers_are_an_error() -> None:
    def fill(workbook: xlsxwriter.Workbook, sheet: xlsxwriter.worksheet.Worksheet) -> None:
        for first in (0, 10):
            sheet.add_table(first, 0, first + 1, 3, {"columns": [{"header": h} for h in HEADERS]})
            sheet.write_row(first + 1, 0, ["2024-12-31", f"V{first}", 1.0])

    table = only(book(fill))
    assert [(f.place, f.severity) for f in table.findings] == [("Stocktakes!A11", ERROR)]
    assert "second table with the same headers" in said(table)[0]


def test_a_table_of_the_users_own_beside_ours_is_left_alone() -> None:
    def fill(workbook: xlsxwriter.Workbook, sheet: xlsxwriter.worksheet.Worksheet) -> None:
        sheet.add_table(0, 6, 5, 7, {"columns": [{"header": "Vat"}, {"header": "Paint"}]})
        sheet.write(5, 6, "V9")
        sheet.add_table(0, 0, 1, 3, {"columns": [{"header": h} for h in HEADERS]})
        sheet.write_row(1, 0, ["2024-12-31", "V1", 1.0])

    table = only(book(fill))
    assert table.frame["Lot"].tolist() == ["V1"]
    assert table.findings == ()


def test_hidden_and_filtered_rows_and_hidden_sheets_count() -> None:
    def fill(workbook: xlsxwriter.Workbook, sheet: xlsxwriter.worksheet.Worksheet) -> None:
        plain(rows=3)(workbook, sheet)
        sheet.set_row(2, None, None, {"hidden": True})
        sheet.autofilter(0, 0, 3, 3)
        workbook.add_worksheet("front").activate()
        sheet.hide()

    assert only(book(fill)).frame["Lot"].tolist() == ["V01", "V02", "V03"]


@pytest.mark.parametrize("shown", ["#N/A", "#DIV/0!", "#REF!", "#VALUE!", "#NAME?", "#NUM!", "#NULL!"])
def test_an_error_cell_is_named(shown: str) -> None:
    def fill(workbook: xlsxwriter.Workbook, sheet: xlsxwriter.worksheet.Worksheet) -> None:
        plain()(workbook, sheet)
        sheet.write_formula("C3", "=NA()", None, shown)

    table = only(book(fill))
    assert [(f.place, f.value, f.severity) for f in table.findings] == [("Stocktakes!C3", shown, ERROR)]
    assert np.isnan(table.frame["Measured"][1])


@pytest.mark.parametrize("totals", [False, True])
def test_filled_rows_left_out_below_a_table_are_one_error(totals: bool) -> None:
    rows: list[tuple[int, list[object]]] = [(row, [f"day {row:06} " * 5, f"V{row}", 5.0]) for row in range(5, 13)]
    table = only(book(table_then(rows, totals)))
    assert table.frame["Lot"].tolist() == ["V1", "V2"]
    assert table.findings[0].value == "day 000005 " * 3 + "day 00…"
    assert [(f.place, f.severity) for f in table.findings] == [("Stocktakes!A6", ERROR)]
    assert "7 more cells are like it: A7, A8, A9, A10, A11, …" in said(table)[0]


def test_an_error_in_a_column_of_the_users_own_is_left_alone() -> None:
    def fill(workbook: xlsxwriter.Workbook, sheet: xlsxwriter.worksheet.Worksheet) -> None:
        plain()(workbook, sheet)
        sheet.write("F1", "my check")
        sheet.write_formula("F3", "=NA()", None, "#N/A")
        sheet.write_formula("H9", "=1/0", None, "#DIV/0!")

    assert only(book(fill)).findings == ()


def test_a_formula_without_a_stored_value_is_named_by_a_file_of_another_writer() -> None:
    workbook = Workbook()  # openpyxl stores formulas without values
    sheet = workbook.active
    sheet.title = "Stocktakes"
    sheet.append(HEADERS)
    sheet.append([dt.datetime(2024, 12, 31), "V12", "=1000+990", None])
    sheet.append([dt.datetime(2024, 12, 31), "V13", 5, None])
    content = io.BytesIO()
    workbook.save(content)
    table = only(content.getvalue())
    assert [f.place for f in table.findings] == ["Stocktakes!C2"]
    assert "never calculated" in said(table)[0]
    assert "Open the file in a spreadsheet program and save it." in said(table)[0]


def test_many_formulas_never_calculated_give_one_finding_a_column() -> None:
    workbook = Workbook()
    sheet = workbook.active
    sheet.title = "Stocktakes"
    sheet.append(HEADERS)
    for _ in range(30):
        sheet.append([dt.datetime(2024, 12, 31), "V12", "=1000+990", None])
    content = io.BytesIO()
    workbook.save(content)
    table = only(content.getvalue())
    assert len(table.findings) == 1
    assert "29 more cells are like it: C3, C4, C5, C6, C7, …" in said(table)[0]
    with pytest.raises(InputError) as refused:
        load([table], settings_required=False)
    assert len(refused.value.findings) == 1  # and no finding that they are blank


def test_a_formula_that_gives_an_empty_text_is_blank_and_no_fault() -> None:
    def fill(workbook: xlsxwriter.Workbook, sheet: xlsxwriter.worksheet.Worksheet) -> None:
        plain()(workbook, sheet)
        sheet.write_formula("D2", '=""', None, "")

    for stored in (b"<v></v>", b"<v/>"):

        def as_text(xml: bytes, stored: bytes = stored) -> bytes:
            return xml.replace(b'<c r="D2">', b'<c r="D2" t="str">').replace(b"<v></v>", stored)

        check_blank_cause(only(rewritten(book(fill), "xl/worksheets/sheet1.xml", as_text)))


def check_blank_cause(table: RawTable) -> None:
    assert table.frame["Cause"].tolist() == [None, "evaporation"]
    assert table.findings == ()


def test_formulas_with_stored_values_are_read() -> None:
    def fill(workbook: xlsxwriter.Workbook, sheet: xlsxwriter.worksheet.Worksheet) -> None:
        plain()(workbook, sheet)
        sheet.write_formula("C2", "=2*100", None, 200)
        sheet.write_formula("B2", '="V"&12', None, "V12")

    table = only(book(fill))
    assert table.frame["Measured"][0] == 200
    assert table.frame["Lot"][0] == "V12"
    assert table.findings == ()


CALCULATION = {
    "forced": (b' fullCalcOnLoad="1"', "calculated again when opened"),
    "not completed": (b' calcCompleted="0"', "was not completed"),
    "manual": (b' calcMode="manual"', "only when asked"),
}


@pytest.mark.parametrize("case", CALCULATION)
def test_values_that_may_be_old_are_a_caution_only_where_there_are_formulas(case: str) -> None:
    more, words = CALCULATION[case]

    def fill(workbook: xlsxwriter.Workbook, sheet: xlsxwriter.worksheet.Worksheet) -> None:
        plain()(workbook, sheet)
        sheet.write_formula("C2", "=2*100", None, 200)

    def totals(workbook: xlsxwriter.Workbook, sheet: xlsxwriter.worksheet.Worksheet) -> None:
        plain()(workbook, sheet)
        sheet.write_formula("G9", "=2*100", None, 200)

    def marked(content: bytes) -> bytes:
        return rewritten(content, "xl/workbook.xml", lambda xml: xml.replace(b"<calcPr", b"<calcPr " + more))

    table = only(marked(book(fill)))
    assert [f.severity for f in table.findings] == [CAUTION]
    assert words in said(table)[0]
    assert only(marked(book(plain()))).findings == ()
    assert only(marked(book(totals))).findings == ()


def test_percent_formats_are_marked_cell_by_cell() -> None:
    def fill(workbook: xlsxwriter.Workbook, sheet: xlsxwriter.worksheet.Worksheet) -> None:
        sheet.write_row(0, 0, ["Operation or stage", "Norm (%)", "Time base"])
        formats = ["0.0%", "0.00", "0%", '0.0"%"', "[Red]0.00 %", "General"]
        for row, number_format in enumerate(formats, 1):
            cell = workbook.add_format({"num_format": number_format})
            sheet.write(row, 0, "racking")
            sheet.write_number(row, 1, 0.015, cell)
            sheet.write(row, 2, "per movement")
            sheet.write_number(row, 4, 0.5, workbook.add_format({"num_format": "0%"}))

    table = only(book(fill, "Loss norms"))
    assert table.percent_formatted["Norm (%)"].tolist() == [True, False, True, False, True, False]
    assert list(table.percent_formatted) == ["Norm (%)"]


def test_percent_cells_and_percent_points_load_to_the_same_fraction() -> None:
    def fill(workbook: xlsxwriter.Workbook, sheet: xlsxwriter.worksheet.Worksheet) -> None:
        sheet.write_row(0, 0, ["Operation or stage", "Norm (%)", "Time base"])
        sheet.write_row(1, 0, ["racking", 1.5, "per movement"])
        sheet.write_row(2, 0, ["disgorgement", None, "per movement"])
        sheet.write_number(2, 1, 0.015, workbook.add_format({"num_format": "0.0%"}))

    estate = load(read_workbook(book(fill, "Loss norms")), settings_required=False)
    assert estate["loss_norms"]["percent"].tolist() == pytest.approx([0.015, 0.015])


def test_the_second_header_of_one_name_is_named_and_a_users_own_is_not() -> None:
    def fill(workbook: xlsxwriter.Workbook, sheet: xlsxwriter.worksheet.Worksheet) -> None:
        sheet.write_row(0, 0, ["Date", "Lot", "Measured", "Note", "Lot", "Note"])
        sheet.write_row(1, 0, ["2024-12-31", "V1", 1, "a", "V2", "b"])

    table = only(book(fill))
    assert [f.place for f in table.findings] == ["Stocktakes!E1"]


def test_which_sheets_are_read() -> None:
    content = io.BytesIO()
    with xlsxwriter.Workbook(content) as workbook:
        for title in (
            "Stocktakes",
            "My plans",
            "Stocktakes 2026",
            "Stocktakes (2)",
            "stocktake",
            "Year-end stock",
        ):
            sheet = workbook.add_worksheet(title)
            sheet.write_row(0, 0, HEADERS if "tock" in title and "end" not in title else ["Closing date", "Lot"])
            sheet.write_row(1, 0, ["2024-12-31", "V1", 1])
        chart = workbook.add_chart({"type": "line"})
        chart.add_series({"values": "=Stocktakes!$C$2:$C$3"})
        workbook.add_chartsheet("Movements").set_chart(chart)
    tables = {table.sheet: table for table in read_workbook(content.getvalue())}
    assert list(tables) == ["Stocktakes", "Stocktakes 2026", "Stocktakes (2)", "stocktake", "Year-end stock"]
    assert [len(table.frame) for table in tables.values()] == [1, 1, 0, 0, 1]


def test_an_empty_sheet_gives_no_rows_and_no_finding() -> None:
    table = only(book(lambda workbook, sheet: None))
    assert len(table.frame) == 0
    assert table.findings == ()


def test_dates_of_the_1904_system_are_the_same_days() -> None:
    content = io.BytesIO()
    with xlsxwriter.Workbook(content, {"date_1904": True}) as workbook:
        plain()(workbook, workbook.add_worksheet("Stocktakes"))
    assert only(content.getvalue()).frame["Date"].dt.date.tolist() == [dt.date(2024, 12, 31)] * 2


def with_a_far_corner(cell: bytes) -> bytes:
    """Two stocktakes, and a cell in the last row and column that there are."""

    def change(xml: bytes) -> bytes:
        xml = re.sub(rb'<dimension ref="A1:\w+"/>', b'<dimension ref="A1:XFD1048576"/>', xml)
        return xml.replace(b"</sheetData>", b'<row r="1048576">' + cell + b"</row></sheetData>")

    return rewritten(book(plain()), "xl/worksheets/sheet1.xml", change)


def test_a_cell_at_the_far_corner_is_named_and_not_read() -> None:
    table = only(with_a_far_corner(b'<c r="XFD1048576" t="inlineStr"><is><t xml:space="preserve"> x</t></is></c>'))
    assert [(f.place, f.severity) for f in table.findings] == [("Stocktakes!XFD1048576", ERROR)]


def test_a_formatted_but_empty_far_corner_does_not_matter() -> None:
    table = only(with_a_far_corner(b'<c r="XFD1048576" s="1"/>'))
    assert len(table.frame) == 2
    assert table.findings == ()


def test_of_two_cells_as_far_out_the_first_is_named() -> None:
    """12 columns by 500,000 rows, and 8 by 750,000."""
    assert _farthest([("A", 1), ("L", 500_000), ("H", 750_000)]) == ""
    assert _farthest([("A", 1), ("L", 600_000), ("H", 900_000)]) == "L600000"
    assert _farthest([("A", 1), ("H", 900_000), ("L", 600_000)]) == "H900000"


FAULTY = (
    b'<row r="1"><c r="A1" t="inlineStr"><is><t>Date</t></is></c>'
    b'<c r="B1" t="inlineStr"><is><t>Lot</t></is></c>'
    b'<c r="C1" t="inlineStr"><is><t>Measured</t></is></c></row>'
    b'<row r="2"><c r="A2"><v>45000</v></c><c r="B2" t="e"><v>#N/A</v></c><c r="C2"><f>1+1</f></c></row>'
)
SPELLINGS: dict[str, Callable[[bytes], bytes]] = {
    "plain": lambda xml: xml,
    "prefix": lambda xml: re.sub(rb"<(/?)(?=[a-zA-Z])", rb"<\1x:", xml).replace(b"xmlns=", b"xmlns:x="),
    "no references": lambda xml: re.sub(rb' r="[A-Z]*\d+"', b"", xml),
    "other order": lambda xml: re.sub(rb'<c (r="\w+") (t="\w+")', rb"<c \2 \1", xml),
    "single quotes": lambda xml: xml.replace(b't="e"', b"t='e'"),
    "comment": lambda xml: xml.replace(b"<row ", b"<!-- t --><row "),
    "white space": lambda xml: xml.replace(b"><", b">\n  <").replace(b"<c ", b"<c\n  "),
    "spaced equals": lambda xml: xml.replace(b't="e"', b't = "e"'),
}


@pytest.mark.parametrize("spelling", SPELLINGS)
def test_faults_are_found_however_the_xml_is_spelt(spelling: str) -> None:
    def change(xml: bytes) -> bytes:
        body = re.sub(
            rb"<sheetData.*?(?:/>|</sheetData>)",
            b"<sheetData>" + FAULTY + b"</sheetData>",
            xml,
            flags=re.DOTALL,
        )
        declaration, rest = body.split(b"?>", 1)
        return declaration + b"?>" + SPELLINGS[spelling](rest)

    table = only(rewritten(book(lambda workbook, sheet: None), "xl/worksheets/sheet1.xml", change))
    assert sorted(finding.place for finding in table.findings if finding.severity == ERROR) == [
        "Stocktakes!B2",
        "Stocktakes!C2",
    ]


def with_cells(cells: bytes) -> bytes:
    """A workbook with one sheet that holds just these rows."""

    def change(xml: bytes) -> bytes:
        whole = b"<sheetData>" + cells + b"</sheetData>"
        return re.sub(rb"<sheetData.*?(?:/>|</sheetData>)", whole, xml, flags=re.DOTALL)

    return rewritten(book(lambda workbook, sheet: None), "xl/worksheets/sheet1.xml", change)


@pytest.mark.parametrize("body", [b"/>", b"><v>1</v></c>"])
@pytest.mark.parametrize("cell", ["XFE1", "A1048577", "ZZZ9999999", "AAAA1", "A99999999", "A99999999999", "A0", "7"])
def test_a_cell_past_the_edge_of_a_sheet_is_named(cell: str, body: bytes) -> None:
    """The process was ended, or ate all memory, at the value reader."""
    (table,) = read_workbook(with_cells(b'<row r="1"><c r="' + cell.encode() + b'"' + body + b"</row>"))
    (finding,) = table.findings
    assert finding.place.endswith(f"!{cell}")
    assert finding.rule == "is no cell that a sheet can have."


def test_a_row_past_the_edge_of_a_sheet_is_named() -> None:
    (table,) = read_workbook(with_cells(b'<row r="99999999"><c><v>1</v></c></row>'))
    assert [finding.place.partition("!")[2] for finding in table.findings] == ["A99999999"]


def test_a_workbook_with_an_old_macro_sheet_is_read() -> None:
    """It was refused with the advice to save it, which kept the macro sheet."""
    kind = b"http://schemas.microsoft.com/office/2006/relationships/xlMacrosheet"
    content = book(lambda workbook, sheet: sheet.write_row(0, 0, ["Date", "Lot"]))
    content = rewritten(
        content,
        "xl/workbook.xml",
        lambda xml: xml.replace(b"</sheets>", b'<sheet name="Macro1" sheetId="99" r:id="rId99"/></sheets>'),
    )
    content = rewritten(
        content,
        "xl/_rels/workbook.xml.rels",
        lambda xml: xml.replace(
            b"</Relationships>",
            b'<Relationship Id="rId99" Type="' + kind + b'" Target="theme/theme1.xml"/></Relationships>',
        ),
    )
    assert len(read_workbook(content)) == 1


@pytest.mark.parametrize(
    "cells",
    [
        b'<row r="1"><c r="A1" t="s"><v>77</v></c></row>',
        b'<row r="1"><c r="A1" t="unheard"><v>1</v></c></row>',
        b'<row r="1"><c r="A1"><v>1</v></row>',
    ],
)
def test_a_broken_sheet_is_refused_in_one_line(cells: bytes) -> None:
    content = with_cells(cells)
    with pytest.raises(WorkbookError) as refused:
        read_workbook(content)
    assert "\n" not in str(refused.value)
    assert "Open and save" in str(refused.value)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (bytes.fromhex("d0cf11e0a1b11ae1") + bytes(600), "xls"),
        (b"PK\x03\x04 cut off", "damaged"),
        (b"Date,Lot\n", "isn't an Excel workbook"),
        (b"", "empty"),
    ],
)
def test_files_that_are_no_workbook_are_refused_in_one_line(content: bytes, words: str) -> None:
    with pytest.raises(WorkbookError) as refused:
        read_workbook(content)
    assert words in str(refused.value)
    assert "\n" not in str(refused.value)


def test_text_that_looks_like_a_formula_or_a_fault_stays_text() -> None:
    def fill(workbook: xlsxwriter.Workbook, sheet: xlsxwriter.worksheet.Worksheet) -> None:
        plain()(workbook, sheet)
        sheet.write_string("D2", "=cmd|' /C calc'!A0")
        sheet.write_string("D3", 'said t="e" aloud')

    table = only(book(fill))
    assert table.frame["Cause"].tolist() == ["=cmd|' /C calc'!A0", 'said t="e" aloud']
    assert table.findings == ()


def test_a_sheet_of_links_is_ours_with_a_header_of_ours_or_blank_and_else_a_persons_own() -> None:
    fault = Finding("Links!A2", "x", "is wrong.", "Correct it.")
    of_ours, bare = pd.DataFrame({"Their sheet": ["Keller"]}), pd.DataFrame()
    asked = [(of_ours, ()), (of_ours, (fault,)), (bare, ()), (bare, (fault,))]
    assert [is_ours(RawTable("Links", frame, np.array([2]), {}, said)) for frame, said in asked] == [
        *(True, True, True, False)
    ]
