"""Every result sheet of the demo estate: what each is called and holds, how it opens, what its charts draw, how it
looks, as it is printed and as it is seen on a screen: legible, headers whole, the answer in view, charts with words for
those who do not see them. Where an estate asks nothing there is no such sheet.

LibreOffice prints, poppler reads the print: neither is part of the project. What counts as legible (7 points) and as a
first screen (1600 pixels) is common practice, no source.
"""

from __future__ import annotations

import datetime as dt
import io
import re
import shutil
import subprocess
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from lxml import etree
from openpyxl.worksheet.worksheet import Worksheet
from PIL import ImageFont

from costing import House, read_estate
from costing.answers import catalogue
from costing.answers.charts import is_drawable
from costing.decisions.cellar.cheapest_blend import trials
from costing.decisions.cellar.recipes import recipes
from costing.decisions.cellar.reserves import vats
from costing.decisions.changes.scenarios import scenarios_answer
from costing.decisions.changes.sensitivity import sensitivity
from costing.decisions.changes.uncertainty_tables import forecast_answer
from costing.decisions.changes.why import why_answer
from costing.decisions.hold_or_release import ageing
from costing.model import Runs
from costing.workbook.file.package import read_package
from costing.workbook.pages.answer_sheets import result_sheets
from costing.workbook.pages.result_sheet import ResultSheet, ResultTable, RunStamp
from costing.workbook.pages.write import result_workbook
from costing.workbook.update import OWNED_SHEETS
from tests.form import chosen
from tests.properties.estates import estate_drawn
from tests.workbook.looks import differences, looks_of_results, sheets_of_everything
from tests.workbook.office import convert

pytestmark = pytest.mark.slow

GOLDEN = Path(__file__).parents[2] / "golden"
AGEING, TRIALS = ("Hold or release", "Candidate dates"), ("Trials costed", "Recipes costed")
PRICES = (
    *("Release prices", "Prices in detail", "Prices per 75 cl", "Price changes", "Scarce bottles", "Margins"),
    "Price build-up",
)
CHANGES = (
    *("Scenarios side by side", "Why it moved", "Sensitivity", "How sure"),
    *("Cells that move most", "Cost step by step", "Costs drawn", "Prices drawn"),
)
Sheets = Mapping[str, ResultSheet]

LEAST_TYPE, ZOOM, FIRST_SCREEN, CHART_WIDE, WIDEST_FIGURE, MOST_PAGES = 7.0, 3, 1600, 500, 200, 120
MOST_FROZEN = 195.0
"""Points of the rows that stay: a third of what a screen of 768 pixels shows below a ribbon, at 100 %."""
WIDER, BARS = 1.06, 80
"""How much wider than its number LibreOffice shows a column; pixels of its row numbers and its bar on the right."""
BUTTON, CLEAR = 40, 2
"""Pixels of a filter button and of the space before it in LibreOffice, measured; between two headers."""
HEADER_INK = "#ffffff"
STAMP = RunStamp(dt.datetime(2026, 1, 2, 3, 4), "0", "book and economic", "ab")


@pytest.fixture(scope="module")
def sheets(demo_runs: Runs) -> Sheets:
    """Every sheet, those of single commands too."""
    return {sheet.name: sheet for sheet in sheets_of_everything(demo_runs)}


@pytest.fixture(scope="module")
def decided(sheets: Sheets) -> list[ResultSheet]:
    """The sheets for deciding."""
    return [sheet for sheet in sheets.values() if sheet.group == "decisions"]


def table(sheet: ResultSheet, name: str) -> ResultTable:
    return next(one for one in sheet.tables if one.name == name)


def test_looks_are_as_kept(sheets: Sheets) -> None:
    """`tests/workbook/looks.py` says how looks are kept anew."""
    assert differences("results", looks_of_results(list(sheets.values()))) == []


def test_every_sheet_for_deciding_opens_with_an_answer_of_its_own(decided: list[ResultSheet]) -> None:
    """Hold or release said how it is computed; Price changes and Borrowing repeated the answer of another sheet."""
    wanted = {name for name, plan in catalogue.sheet_plans().items() if plan.group == "decisions"}
    assert {sheet.name for sheet in decided} == wanted
    first = {sheet.name: sheet.says[0] for sheet in decided if sheet.says}
    assert wanted - set(first) == set()
    assert len(set(first.values())) == len(first), first
    method = {note for plan in catalogue.sheet_plans().values() for note in plan.notes}
    assert not set(first.values()) & method


def test_what_stands_behind_the_first_table_is_not_opened_by_a_wider_one_below(decided: list[ResultSheet]) -> None:
    """Advised stood open after the reason of Spring tirage, because a table below it had a column more."""
    opened = {
        sheet.name: [str(name) for name in sheet.tables[0].frame.columns[sheet.tables[0].shown : widest]]
        for sheet in decided
        if (widest := max(table.shown for table in sheet.tables)) > sheet.tables[0].shown
    }
    assert {name: headers for name, headers in opened.items() if headers} == {}


def test_sheets_are_the_librarys_own_and_make_a_workbook_that_opens(sheets: Sheets, opened: openpyxl.Workbook) -> None:
    assert set(sheets) <= set(OWNED_SHEETS)
    assert opened.sheetnames == list(sheets)
    names = (*AGEING, *TRIALS, "Vats in January", "Vats in blends", *CHANGES, *PRICES)
    tables = {name for title in names for name in opened[title].tables}
    assert {"hold_or_release", "gain_by_date", "return_by_date", "candidate_dates"} <= tables
    assert {"vats", "vats_in_blends", "trial_blends_costed", "trials_made_of", "trials_leave"} <= tables
    assert {"cheapest_blends", "bounds_of_blends", "recipes_costed", "standard_and_actual"} <= tables
    assert {"scenarios_per_bottle", "why_by_year", "tornado", "cells_that_move_most", "costs_drawn"} <= tables
    assert {"verdicts_drawn", "prices_drawn", "doubt_by_figure"} <= tables
    assert sheets["How sure"].tables[0].name == "verdicts_drawn"
    moving = opened["Cells that move most"]
    links = [cell.hyperlink.location for row in moving.iter_rows() for cell in row if cell.hyperlink]
    assert any("Grape prices" in link for link in links)


def test_every_chart_draws_something(sheets: Sheets) -> None:
    kinds = []
    frames = {each.name: each.frame for sheet in sheets.values() for each in sheet.tables}
    for sheet in sheets.values():
        for chart in sheet.charts:
            assert is_drawable(chart, frames[chart.table]), chart.title
            kinds += [chart.kind] if sheet.name in PRICES else []
    assert sorted(kinds) == ["bar", "column", "stacked column", "waterfall"]
    assert len(sheets["Hold or release"].charts) == 7


def test_trials_may_bear_the_name_of_a_header(demo_runs: Runs) -> None:
    estate = demo_runs.estate
    lines = estate["trial_blends"].astype({"trial": object})
    lines["trial"] = (
        lines["trial"].replace({"A as last year": "lot", "B young, more Meunier": "Lot"}).astype("category")
    )
    runs = Runs(replace(estate, tables={**estate.tables, "trial_blends": lines}))
    (sheet,) = result_sheets([trials(runs)])
    assert list(table(sheet, "trials_made_of").frame.columns[:4]) == ["Made of", "Name", "Lot", "Lot (2)"]
    result_workbook([sheet])


def test_another_estate_stands_above_the_years(demo_runs: Runs) -> None:
    sheet, *_ = result_sheets([why_answer(demo_runs, second="Brut", before=demo_runs.estate)])
    assert sheet.tables[0].name == "why_it_moved"
    assert list(sheet.tables[0].frame["What moved"]) == ["before", "after"]


def test_the_waterfall_climbs_from_the_cellar_to_the_shelf(sheets: Sheets) -> None:
    steps = table(sheets["Price build-up"], "price_steps").frame
    rise = steps["Rise"].fillna(0.0).to_numpy() - steps["Fall"].fillna(0.0).to_numpy()
    first, last = steps["Cost"].iloc[0], steps["Cost"].iloc[-1]
    assert steps["Step"].iloc[-1] == "shelf price"
    assert first + rise.sum() == pytest.approx(last)
    reached = first + rise.cumsum()
    base = steps["Base"].to_numpy()[1:-1]
    assert base == pytest.approx([min(pair) for pair in pairwise(reached[:-1])])


def test_the_margins_sheet_says_why_the_best_bottle_is_the_worst_use_of_capital(sheets: Sheets) -> None:
    sheet = sheets["Margins"]
    assert any(note.startswith("Prestige (bottle) looks best per bottle") for note in sheet.says)
    ranked = table(sheet, "margins_by_capital").frame
    bottles = ranked[ranked["Cuvée and format"].str.endswith(" bottle")]
    assert bottles["Cuvée and format"].iloc[-1] == "Prestige bottle"
    assert ranked["Margin a year per unit of capital"].is_monotonic_decreasing
    assert table(sheet, "margins").frame["Margin"].is_monotonic_decreasing


def test_a_caution_stands_beside_excise(sheets: Sheets) -> None:
    for name in ("Release prices", "Price build-up"):
        assert any("licensed professional" in note for note in sheets[name].notes)


def test_nothing_where_there_is_nothing_to_say() -> None:
    rates = pd.DataFrame({"From": ["2020-01-01"], "Hurdle rate (%)": [8.0]})
    runs = Runs(read_estate({"Interest rates": rates}))
    assert result_sheets([ageing(runs), vats(runs), trials(runs), recipes(runs)]) == []
    drawn = Runs(estate_drawn(4, 6))
    assert result_sheets([scenarios_answer(drawn)]) == []
    assert result_sheets([forecast_answer(drawn, 10)]) == []
    for answer in (why_answer(drawn), sensitivity(drawn)):
        result_workbook(result_sheets([answer]))


@pytest.mark.parametrize(("case", "left"), [("S1", set()), ("S2", set()), ("S3", {"Prices in detail"})])
def test_an_estate_without_channels_has_no_price_sheets(case: str, left: set[str]) -> None:
    """What a planned release would cost to make again needs no channel."""
    house = House(read_estate(GOLDEN / case))
    assert {sheet.name for sheet in result_sheets([house.prices(), house.margins()])} == left
    assert not len(house.prices().main)


@pytest.fixture(scope="module")
def results(sheets: Sheets) -> bytes:
    """A workbook of all of them."""
    return result_workbook([*sheets.values()], STAMP)


def printed(sheets: list[ResultSheet]) -> list[ResultSheet]:
    """Every sheet; in the short form a few that compute nothing from others, and those of which their charts draw."""
    alone = [sheet for sheet in sheets if not any(table.formulas for table in sheet.tables)]
    some = chosen(full=sheets, short=alone[::12])
    names, drawn = {sheet.name for sheet in some}, {chart.table for sheet in some for chart in sheet.charts}
    return [one for one in sheets if one.name in names or drawn & {table.name for table in one.tables}]


@pytest.fixture(scope="module")
def opened(results: bytes) -> openpyxl.Workbook:
    """As another program reads them."""
    return openpyxl.load_workbook(io.BytesIO(results))


def pixels(sheet: Worksheet) -> dict[int, float]:
    """Width of each column as it stands open, by its number from 1 (ECMA-376 part 1, 18.3.1.13)."""
    found: dict[int, float] = defaultdict(lambda: 64.0)
    for of in sheet.column_dimensions.values():
        for column in range(of.min, of.max + 1):
            found[column] = 0.0 if of.hidden else of.width * 7
    return found


def headers(sheet: Worksheet) -> list[tuple[int, list[str]]]:
    """Row and headers of each table, from the top."""
    found = []
    for table in sheet.tables.values():
        row = int(re.search(r"\d+", table.ref)[0])
        found.append((row, [column.name for column in table.tableColumns]))
    return sorted(found)


@pytest.mark.office
def test_every_page_is_legible_with_a_header_and_no_number_is_cut(sheets: Sheets, tmp_path: Path) -> None:
    if shutil.which("pdftohtml") is None:
        pytest.skip("poppler is not installed")
    some = tmp_path / "some.xlsx"
    some.write_bytes(result_workbook(printed([*sheets.values()]), STAMP))
    (pdf,) = convert(some, "pdf", tmp_path)
    command = ["pdftohtml", "-xml", "-i", "-hidden", "-zoom", str(ZOOM), "-stdout", str(pdf)]
    read = subprocess.run(command, capture_output=True, timeout=300, check=True).stdout
    fonts: dict[str, tuple[float, str]] = {}
    bare: dict[str, int] = defaultdict(int)
    pages = etree.fromstring(read, etree.XMLParser(recover=True, huge_tree=True)).findall("page")
    for page in pages:
        for font in page.iterfind("fontspec"):
            fonts[font.get("id")] = float(font.get("size")) / ZOOM, font.get("color")
        texts = [(fonts[text.get("font")], "".join(text.itertext()).strip()) for text in page.iterfind("text")]
        said = [text for _, text in texts if text]
        assert not any("###" in text for text in said), said[:3]
        foot = next((text for text in said if text in catalogue.sheet_plans()), "")
        smallest = min(size for (size, _), text in texts if text and text != foot)
        assert smallest + 1 / ZOOM >= LEAST_TYPE, f"{foot}: {smallest:.2f} points"
        if not any(colour == HEADER_INK for (_, colour), _ in texts):
            bare[foot] += 1
    assert not bare, f"pages without a header: {dict(bare)}"
    assert len(pages) <= MOST_PAGES


def test_no_header_is_cut(opened: openpyxl.Workbook) -> None:
    found = subprocess.run(["fc-match", "-f", "%{file}", "Carlito:bold"], capture_output=True, text=True, check=False)
    if "Carlito" not in found.stdout:
        pytest.skip("Carlito is not installed")
    font = ImageFont.truetype(found.stdout, 1000)
    of_a_digit = font.getlength("0") / 7

    def long(text: str) -> float:
        """Pixels of a text as a program sets it."""
        return font.getlength(text) / of_a_digit

    filtered = {(of.title, table.ref) for of in opened for table in of.tables.values() if table.autoFilter}
    assert filtered
    for sheet in opened:
        wide = pixels(sheet)
        buttons = {int(re.search(r"\d+", ref)[0]) for title, ref in filtered if title == sheet.title}
        for row, names in headers(sheet):
            high = sheet.row_dimensions[row].height
            for column, name in enumerate(names, 1):
                room = wide[column] - 5 - (BUTTON if row in buttons else 0)  # 5 pixels stand around a text
                lines = [""]
                for word in name.split() if wide[column] else ():
                    assert long(word) <= room, f"{sheet.title}: {word} of {name}"
                    if long(f"{lines[-1]} {word}") > room:
                        lines.append("")
                    lines[-1] = f"{lines[-1]} {word}".strip()
                assert 15.0 * len(lines) <= high + 0.5, f"{sheet.title}: {name}"
                assert max(map(long, lines)) <= max(0.0, room - CLEAR), f"{sheet.title}: {name} touches its neighbour"


def test_the_answer_is_on_the_first_screen_of_every_decision_sheet(opened: openpyxl.Workbook) -> None:
    for plan in catalogue.sheet_plans().values():
        if plan.group != "decisions" or plan.name not in opened.sheetnames:
            continue
        sheet = opened[plan.name]
        row, names = headers(sheet)[0]
        wide = pixels(sheet)
        answers = [column.header for column in catalogue.columns().values() if column.kind == "verdict"]
        for at, name in enumerate(names, 1):
            if name in answers:
                assert sum(wide[column] for column in range(1, at + 1)) <= FIRST_SCREEN / 2, f"{plan.name}: {name}"
        shown = [at for at in range(1, len(names) + 1) if wide[at]]
        figures = [at for at in shown if isinstance(sheet.cell(row + 1, at).value, (int, float))]
        assert max((wide[at] for at in figures), default=0.0) <= WIDEST_FIGURE, plan.name
        assert len(shown) <= 11, plan.name
        assert sum(wide[at] for at in shown) <= FIRST_SCREEN, plan.name
        assert sheet.freeze_panes == f"B{row + 1}"


def test_what_stays_above_a_table_leaves_most_of_a_small_screen(opened: openpyxl.Workbook) -> None:
    for sheet in opened:
        top = int(re.sub(r"\D", "", sheet.freeze_panes)) if sheet.freeze_panes else 1
        frozen = sum(sheet.row_dimensions[row].height or 15.0 for row in range(1, top))
        assert frozen <= MOST_FROZEN, f"{sheet.title}: {frozen} points stay"


def test_a_chart_is_on_the_first_screen_of_every_sheet_that_has_one(opened: openpyxl.Workbook) -> None:
    """A chart on the right of a matrix of twenty columns was seen by nobody."""
    seen = 0
    for sheet in opened:
        group = catalogue.sheet_plans()[sheet.title].group
        if not sheet._charts or group == "audit":
            continue
        wide, zoom = pixels(sheet), sheet.sheet_view.zoomScale or 100
        first = min(sheet._charts, key=lambda chart: chart.anchor._from.row)
        across = sum(wide[at] for at in range(1, first.anchor._from.col + 1)) + CHART_WIDE
        assert WIDER * across * zoom / 100 < FIRST_SCREEN - BARS, f"the chart of {sheet.title}"
        assert zoom >= 75
        assert first.anchor._from.row <= (20 if group == "decisions" else 26), f"the chart of {sheet.title}"
        seen += 1
    assert seen >= 16


def test_a_matrix_on_pages_beside_each_other_names_its_rows_on_each(opened: openpyxl.Workbook) -> None:
    """The second page of Price build-up said "Brut" forty times, and neither format nor channel."""
    assert opened["Price build-up"].print_title_cols == "$A:$C"


def test_every_chart_says_its_message_with_a_figure(results: bytes) -> None:
    package = read_package(results, "results.xlsx")
    parts = [package.part(name).decode() for name in package.members if name.startswith("xl/drawings/drawing")]
    told = [text for part in parts for text in re.findall(r'<xdr:cNvPr [^>]*descr="([^"]*)"', part)]
    assert len(told) == sum(part.count("<xdr:graphicFrame") for part in parts) > 15
    assert [text for text in told if not re.search(r"\d", text.split(". Largest")[-1])] == []
