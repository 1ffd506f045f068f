"""Result sheets and report of estates that are small, empty, large or wordy: no empty chart, no empty table without a
sentence, nothing that is not filled in.

A chart without a figure and a table without a row say nothing (common practice, no source).
"""

from __future__ import annotations

import io
import math
import re

import openpyxl
import pandas as pd
import pytest
from openpyxl.utils import get_column_letter, range_boundaries

from costing import read_estate
from costing.answers import catalogue
from costing.answers.answer import Answer, joined_answers
from costing.answers.charts import is_drawable
from costing.answers.sums import AGREES
from costing.answers.text import text_answer
from costing.commands.records import answers_of_run, demo_folder
from costing.model import Runs
from costing.report import page_of
from costing.workbook.pages.answer_sheets import result_sheets
from costing.workbook.pages.look import DEFAULT_WIDTH, WIDEST
from costing.workbook.pages.write import result_workbook
from tests.form import chosen

pytestmark = pytest.mark.slow

LONG = "A name of a wine of sixty characters as nobody will read it "
PRINTED = ("front_costs", "front_stock", "front_do", "front_prices", "front_vats", "front_cash")
SETTINGS = pd.DataFrame({"Setting": ["Valuation date", "Currency"], "Value": ["2024-12-31", "EUR"]})
RATES = pd.DataFrame({"From": ["2015-01-01"], "Hurdle rate (%)": [8]})


def many(count: int, name: str = "Wine") -> dict[str, pd.DataFrame]:
    """Tables of an estate with so many cuvées on lees, half of each disgorged; no prices and no plans."""
    cuvees = [f"{name.strip()[: 60 - len(str(at))]}{at}" for at in range(count)]
    lots = [f"T20-{at}" for at in range(count)]
    return {
        "settings": SETTINGS,
        "interest_rates": RATES,
        "opening_stock": pd.DataFrame(
            {
                **{"Date": "2020-12-31", "Lot": lots, "Kind": "on lees", "Quantity": 1000.0, "Unit": "bottles"},
                **{"Format": "bottle", "Cuvée": cuvees, "Tirage date": "2020-05-01"},
            }
        ),
        "opening_costs": pd.DataFrame(
            {
                **{"Lot": lots, "Stage": "harvest", "Element": "grapes", "Mean payment date": "2019-12-01"},
                "Amount": [6000.0 + at for at in range(count)],
            }
        ),
        "disgorgements": pd.DataFrame(
            {
                **{"Date": "2023-06-01", "Release lot": [f"D23-{at}" for at in range(count)], "From lot": lots},
                **{"Bottles in (bottles)": 500.0, "Bottles out (bottles)": 495.0},
            }
        ),
    }


ESTATES = {
    "none": {"settings": SETTINGS, "interest_rates": RATES},
    "one": many(1),
    "wordy": many(3, LONG),
    "many": many(chosen(full=200, short=70)),
}


@pytest.fixture(scope="module", params=[*ESTATES, "first year"])
def runs(request: pytest.FixtureRequest) -> Runs:
    """An odd estate; the example of a first year has one cuvée, no list prices and no plans."""
    name = request.param
    return Runs(read_estate(demo_folder() / "small" if name == "first year" else ESTATES[name]))


@pytest.fixture(scope="module")
def answers(runs: Runs) -> list[Answer]:
    return answers_of_run(runs, [])


@pytest.fixture(scope="module")
def written(answers: list[Answer]) -> openpyxl.Workbook:
    """Its result sheets, as another program reads them."""
    return openpyxl.load_workbook(io.BytesIO(result_workbook(result_sheets(answers))))


def test_every_sheet_says_something_and_no_chart_is_empty(answers: list[Answer], written: openpyxl.Workbook) -> None:
    sheets = result_sheets(answers)
    assert sheets[0].name == "Answers"
    frames = {table.name: table.frame for sheet in sheets for table in sheet.tables}
    assert all(len(frame) for frame in frames.values())
    for sheet in sheets:
        texts = [sheet.title, *sheet.says, *sheet.notes, *(table.title for table in sheet.tables)]
        assert not [text for text in texts if re.search(r"\{\w+\}|\bnan\b|\bNaT\b|\bNone\b", text)], sheet.name
    drawn = sum(len(sheet._charts) for sheet in written)
    wanted = [chart for sheet in sheets for chart in sheet.charts]
    assert drawn == sum(is_drawable(chart, frames[chart.table]) for chart in wanted)
    for sheet in written:
        widths = [column.width for column in sheet.column_dimensions.values()]
        assert max(widths, default=0.0) <= WIDEST + 3.0, sheet.title


def test_the_first_page_fits_a_page_and_says_what_every_sheet_without_a_row_waits_for(answers: list[Answer]) -> None:
    """Two hundred cuvées were printed on one page in type that nobody reads; an empty estate had an empty page."""
    front, *others = answers
    assert sum(len(front.tables.get(name, ())) for name in PRINTED) <= 60
    waiting = front["front_waiting"].set_index("what")["waits_for"]
    filled = set(front["contents"]["sheet_link"])
    for answer in others:
        if answer.tables and not len(answer.main):
            sheet = catalogue.table(next(iter(answer.tables))).sheet
            assert waiting[sheet].endswith(".") or sheet in filled
    assert not filled & set(waiting.index)
    assert waiting["Spring tirage"] == "costing tirage FILE --write"
    assert ("No bottles are disgorged yet." in front.says) == (not len(front["front_costs"]))


def test_no_sentence_of_the_first_page_is_cut_in_print(written: openpyxl.Workbook) -> None:
    """Where nothing is costed its columns are few, and the print ended in the middle of a sentence."""
    sheet = written["Answers"]
    _, _, last, below = range_boundaries(sheet.print_area.partition("!")[2])
    widths = [sheet.column_dimensions[get_column_letter(at)] for at in range(1, last + 1)]
    across = sum(of.width if of.customWidth else DEFAULT_WIDTH for of in widths)
    notes = [sheet.cell(row, 1).value for row in range(3, min(below, 10)) if not sheet.cell(row, 2).value]
    assert 0.86 * max(len(note) for note in notes if isinstance(note, str)) <= across


def test_an_answer_without_rows_has_its_sentence(answers: list[Answer]) -> None:
    for answer in answers:
        if not len(answer.main):
            for said in (text_answer(answer), answer._repr_html_()):
                assert re.search(r"\w{3,}.*\.", said), list(answer.tables)


def test_sums_agree_and_nothing_is_infinite(answers: list[Answer]) -> None:
    tables = joined_answers(answers).tables
    if "sheets_compared" in tables:
        assert set(tables["sheets_compared"]["agreement"]) <= {AGREES}
    for name, frame in tables.items():
        for column in frame.select_dtypes("number"):
            assert not frame[column].map(math.isinf).any(), f"{name}: {column}"


def test_the_report_has_no_empty_table_and_no_empty_picture(runs: Runs) -> None:
    page = page_of(runs)
    assert "<tbody></tbody>" not in page
    assert re.findall(r"<svg[^>]*></svg>", page) == []
    assert re.findall(r"<h2>[^<]*</h2></section>", page) == []
    assert not re.search(r">(nan|NaT|None|inf)<", page)
