"""Seeded changes to the result sheets of a workbook, then another run: no traceback, and nothing typed is lost.

What a person may do there: notes and formulas beside and below a table. The run may refuse, and then the file is as
it was; or it writes, and then what was typed stands in the workbook or in a back-up beside it.
"""

from __future__ import annotations

import contextlib
import io
import random
import re
import tempfile
import zipfile
from functools import cache
from pathlib import Path

import pytest

from costing.cli import main
from costing.commands.records import demo_folder
from costing.workbook.file.package import read_package
from costing.workbook.file.sheets import read_book
from tests.commands.books import typed
from tests.form import chosen
from tests.workbook.planting import Parts, packed, parts_of, text_cell, with_new_cell

SEEDS = chosen(full=60, short=1)
TYPED = "typed by a person"
SHEETS = ("Run check", "Cost per bottle", "Cost build-up", "Stock value", "Roll-forward", "Origins")
KINDS = ("note beside", "formula beside", "note below")


@cache
def after_a_run() -> bytes:
    folder = Path(tempfile.mkdtemp())
    path = folder / "estate.xlsx"
    path.write_bytes(typed(demo_folder() / "small"))
    assert run(path) == 0
    return path.read_bytes()


def run(path: Path) -> int:
    with contextlib.redirect_stderr(io.StringIO()), contextlib.redirect_stdout(io.StringIO()):
        return main(["run", str(path)])


def plant(choose: random.Random, kind: str, parts: Parts) -> None:
    book = read_book(read_package(packed(parts), "estate.xlsx"))
    tab = book.sheet(choose.choice(SHEETS))
    assert tab
    xml = parts[tab.part]
    rows = [int(row) for row in re.findall(rb'<row r="(\d+)"', xml)]
    if kind == "note beside":
        xml = with_new_cell(xml, f"XA{choose.choice(rows)}", text_cell(TYPED))
    elif kind == "formula beside":
        cell = f' t="str"><f>"typed by "&amp;"a person"</f><v>{TYPED}</v></c>'
        xml = with_new_cell(xml, f"XA{choose.choice(rows)}", cell)
    else:
        row = f'<row r="{max(rows) + 3}"><c r="A{max(rows) + 3}"{text_cell(TYPED)}</row></sheetData>'
        xml = xml.replace(b"</sheetData>", row.encode())
    parts[tab.part] = xml


def texts(path: Path) -> str:
    with zipfile.ZipFile(path) as archive:
        return " ".join(archive.read(name).decode("utf-8", "replace") for name in archive.namelist() if "xl/" in name)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(SEEDS))
def test_what_a_person_typed_into_results_is_not_lost(seed: int, tmp_path: Path) -> None:
    choose = random.Random(seed)
    kind = KINDS[seed % len(KINDS)]
    parts = parts_of(after_a_run())
    plant(choose, kind, parts)
    path = tmp_path / "estate.xlsx"
    path.write_bytes(packed(parts))
    before = path.read_bytes()
    code = run(path)
    assert code in (0, 1), (kind, code)
    if code:
        assert path.read_bytes() == before
        assert [one.name for one in tmp_path.iterdir()] == ["estate.xlsx"]
    else:
        files = [texts(one) for one in tmp_path.iterdir() if one.suffix == ".xlsx"]
        assert any(TYPED in text for text in files), kind
        assert "Stock" in texts(path)
