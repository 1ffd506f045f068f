"""What a reader sees of results is said in the data and nowhere else, and said there it reaches every reader."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import pandas as pd
import pytest

import costing
from costing.answers import catalogue
from costing.answers.answer import Answer, rows_of
from costing.answers.kinds import COLUMN_KINDS
from costing.answers.page import html_table
from costing.answers.text import text_answer, text_table
from costing.report import page
from costing.workbook.pages.answer_sheets import result_sheets

ROOT = Path(costing.__file__).parent
UPPER = ("accounts", "decisions", "report", "commands", "house.py", "terminal.py", "cli.py", "model.py", "results")


@cache
def _nodes(path: Path) -> tuple[ast.AST, ...]:
    """All that a file is written of."""
    return tuple(ast.walk(ast.parse(path.read_text("utf-8"))))


@cache
def _texts(path: Path) -> frozenset[str]:
    """Text constants of a file, docstrings left out."""
    documented = (ast.Module, ast.ClassDef, ast.FunctionDef)
    told = {ast.get_docstring(node, clean=False) for node in _nodes(path) if isinstance(node, documented)}
    texts = {node.value for node in _nodes(path) if isinstance(node, ast.Constant) and isinstance(node.value, str)}
    return frozenset(texts - {text for text in told if text})


def _upper_files() -> list[Path]:
    return [path for part in UPPER for path in ([ROOT / part] if part.endswith(".py") else (ROOT / part).rglob("*.py"))]


def test_no_header_or_title_of_a_result_is_typed_again() -> None:
    headers = {column.header for column in catalogue.columns().values() if len(column.header.split()) > 1}
    titles = {table.title for table in catalogue.tables().values()}
    titles |= {plan.title for plan in catalogue.sheet_plans().values()} | {plan.title for plan in catalogue.charts()}
    again = {path.name: words for path in _upper_files() if (words := _texts(path) & (headers | titles))}
    assert not again


def test_no_number_format_of_a_spreadsheet_stands_above_the_kinds() -> None:
    formats = re.compile(r"#,##|0\.0+%|yyyy-mm")
    again = {path.name for path in _upper_files() if any(formats.search(text) for text in _texts(path))}
    assert not again


def test_a_dictionary_of_headers_is_nowhere() -> None:
    """Names of result columns on one side, words for people on the other: that is what `columns.csv` is for."""
    names = {column.name for column in catalogue.columns().values()}
    found = {}
    for path in _upper_files():
        for node in _nodes(path):
            if isinstance(node, ast.Dict):
                pairs = [
                    (key.value, value.value)
                    for key, value in zip(node.keys, node.values, strict=True)
                    if isinstance(key, ast.Constant) and isinstance(value, ast.Constant)
                ]
                headed = [
                    key for key, value in pairs if key in names and isinstance(value, str) and value[:1].isupper()
                ]
                if len(headed) > 2:
                    found[path.name] = headed
    assert not found


def test_a_share_is_named_as_one_and_every_reader_sees_a_percentage() -> None:
    for table in catalogue.tables().values():
        shares = {name: name.replace("*", "part") for name in table.columns if _is_share(name)}
        if not shares:
            continue
        frame = pd.DataFrame({name.replace("*", "part"): [_any_value(name)] for name in table.columns})
        printed = text_table(table.name, frame, wide=True)
        assert printed.count("12.3%") == len(shares), table.name
        assert html_table(table.name, frame, list(frame.columns)).count("12.3%") == len(shares), table.name
        for sheet in result_sheets([Answer({table.name: frame})]):
            kinds = [COLUMN_KINDS[kind] for kind in sheet.tables[0].formats.values()]
            assert sum(kind.percent for kind in kinds) == len(shares), table.name


def _any_value(name: str) -> object:
    kind = catalogue.column(name.replace("*", "part")).kind
    if kind == "date":
        return pd.Timestamp("2025-12-31")
    return 0.123 if COLUMN_KINDS[kind].percent else 5.0 if COLUMN_KINDS[kind].is_figure else "x"


def _is_share(name: str) -> bool:
    return COLUMN_KINDS[catalogue.column(name.replace("*", "part")).kind].percent


def test_what_is_called_a_share_is_of_a_kind_that_is_shown_as_one() -> None:
    for column in catalogue.columns().values():
        if re.search(r"(^|_)(share|part|probability)(_|:|$)", column.name):
            assert (
                COLUMN_KINDS[column.kind].percent
                or COLUMN_KINDS[column.kind].decimals is None
                or "money" in column.kind
            ), column.name


def test_json_keeps_twelve_digits_and_no_noise() -> None:
    assert rows_of(pd.DataFrame({"a": [1234.56789012345]})) == [{"a": 1234.56789012}]
    rows = rows_of(pd.DataFrame({"a": [0.1 + 0.2, 1e-7 / 3, None], "b": ["x", None, "y"], "c": [1, 2, 3]}))
    assert rows[0] == {"a": 0.3, "b": "x", "c": 1}
    assert rows[1] == {"a": pytest.approx(1e-7 / 3, rel=1e-11), "b": None, "c": 2}
    assert rows[2] == {"a": None, "b": "y", "c": 3}


@pytest.fixture
def one_column_more(monkeypatch):
    """A column put into the data: a row of columns.csv, a word in tables.csv."""
    read = catalogue.packaged_rows
    cached = (catalogue.columns, catalogue.tables, catalogue.column)

    def more(package: str, name: str) -> list[dict[str, str]]:
        rows = read(package, name)
        if name == "columns":
            row = {"name": "bottles_tasted", "header": "Bottles tasted", "kind": "bottles", "decimals": ""}
            rows.append({**row, "meaning": "Bottles opened"})
        if name == "tables":
            rows = [
                {**row, "columns": row["columns"].replace("cuvee_format ", "cuvee_format bottles_tasted ", 1)}
                if row["name"] == "margins"
                else row
                for row in rows
            ]
        return rows

    monkeypatch.setattr(catalogue, "packaged_rows", more)
    for function in cached:
        function.cache_clear()
    yield
    monkeypatch.undo()
    for function in cached:
        function.cache_clear()


@pytest.mark.usefixtures("one_column_more")
def test_a_column_added_to_the_data_reaches_terminal_json_sheet_and_report(demo_runs) -> None:
    frame = pd.DataFrame({"cuvee_format": ["Brut bottle"], "bottles_tasted": [4321.0], "margin_total": [1.0]})
    answer = Answer({"margins": frame})
    assert "4,321" in text_answer(answer)
    assert answer.to_dict()["margins"][0]["bottles_tasted"] == 4321
    (sheet,) = result_sheets([answer])
    assert list(sheet.tables[0].frame.columns)[:2] == ["Cuvée and format", "Bottles tasted"]
    (section,) = (section for section in catalogue.sections() if "margins" in section.tables)
    shown = page._section(section, [answer], demo_runs)
    assert ">Bottles tasted</th>" in shown
    assert "<td class=n>4,321</td>" in shown
    assert ">Bottles tasted</th>" in answer._repr_html_()
