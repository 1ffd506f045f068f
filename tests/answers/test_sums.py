"""Sums that must agree between result tables: on the demo, on random estates, and where somebody changes a cell.

What is compared is double entry: what stands on one sheet must stand on the other (common practice, no source).
LibreOffice, which is no part of the project, computes the formulas anew.
"""

from __future__ import annotations

import re
from pathlib import Path
from zipfile import ZipFile

import pandas as pd
import pytest
from openpyxl import load_workbook
from openpyxl.utils import FORMULAE

from costing.answers.answer import joined_answers
from costing.answers.sums import AGREES, DIFFERS, Term, agreements, sheets_compared
from costing.commands.records import answers_of_run
from costing.inputs.load import read_inputs
from costing.model import Runs
from costing.workbook.pages.answer_sheets import result_sheets
from costing.workbook.pages.write import result_workbook
from tests.form import chosen
from tests.golden.every_decision import tables
from tests.properties.estates import estate_drawn
from tests.workbook.office import convert


@pytest.mark.parametrize(
    ("term", "figure", "formula"),
    [
        (Term("", "", value="0"), 0.0, "0"),
        (Term("vats", ""), 3.0, "ROWS({vats|Lot})"),
        (Term("vats", "litres"), 60.0, "SUM({vats|Litres})"),
        (Term("vats", "litres", "use", "keep"), 40.0, 'SUMIF({vats|Use},"keep",{vats|Litres})'),
    ],
)
def test_a_term_is_a_number_of_rows_a_sum_or_that_of_one_key(term: Term, figure: float, formula: str) -> None:
    vats = {"vats": pd.DataFrame({"lot": ["A", "B", "C"], "use": ["keep", "sell", "keep"], "litres": [10, 20, 30]})}
    assert (term.figure(vats), term.formula(vats)) == (figure, formula)


@pytest.fixture(scope="module")
def answers(demo_runs: Runs) -> list:
    return answers_of_run(demo_runs, [])


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The checks and the sheets on which they look, of the small house that has something for each."""
    terms = [term for one in agreements() for side in (one.one_side, one.other_side) for term in side]
    looked_at = {"sheets_compared", *(term.table for term in terms)}
    answers = answers_of_run(Runs(read_inputs(tables())), [])
    sheets = [sheet for sheet in result_sheets(answers) if looked_at & {table.name for table in sheet.tables}]
    path = tmp_path_factory.mktemp("sums") / "results.xlsx"
    path.write_bytes(result_workbook(sheets))
    return path


@pytest.mark.slow
def test_every_check_is_made_on_the_demo_and_agrees(answers: list) -> None:
    found = joined_answers(answers)["sheets_compared"]
    assert list(found["check"]) == [one.name for one in agreements()]
    assert set(found["agreement"]) == {AGREES}


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(chosen(full=40, short=2)))
def test_random_estates_agree_with_themselves(seed: int) -> None:
    found = joined_answers(answers_of_run(Runs(estate_drawn(seed, 8)), []))["sheets_compared"]
    assert len(found) > 5
    assert set(found["agreement"]) == {AGREES}, found[found["agreement"] != AGREES].to_string()


def test_a_cent_that_is_missing_is_named(answers: list) -> None:
    given = dict(joined_answers(answers).tables)
    given["stock_value"] = given["stock_value"].copy()
    given["stock_value"].loc[0, "book_value"] -= 0.01
    found = sheets_compared(given)["sheets_compared"]
    wrong = found[found["agreement"] == DIFFERS]
    assert len(wrong) == 2
    assert wrong["check"].str.startswith("Stock by lot").all()
    assert list(wrong["apart"]) == pytest.approx([0.01] * 2)


def test_a_table_that_is_not_there_takes_its_checks_with_it(answers: list) -> None:
    left = {name: frame for name, frame in joined_answers(answers).tables.items() if name != "stock_by_kind"}
    assert len(sheets_compared(left)["sheets_compared"]) == len(agreements()) - 2


def test_formulas_use_only_functions_that_the_file_format_names(demo_with_results: Path) -> None:
    """Later ones need a prefix in the file, which nothing here writes (ECMA-376 part 1, 18.17.7, as openpyxl lists)."""
    with ZipFile(demo_with_results) as package:
        parts = [
            package.read(name).decode() for name in package.namelist() if re.fullmatch(r"xl/worksheets/\w+.xml", name)
        ]
    formulas = [formula for part in parts for formula in re.findall(r"<f[^>]*>([^<]*)</f>", part)]
    used = {name for formula in formulas for name in re.findall(r"[A-Z][A-Z.0-9]*(?=\()", formula)}
    assert used >= {"SUM", "SUBTOTAL", "ABS"}
    assert used <= FORMULAE


def calculated(path: Path, folder: Path) -> list[tuple[str, str, float]]:
    """Check, outcome and what is left between its sides, as LibreOffice computes them."""
    (again,) = convert(path, "xlsx", folder)
    sheet = load_workbook(again, data_only=True)["Run check"]
    first, last = sheet.tables["sheets_compared"].ref.split(":")
    rows = sheet[first:last][1:]
    return [(row[0].value, row[1].value, float(row[4].value)) for row in rows]


@pytest.mark.office
def test_formulas_come_to_the_same_but_where_a_cell_was_changed(results: Path, tmp_path: Path) -> None:
    book = load_workbook(results)
    formulas = [row[1].value for row in book["Run check"][book["Run check"].tables["sheets_compared"].ref][1:]]
    assert all(str(formula).startswith("=") for formula in formulas)
    stock = book["Stock value"]
    headers = stock[stock.tables["stock_value"].ref][0]
    cell = next(cell for cell in headers if cell.value == "Book value").offset(1, 0)
    cell.value += 250
    changed = tmp_path / "changed.xlsx"
    book.save(changed)
    found = calculated(changed, tmp_path)
    assert [name for name, *_ in found] == [one.name for one in agreements()]
    for name, outcome, apart in found:
        expected = (DIFFERS, 250) if name.startswith("Stock by lot") and name.endswith("book") else (AGREES, 0)
        assert (outcome, apart) == expected, name
