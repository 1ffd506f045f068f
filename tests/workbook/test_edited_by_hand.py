"""Seeded workbooks in the state people leave them in: formulas without values, errors in helper columns, notes beside
results, the run log edited, a line typed below it. Whatever it is: no traceback, no row of the log lost, every note
listed and in the back-up, and what is not the library's stays as it was.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook
from openpyxl.utils import range_boundaries

from costing.cli import main
from costing.workbook.file.backups import backups
from costing.workbook.file.package import changed_parts, open_package
from costing.workbook.file.sheets import changeable_parts
from costing.workbook.pages.run_log import read_log
from tests.commands.books import first_hour, typed
from tests.form import chosen

SEEDS, STEPS = chosen(full=(200, 4), short=(1, 1))
RESULTS = ("Stock value", "Cost build-up", "Origins", "Amounts charged", "Run check")
Choose = random.Random


def formula_without_value(book: Any, choose: Choose) -> str:
    """On an input sheet, far from what is read; openpyxl stores no value with it."""
    book["Tirage"].cell(choose.randint(2, 40), choose.randint(40, 60), "=1+1")
    return ""


def helper_error(book: Any, choose: Choose) -> str:
    sheet = book["Dry goods"]
    sheet.cell(1, 45, "Helper")
    sheet.cell(choose.randint(2, 20), 45, choose.choice(["#N/A", "#DIV/0!", "=1/0"]))
    return ""


def note_beside(book: Any, choose: Choose) -> str:
    sheet = book[choose.choice([name for name in RESULTS if name in book.sheetnames])]
    note = f"note {choose.random():.6f}"
    sheet.cell(choose.randint(1, 60), choose.randint(40, 60), note)
    return note


def log_edit(book: Any, choose: Choose) -> str:
    sheet = book["Run log"]
    left, first, right, last = range_boundaries(sheet.tables["run_log"].ref)
    value = choose.choice(["seen", "#N/A", 12.5, True, None, "2026-01-31"])
    sheet.cell(choose.randint(first + 1, last), choose.randint(left, right), value)
    return ""


def log_line(book: Any, choose: Choose) -> str:
    sheet = book["Run log"]
    left, _, right, last = range_boundaries(sheet.tables["run_log"].ref)
    sheet.cell(last + 1, choose.randint(left, right), f"line {choose.random():.6f}")
    return ""


def own_sheet(book: Any, choose: Choose) -> str:
    name = f"Mine {choose.randint(1, 3)}"
    sheet = book[name] if name in book.sheetnames else book.create_sheet(name)
    sheet.cell(choose.randint(1, 9), 1, choose.choice(["=1+1", "text", 4.5]))
    return ""


PLANTED: tuple[Callable[[Any, Choose], str], ...] = (
    *(formula_without_value, helper_error, note_beside, log_edit, log_line, own_sheet),
)


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    folder = tmp_path_factory.mktemp("mutations")
    path = folder / "estate.xlsx"
    path.write_bytes(typed(first_hour(folder / "estate")))
    assert main(["run", str(path)]) == 0
    return path.read_bytes()


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(SEEDS))
def test_a_workbook_as_people_leave_it_loses_nothing(seed: int, ground: bytes, tmp_path: Path, capsys) -> None:
    choose = random.Random(seed)
    path = tmp_path / "estate.xlsx"
    path.write_bytes(ground)
    for _ in range(STEPS):
        book = load_workbook(path)
        for sheet in book.worksheets:
            sheet._charts = []  # openpyxl would write them under names of its own
        notes = [plant(book, choose) for plant in choose.sample(PLANTED, choose.randint(1, len(PLANTED)))]
        book.save(path)
        content, before, log = path.read_bytes(), open_package(path), read_log(open_package(path))
        verb = choose.choice([["run"], ["run"], ["ageing", "--write"], ["vats", "--write"]])
        code = main([verb[0], str(path), *verb[1:]])
        said = capsys.readouterr().err
        assert code == 0, (seed, said)
        assert backups(path)[-1].read_bytes() == content
        for note in filter(None, notes):  # a sheet that the command does not write keeps its note
            assert any(line.endswith(f"'{note}'") for line in said.splitlines()) == (verb == ["run"]), (seed, said)
        kept = read_log(open_package(path)).iloc[: len(log)]
        assert kept[log.columns].to_numpy().tolist() == log.to_numpy().tolist(), seed
        after = open_package(path)
        assert changed_parts(before, after) <= changeable_parts(before) | changeable_parts(after), seed
