"""Result sheets: values and formats, live totals with stored values, text, links, charts, long tables."""

from __future__ import annotations

import datetime as dt
import io
import math
import re
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from openpyxl import Workbook, load_workbook
from openpyxl.utils import range_boundaries
from openpyxl.worksheet.worksheet import Worksheet
from python_calamine import CalamineWorkbook

from costing.answers.charts import CHART_KINDS, Chart
from costing.inputs.estate import empty_table
from costing.workbook.blank.blank import blank_bytes
from costing.workbook.file import long_tables
from costing.workbook.file.graft import graft
from costing.workbook.file.package import read_package
from costing.workbook.file.scan import all_tables
from costing.workbook.file.sheets import read_book
from costing.workbook.pages import measure, write
from costing.workbook.pages.cells import link_location
from costing.workbook.pages.closing_sheets import year_end_sheets
from costing.workbook.pages.draw import _below_steps
from costing.workbook.pages.result_sheet import ResultSheet, ResultTable, RunStamp
from costing.workbook.pages.write import STALE_CELL, result_workbook
from tests.form import chosen

STAMP = RunStamp(dt.datetime(2025, 1, 2, 3, 4), "0.1.0", "book", "ab12cd34")
COSTS = pd.DataFrame(
    {
        "Cuvée": ["Brut", "Rosé", "=cmd|' /C calc'!A0"],
        "Disgorged": pd.to_datetime(["2025-03-01", "2025-04-01", None]),
        "Bottles": [4000.0, 1500.0, 12.0],
        "Cost (EUR)": [11.25, 12.5, np.nan],
        "Share": [0.725, 0.272, 0.003],
        "Place": ["Movements!F17", "Movements 2026!4", None],
    }
)
FORMATS = {"Disgorged": "date", "Bottles": "integer", "Cost (EUR)": "money", "Share": "percent"}
TABLE = ResultTable(
    "cost_per_bottle", COSTS, FORMATS, ("Bottles", "Cost (EUR)"), {"Place": "Place", "Bottles": "Place"}
)
SHEET = ResultSheet("Cost per bottle", "Cost per bottle", ("Coverage: 71 %.",), (TABLE,), says=("Brut costs 11.25.",))
STALE = ('=IF(1>2,"STALE: run again","Inputs unchanged")', "Inputs unchanged")


def written(*sheets: ResultSheet, stored: bool = False) -> Workbook:
    return load_workbook(io.BytesIO(result_workbook(sheets, STAMP, STALE)), data_only=stored)


def one(frame: pd.DataFrame, *charts: Chart, **options: object) -> ResultSheet:
    return ResultSheet("Result", "Result", (), (ResultTable("result", frame, **options),), charts)  # type: ignore[arg-type]


def row_of(sheet: Worksheet, text: str) -> int:
    return next(row for row in range(1, 40) if sheet.cell(row, 1).value == text)


def test_head_of_a_sheet() -> None:
    sheet = written(SHEET)["Cost per bottle"]
    assert sheet["A1"].value == "Cost per bottle"
    assert sheet["A2"].value == "Run 2025-01-02 03:04 · version 0.1.0 · basis book · inputs ab12cd34"
    assert sheet[STALE_CELL].value == STALE[0]
    assert written(SHEET, stored=True)["Cost per bottle"][STALE_CELL].value == STALE[1]
    assert sheet["A4"].value == "Brut costs 11.25."
    below = next(iter(sheet.tables.values())).ref.rpartition(":")[2].lstrip("ABCDEFGH")
    assert [sheet.cell(int(below) + step, 1).value for step in (2, 3)] == ["Notes", "Coverage: 71 %."]


def test_what_is_frozen_leaves_room_for_the_rows_below_it() -> None:
    """Sixteen lines of notes were frozen above a table: a laptop showed four rows of it."""
    said = tuple(
        f"Sentence {number} is as long as one line of it may be, and not a word longer." for number in range(9)
    )
    sheet = written(replace(SHEET, says=said))["Cost per bottle"]
    top = row_of(sheet, "Cuvée")
    assert sheet.freeze_panes == f"B{top + 1}"
    assert [sheet.cell(row, 1).value for row in range(4, top)] == [*said[: measure.MOST_LINES], None]
    notes = row_of(sheet, "Notes")
    assert [sheet.cell(notes + step, 1).value for step in range(1, 7)] == [
        *said[measure.MOST_LINES :],
        "Coverage: 71 %.",
    ]
    long = " ".join(said)
    alone = written(replace(SHEET, says=(long, "Another.")))["Cost per bottle"]
    told = [alone.cell(row, 1).value for row in range(4, row_of(alone, "Cuvée") - 1)]
    assert " ".join(told) == long


def test_values_and_formats() -> None:
    sheet = written(SHEET)["Cost per bottle"]
    top = row_of(sheet, "Cuvée")
    first = [cell.value for cell in sheet[top + 1]]
    assert first == ["Brut", dt.datetime(2025, 3, 1), 4000, 11.25, 0.725, "Movements!F17"]
    assert [cell.number_format for cell in sheet[top + 1]] == [
        *("General", "yyyy-mm-dd", "#,##0", "#,##0.00", "0.0%", "General")
    ]
    last = [cell.value for cell in sheet[top + 3]]
    assert last == ["=cmd|' /C calc'!A0", None, 12, None, 0.003, None]


def test_text_stays_text() -> None:
    sheet = written(SHEET)["Cost per bottle"]
    assert sheet.cell(row_of(sheet, "Cuvée") + 3, 1).data_type == "s"


@pytest.mark.parametrize("long", [False, True])
@pytest.mark.parametrize(
    "text",
    ["=1+1", "+1", "@a", "-1", " led by a space", "a\nb", "<&>\"'", "_x0041_", "http://example.org", "1e5"],
)
def test_any_text_is_read_back_as_it_is(text: str, long: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(write, "LONG_TABLE", 1 if long else 99)
    content = result_workbook([one(pd.DataFrame({"Lot": ["first", text, "last"]}))])
    read = CalamineWorkbook.from_filelike(io.BytesIO(content)).get_sheet_by_name("Result").to_python()
    assert [row[0] for row in read][-3:] == ["first", text, "last"]
    sheet = load_workbook(io.BytesIO(content))["Result"]
    cell = sheet.cell(row_of(sheet, "Lot") + 2, 1)
    assert cell.data_type in ("s", "inlineStr")
    assert cell.hyperlink is None


@pytest.mark.parametrize("long", [False, True])
def test_signs_that_xml_cannot_hold_are_left_out(long: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(write, "LONG_TABLE", 1 if long else 99)
    sheet = written(one(pd.DataFrame({"Lot": ["a\x00b\x1fc\ufffe", "V\x07"]})))["Result"]
    assert [sheet.cell(row_of(sheet, "Lot") + step, 1).value for step in (1, 2)] == ["abc", "V"]


def test_totals_are_live_with_their_value_stored() -> None:
    live, stored = (written(SHEET, stored=kept)["Cost per bottle"] for kept in (False, True))
    row = row_of(live, "Total")
    assert live.cell(row, 3).value == "=SUBTOTAL(109,cost_per_bottle[Bottles])"
    assert stored.cell(row, 3).value == 5512
    assert stored.cell(row, 4).value == pytest.approx(23.75)
    assert live.cell(row, 5).value is None
    assert live.cell(row, 4).number_format == "#,##0.00"
    assert next(iter(live.tables.values())).totalsRowCount == 1


def test_tables_keep_their_names_and_headers() -> None:
    content = result_workbook([SHEET])
    ((_, table),) = all_tables(read_book(read_package(content, "a.xlsx")))
    assert table.name == "cost_per_bottle"
    sheet = load_workbook(io.BytesIO(content))["Cost per bottle"]
    assert [column.name for column in sheet.tables["cost_per_bottle"].tableColumns] == list(COSTS.columns)


def test_places_are_links_and_numbers_stay_numbers() -> None:
    sheet = written(SHEET)["Cost per bottle"]
    top = row_of(sheet, "Cuvée")
    assert sheet.cell(top + 1, 6).hyperlink.location == "'Movements'!F17"
    assert sheet.cell(top + 2, 6).hyperlink.location == "'Movements 2026'!A4"
    assert sheet.cell(top + 1, 3).hyperlink.location == "'Movements'!F17"
    assert sheet.cell(top + 1, 3).value == 4000
    assert sheet.cell(top + 3, 6).hyperlink is None


@pytest.mark.parametrize(
    ("place", "location"),
    [
        ("Movements!F17", "'Movements'!F17"),
        ("Movements!17", "'Movements'!A17"),
        ("Settings", "'Settings'!A1"),
        ("Vat's!B2", "'Vat''s'!B2"),
        ("Cuvées!$B$2", "'Cuvées'!$B$2"),
        (None, None),
        (float("nan"), None),
        ("", None),
    ],
)
def test_place_to_link(place: object, location: str | None) -> None:
    assert link_location(place) == location


def test_no_more_links_than_a_sheet_can_hold(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(write, "MAX_LINKS", 3)
    frame = pd.DataFrame({"Lot": [f"V{n}" for n in range(5)], "Place": [f"Movements!A{n + 2}" for n in range(5)]})
    tables_ = tuple(ResultTable(name, frame, links={"Lot": "Place"}) for name in ("one", "two"))
    sheet = written(ResultSheet("Origins", "Origins", (), tables_))["Origins"]
    linked = [cell.value for row in sheet.iter_rows() for cell in row if cell.hyperlink]
    assert linked == ["V0", "V1", "V2"]


def test_an_empty_table_keeps_its_header_and_totals_nought() -> None:
    sheet = written(one(COSTS.head(0), total_columns=("Bottles",)), stored=True)["Result"]
    top = row_of(sheet, "Cuvée")
    assert [sheet.cell(top + 1, column).value for column in range(1, 7)] == [None] * 6
    assert sheet.cell(top + 2, 3).value == 0
    assert sheet.tables["result"].ref == f"A{top}:F{top + 2}"


def cells(content: bytes) -> dict[str, tuple[object, str, str | None, object]]:
    sheet = load_workbook(io.BytesIO(content))["Result"]
    return {
        cell.coordinate: (
            cell.value,
            cell.number_format,
            cell.hyperlink and cell.hyperlink.location,
            cell.font.b,
        )
        for row in sheet.iter_rows()
        for cell in row
    }


def test_long_tables_are_the_same_cells_as_short_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    frame = pd.concat([COSTS] * 7, ignore_index=True).assign(Sure=[True, False, True] * 7)
    sheets = [one(frame, formats=FORMATS, total_columns=("Bottles",), links={"Cuvée": "Place"})]
    monkeypatch.setattr(write, "LONG_TABLE", 1_000)
    short = cells(result_workbook(sheets, STAMP))
    for block in (4, 1_000):
        monkeypatch.setattr(write, "LONG_TABLE", 2)
        monkeypatch.setattr(long_tables, "_BLOCK", block)
        assert cells(result_workbook(sheets, STAMP)) == short


def test_two_long_tables_on_one_sheet(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(write, "LONG_TABLE", 2)
    frame = pd.DataFrame({"Lot": list("abcde"), "Place": [f"Tirage!A{n}" for n in range(2, 7)]})
    both = tuple(ResultTable(name, frame, links={"Lot": "Place"}) for name in ("one", "two"))
    sheet = written(ResultSheet("Origins", "Origins", (), both))["Origins"]
    values = [row[0].value for row in sheet.iter_rows() if row[0].value in list("abcde")]
    assert values == list("abcde") * 2
    assert sum(cell.hyperlink is not None for row in sheet.iter_rows() for cell in row) == 10


def test_two_links_for_one_column_do_not_make_the_index_count() -> None:
    sheet = written(one(COSTS.set_index(pd.Index([5, 6, 7])), formats=FORMATS))["Result"]
    assert sheet.cell(row_of(sheet, "Cuvée") + 2, 1).value == "Rosé"


def described(kind: str) -> Chart:
    series = ("Base", "Cost") if kind == "waterfall" else ("Cost", "Base")
    return Chart(
        kind,
        f"Cost as {kind}",
        "result",
        "Year" if kind == "scatter" else "Cuvée",
        series,
        "cuvée",
        "EUR per bottle",
    )


CHARTED = pd.DataFrame({"Cuvée": ["Brut", "Rosé"], "Year": [2024, 2025], "Base": [1.0, 2.0], "Cost": [3.0, 4.0]})


def chart_xml(content: bytes) -> list[str]:
    package = read_package(content, "a.xlsx")
    return [package.part(name).decode() for name in sorted(package.members) if name.startswith("xl/charts/chart")]


@pytest.mark.parametrize("kind", CHART_KINDS)
def test_each_kind_of_chart_is_native_with_words_on_its_axes(kind: str) -> None:
    (xml,) = chart_xml(result_workbook([one(CHARTED, described(kind))]))
    assert f"Cost as {kind}" in xml
    assert ">cuvée<" in xml
    assert ">EUR per bottle<" in xml
    assert xml.count("<c:ser>") == 2
    assert "Result!$D$6:$D$7" in xml.replace("'", "")
    assert '<c:delete val="1"/>' not in xml.split("</c:legend>")[0].split("<c:legend>")[0]
    # The figures are stored with the chart, for programs that don't calculate.
    assert xml.count("<c:v>3</c:v>") == 1
    tag = {"line": "c:lineChart", "scatter": "c:scatterChart"}.get(kind, "c:barChart")
    assert f"<{tag}>" in xml
    assert ('<c:barDir val="bar"/>' in xml) == (kind == "bar")
    assert ('<c:grouping val="stacked"/>' in xml) == (kind in ("stacked column", "waterfall"))


def test_the_base_of_a_waterfall_is_not_seen() -> None:
    chart = replace(described("waterfall"), series=("Base", "Cost", "Year"))
    (xml,) = chart_xml(result_workbook([one(CHARTED, chart)]))
    base, *steps = re.findall("<c:ser>.*?</c:ser>", xml)
    assert "<a:noFill/>" in base.split("<c:cat>")[0]
    assert all("<a:solidFill>" in step.split("<c:cat>")[0] for step in steps)
    assert '<c:idx val="0"/><c:delete val="1"/>' in xml.split("<c:legend>")[1]


def test_bars_begin_at_nought_unless_something_is_negative() -> None:
    upward = chart_xml(result_workbook([one(CHARTED, described("column"))]))[0]
    downward = chart_xml(result_workbook([one(CHARTED.assign(Cost=[-1.0, 2.0]), described("column"))]))[0]
    assert '<c:min val="0"/>' in upward
    assert "<c:min" not in downward


@pytest.mark.parametrize(("highest", "ends"), [(0.9, None), (0.91, 1), (1.0, 1), (1.005, 1), (1.006, None)], ids=str)
def test_an_axis_of_parts_of_a_whole_ends_at_the_whole_where_they_come_near_it(
    highest: float, ends: int | None
) -> None:
    frame = pd.DataFrame({"Cuvée": ["Brut", "Rosé"], "Part": [0.5, highest]})
    chart = Chart("column", "Parts", "result", "Cuvée", ("Part",), "Cuvée", "Part", number_format="0%")
    sheet = written(one(frame, chart, formats={"Part": "percent"}))["Result"]
    assert sheet._charts[0].y_axis.scaling.max == ends


def test_a_waterfall_whose_steps_reach_half_way_down_begins_at_nought() -> None:
    chart = Chart("waterfall", "Price", "result", "Step", ("Base", "Up"), "Step", "EUR")
    for base, begins in ((50.0, 0.0), (51.0, 30.0)):
        frame = pd.DataFrame({"Step": ["a", "b"], "Base": [0.0, base], "Up": [100.0, 100.0 - base]})
        assert _below_steps(chart, frame) == begins


def test_the_notes_stay_with_the_table_above_them_where_a_page_ends_below_them() -> None:
    """Its charts go on over the next page."""
    found = []
    for rows in range(18, 23):
        frame = pd.DataFrame({"Cuvée": [f"Cuvée {number}" for number in range(rows)], "Cost": 1.0})
        charts = [Chart("column", f"Cost {turn}", "result", "Cuvée", ("Cost",), "Cuvée", "EUR") for turn in range(4)]
        sheet = written(replace(one(frame, *charts), notes=("A note.", "Another.")))["Result"]
        last = max(row for row in range(1, 60) if sheet.cell(row, 1).value)
        notes = next(row for row in range(1, 60) if sheet.cell(row, 1).value == "Notes")
        first = min(brk.id for brk in sheet.row_breaks.brk)
        assert first > last or first < notes - 2, "neither cut nor alone"
        found.append(first - last)
    assert 1 in found, "the page ends right below the notes"
    assert min(found) < 0 < max(found)


def test_an_empty_chart_is_not_drawn() -> None:
    assert chart_xml(result_workbook([one(CHARTED.head(0), described("line"))])) == []
    assert chart_xml(result_workbook([one(CHARTED.assign(Base=np.nan, Cost=np.nan), described("line"))])) == []


@pytest.mark.parametrize("kinds", [("line",), ("line", "bar", "column")])
def test_tables_and_charts_do_not_overlap(kinds: tuple[str, ...]) -> None:
    first = ResultTable("result", CHARTED)
    second = ResultTable("second", CHARTED)
    sheet = ResultSheet("Result", "Result", (), (first, second), tuple(map(described, kinds)))
    package = read_package(result_workbook([sheet]), "a.xlsx")
    drawing = package.part("xl/drawings/drawing1.xml").decode()
    corners = re.findall(
        r"<xdr:from><xdr:col>(\d+)</xdr:col>.*?<xdr:row>(\d+)</xdr:row>.*?<xdr:to>.*?<xdr:row>(\d+)", drawing
    )
    tops = {table.name: table.first_row for _, table in all_tables(read_book(package))}
    assert all(int(column) > CHARTED.shape[1] for column, _, _ in corners), "right of the widest table"
    assert all(int(top) < tops["second"] + 2 for _, top, _ in corners[:1]), "the first on the first screen"
    spans = sorted((int(top), int(bottom)) for _, top, bottom in corners)
    assert all(before[1] <= after[0] for before, after in pairwise(spans)), "one below the other"


def test_long_text_is_wrapped_in_a_row_that_is_high_enough() -> None:
    verdicts = [
        "Hold.",
        "Hold 24 months: worth 26,340.56 more than releasing now; the last step earns 12.2 % a year, the next 4.3 %.",
    ]
    frame = pd.DataFrame({"Lot": ["T24", "T25"], "Verdict": verdicts})
    book = written(ResultSheet("Result", "Result", (), (ResultTable("result", frame),)))
    sheet = book["Result"]
    assert sheet.column_dimensions["B"].width < 52
    first, second = row_of(sheet, "T24"), row_of(sheet, "T25")
    assert sheet.cell(second, 2).alignment.wrap_text
    assert sheet.row_dimensions[first].height is None
    assert sheet.row_dimensions[second].height >= 30
    short = written(ResultSheet("Result", "Result", (), (ResultTable("result", frame.head(1)),)))["Result"]
    assert not short.cell(first, 2).alignment.wrap_text


def test_a_header_goes_along_where_its_table_goes_on() -> None:
    short = ResultTable("short", CHARTED)
    long = ResultTable("long", pd.DataFrame({"Lot": [f"V{n}" for n in range(90)]}))
    after = written(ResultSheet("Result", "Result", (), (short, long)))["Result"]
    header = row_of(after, "Lot")
    assert after.print_title_rows == f"${header}:${header}"
    before = written(ResultSheet("Result", "Result", (), (long, short)))["Result"]
    header = row_of(before, "Lot")
    assert before.print_title_rows == f"${header}:${header}", "the long table's own header, not the short one's"
    both = written(ResultSheet("Result", "Result", (), (long, replace(long, name="longer"))))["Result"]
    assert both.print_title_rows == "$1:$2", "the title: no header stands over another's table"


def test_every_sheet_prints_one_page_wide_with_its_headers() -> None:
    book = written(SHEET)
    sheet = book["Cost per bottle"]
    assert sheet.page_setup.orientation == "landscape"
    assert (sheet.sheet_properties.pageSetUpPr.fitToPage, sheet.page_setup.fitToHeight) == (True, 0)
    top = row_of(sheet, "Cuvée")
    assert sheet.print_title_rows == f"${top}:${top}"
    assert sheet.freeze_panes == f"B{top + 1}"
    assert sheet.sheet_properties.tabColor is not None


def test_columns_are_wide_enough_for_what_they_show() -> None:
    frame = pd.DataFrame({"Text": ["a text of thirty characters !!"], "Amount": [-123456789.125], "Small": [1.0]})
    sheet = written(one(frame, formats={"Amount": "money", "Small": "money"}))["Result"]
    widths = [sheet.column_dimensions[letter].width for letter in "ABC"]
    assert widths[0] >= 0.82 * len(frame["Text"][0])  # small letters are narrower than digits
    assert widths[1] >= len("-123,456,789.13")
    assert widths[2] < 12


WRONG: dict[str, Callable[[], list[ResultSheet]]] = {
    "has no column Bottle": lambda: [one(COSTS, total_columns=("Bottle",))],
    "has no format euro": lambda: [one(COSTS, formats={"Bottles": "euro"})],
    "two result tables have one name": lambda: [
        one(COSTS),
        ResultSheet("Other", "Other", (), (ResultTable("Result", COSTS),)),
    ],
    "needs different, filled headers": lambda: [one(COSTS.rename(columns={"Bottles": "cuvée"}))],
    "isn't on any sheet": lambda: [one(COSTS, Chart("line", "Cost", "other", "Cuvée", ("Bottles",), "cuvée", "EUR"))],
}


@pytest.mark.parametrize("message", WRONG)
def test_a_description_that_contradicts_its_frame_is_refused(message: str) -> None:
    with pytest.raises(ValueError, match=message):
        result_workbook(WRONG[message]())


def test_frames_are_left_as_they_were() -> None:
    before = COSTS.copy()
    result_workbook([SHEET], STAMP, STALE)
    pd.testing.assert_frame_equal(COSTS, before)


def test_equal_results_give_equal_bytes() -> None:
    assert result_workbook([SHEET], STAMP, STALE) == result_workbook([SHEET], STAMP, STALE)


@pytest.mark.slow
@pytest.mark.parametrize("long", [False, True])
def test_result_sheets_move_into_an_input_workbook(long: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(write, "LONG_TABLE", 1 if long else 99)
    sheet = ResultSheet(
        "Result",
        "Result",
        (),
        (ResultTable("result", CHARTED, total_columns=("Cost",)),),
        (described("column"),),
    )
    results = result_workbook([SHEET, sheet], STAMP, STALE)
    package = read_package(blank_bytes(names=("settings",)), "estate.xlsx")
    content = graft(package, results, ["Cost per bottle", "Result"])
    again = graft(read_package(content, "estate.xlsx"), results, ["Cost per bottle", "Result"])
    book = load_workbook(io.BytesIO(again))
    assert book.sheetnames[-2:] == ["Cost per bottle", "Result"]
    assert book["Result"].tables["result"].ref == "A5:D8"
    row = row_of(book["Cost per bottle"], "Total")
    assert book["Cost per bottle"].cell(row, 3).value == "=SUBTOTAL(109,cost_per_bottle[Bottles])"
    assert book["Result"]["D7"].value == 4
    assert read_book(read_package(again, "a.xlsx")).owned()


@pytest.mark.slow
def test_many_rows_are_written_and_added_up() -> None:
    size = chosen(full=100_000, short=2_500)
    draw = np.random.default_rng(1).normal(100.0, 20.0, (size, 8)).round(2)
    frame = pd.DataFrame({f"Name {n}": [f"V{row % 300}" for row in range(size)] for n in range(4)})
    frame = frame.assign(**{f"Amount {n}": draw[:, n] for n in range(8)})
    amounts = {f"Amount {n}": "money" for n in range(8)}
    content = result_workbook([one(frame, formats=amounts, total_columns=("Amount 0",))], STAMP)
    sheet = load_workbook(io.BytesIO(content), read_only=True, data_only=True)["Result"]
    last = list(sheet.iter_rows(min_row=size + 4, max_row=size + 6, values_only=True))
    assert last[-1][4] == pytest.approx(math.fsum(draw[:, 0]))
    assert last[-2][:2] == ("V99", "V99")


@pytest.mark.parametrize(("rows", "first_page_alone"), [(30, False), (600, True)])
def test_of_a_long_table_for_audit_the_first_page_prints_alone(rows: int, *, first_page_alone: bool) -> None:
    frozen = year_end_sheets({"yearend_costs": empty_table("yearend_costs").reindex(range(rows))})
    sheet = load_workbook(io.BytesIO(result_workbook(frozen)))["Year-end costs"]
    assert sheet.max_row > rows
    assert bool(sheet.print_area) == first_page_alone
    if first_page_alone:
        assert 20 < range_boundaries(sheet.print_area.partition("!")[2])[3] < 70
