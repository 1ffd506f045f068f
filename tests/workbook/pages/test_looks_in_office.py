"""Every result sheet of the demo as it is printed and as it is seen on a screen: legible, headers whole, the answer in
view, charts with words for those who do not see them.

LibreOffice prints, poppler reads the print: neither is part of the project. What counts as legible (7 points) and as a
first screen (1600 pixels) is common practice, no source.
"""

from __future__ import annotations

import datetime as dt
import re
import shutil
import subprocess
from collections import defaultdict
from pathlib import Path

import pytest
from lxml import etree
from openpyxl import Workbook, load_workbook
from openpyxl.worksheet.worksheet import Worksheet
from PIL import ImageFont

from costing.answers import catalogue
from costing.answers.answer import Answer
from costing.model import Runs
from costing.workbook.file.package import read_package
from costing.workbook.pages.answer_sheets import result_sheets
from costing.workbook.pages.result_sheet import ResultSheet, RunStamp
from costing.workbook.pages.write import result_workbook
from tests.form import chosen
from tests.workbook.looks import answers_of_everything
from tests.workbook.office import convert

pytestmark = pytest.mark.slow

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
def answers(demo_runs: Runs) -> list[Answer]:
    return answers_of_everything(demo_runs)


@pytest.fixture(scope="module")
def results(answers: list[Answer], tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("looks") / "results.xlsx"
    path.write_bytes(result_workbook(result_sheets(answers), STAMP))
    return path


def printed(sheets: list[ResultSheet]) -> list[ResultSheet]:
    """Every sheet; in the short form a few that compute nothing from others, and those of which their charts draw."""
    alone = [sheet for sheet in sheets if not any(table.formulas for table in sheet.tables)]
    some = chosen(full=sheets, short=alone[::12])
    names, drawn = {sheet.name for sheet in some}, {chart.table for sheet in some for chart in sheet.charts}
    return [one for one in sheets if one.name in names or drawn & {table.name for table in one.tables}]


@pytest.fixture(scope="module")
def opened(results: Path) -> Workbook:
    return load_workbook(results)


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
def test_every_page_is_legible_with_a_header_and_no_number_is_cut(answers: list[Answer], tmp_path: Path) -> None:
    if shutil.which("pdftohtml") is None:
        pytest.skip("poppler is not installed")
    some = tmp_path / "some.xlsx"
    some.write_bytes(result_workbook(printed(result_sheets(answers)), STAMP))
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


def test_no_header_is_cut(opened: Workbook) -> None:
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


def test_the_answer_is_on_the_first_screen_of_every_decision_sheet(opened: Workbook) -> None:
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


def test_what_stays_above_a_table_leaves_most_of_a_small_screen(opened: Workbook) -> None:
    for sheet in opened:
        top = int(re.sub(r"\D", "", sheet.freeze_panes)) if sheet.freeze_panes else 1
        frozen = sum(sheet.row_dimensions[row].height or 15.0 for row in range(1, top))
        assert frozen <= MOST_FROZEN, f"{sheet.title}: {frozen} points stay"


def test_a_chart_is_on_the_first_screen_of_every_sheet_that_has_one(opened: Workbook) -> None:
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


def test_a_matrix_on_pages_beside_each_other_names_its_rows_on_each(opened: Workbook) -> None:
    """The second page of Price build-up said "Brut" forty times, and neither format nor channel."""
    assert opened["Price build-up"].print_title_cols == "$A:$C"


def test_every_chart_says_its_message_with_a_figure(results: Path) -> None:
    package = read_package(results.read_bytes(), "results.xlsx")
    parts = [package.part(name).decode() for name in package.members if name.startswith("xl/drawings/drawing")]
    told = [text for part in parts for text in re.findall(r'<xdr:cNvPr [^>]*descr="([^"]*)"', part)]
    assert len(told) == sum(part.count("<xdr:graphicFrame") for part in parts) > 15
    assert [text for text in told if not re.search(r"\d", text.split(". Largest")[-1])] == []
