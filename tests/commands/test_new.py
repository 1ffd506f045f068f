"""costing new: the sheets of a first year, others by name, and an example to follow with a pencil."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest

import costing
from costing.cli import main
from costing.commands.records import demo_folder
from costing.inputs.schema import sheets
from costing.workbook.file.package import changed_parts, open_package
from costing.workbook.file.sheets import LISTS_SHEET, changeable_parts, exclusive_parts, read_book

SMALL = demo_folder() / "small"


def titles(path: Path) -> list[str]:
    return openpyxl.load_workbook(path, read_only=True).sheetnames


def said(capsys: pytest.CaptureFixture[str]) -> str:
    """What a command said, in one line."""
    return " ".join("".join(capsys.readouterr()).split())


def test_a_first_year_needs_a_dozen_sheets_in_the_order_of_the_work(tmp_path: Path, capsys) -> None:
    path = tmp_path / "estate.xlsx"
    assert main(["new", str(path)]) == 0
    inputs = [title for title in titles(path) if title in {sheet.title for sheet in sheets().values()}]
    assert len(inputs) == 12
    work = ["Deliveries", "Pressings", "Movements", "Tirage", "Disgorgements", "Dispatches"]
    assert [title for title in inputs if title in work] == work
    made = said(capsys)
    assert "is ready. Fill it, save it, then: costing run" in made
    assert "more sheets come by name" in made
    assert main(["check", str(path)]) == 1
    told = said(capsys)
    assert "there is nothing to cost. Begin with" in told
    assert "1 error, 0 cautions." in told


def test_every_sheet_comes_when_asked_for(tmp_path: Path, capsys) -> None:
    path = tmp_path / "estate.xlsx"
    assert main(["new", str(path), "--all"]) == 0
    made = said(capsys)
    assert "is ready. Fill it, save it, then: costing run" in made
    assert "more sheets come by name" not in made
    wanted = {sheet.title for sheet in sheets().values() if sheet.added in ("first year", "when asked")}
    assert set(titles(path)) >= wanted
    assert "Links" not in titles(path)


def test_a_sheet_asked_for_by_name_is_grafted_and_nothing_else_changes(tmp_path: Path, capsys) -> None:
    path = tmp_path / "estate.xlsx"
    assert main(["new", str(path)]) == 0
    before = open_package(path)
    assert main(["new", str(path), "--sheet", "price by age", "--sheet", "Channels"]) == 0
    assert titles(path)[-2:] == ["Channels", "Price by age"]
    after = open_package(path)
    book = read_book(before)
    lists = [sheet for sheet in book.sheets if sheet.name == LISTS_SHEET]
    allowed = changeable_parts(before) | exclusive_parts(book, lists)
    assert {part for part in changed_parts(before, after) if part in before.members} <= allowed
    opened = openpyxl.load_workbook(path)
    assert opened[LISTS_SHEET].sheet_state == "hidden"
    assert [rule.formula1 for rule in opened["Price by age"].data_validations.dataValidation if "A2" in rule.sqref]
    assert "channel_names" in opened.defined_names
    assert main(["check", str(path)]) == 1
    told = said(capsys)
    assert "there is nothing to cost. Begin with" in told
    assert "1 error, 0 cautions." in told
    capsys.readouterr()
    assert main(["new", str(path), "--sheet", "Channels"]) == 1
    assert "is there already" in capsys.readouterr().err
    assert main(["new", str(path), "--sheet", "Chanels"]) == 1
    assert "Did you mean 'Channels'?" in capsys.readouterr().err


def test_the_hidden_lists_of_a_persons_own_are_left_alone(tmp_path: Path, capsys) -> None:
    path = tmp_path / "own.xlsx"
    workbook = openpyxl.Workbook()
    workbook.active.title = "Lists"
    workbook.save(path)
    before = path.read_bytes()
    assert main(["new", str(path), "--sheet", "Channels"]) == 1
    assert "Rename it" in capsys.readouterr().err
    assert path.read_bytes() == before


def test_the_small_example_is_what_a_pencil_gives(tmp_path: Path, capsys) -> None:
    """Every figure below is worked by hand from the thirty rows; common practice, no source."""
    rows = sum(len(file.read_text(encoding="utf-8").splitlines()) - 1 for file in SMALL.glob("*.csv"))
    assert rows == 30
    path = tmp_path / "small.xlsx"
    assert main(["new", str(path), "--example", "small"]) == 0
    made = said(capsys)
    assert "is ready. It holds an invented estate; next: costing run" in made
    assert "more sheets come by name" not in made
    house = costing.open(path)
    # Grapes: 4,000 kg at 6.00 press to 2,000 + 500 L, 24,000 / 2,500 L = 9.60 a litre; 2,000 kg at 5.00 to
    # 1,000 + 250 L, 10,000 / 1,250 L = 8.00 a litre.
    chardonnay = (2_000 * 9.60 + 400) / 1_960
    pinot = (1_000 * 8.00 + 820) / 980
    second = (500 * 9.60 + 250 * 8.00) / 735
    assert (chardonnay, pinot) == (pytest.approx(10.0), pytest.approx(9.0))
    # Blend: 1,960 L at 10.00 and 896 L at 9.00 fill 4,000 bottles; glass 1.00 and crown cap 0.084.
    filled = (1_960 * 10.0 + 896 * 9.0) / 4_000 + 1.084
    assert filled == pytest.approx(8.0)
    # 730 days on the lees at 0.20 a year, 0.42 to disgorge each of 2,000, of which 1,960 are good; then 0.40 and 0.35.
    released = 2_000 * (filled + 0.20 * 730 / 365 + 0.42) / 1_960 + 0.40 + 0.35
    assert released == pytest.approx(9.75)
    (release,) = house.cost_per_bottle().tables["cost_per_bottle"].to_dict("records")
    assert release["book_per_bottle"] == pytest.approx(9.75, abs=5e-5)
    assert release["economic_per_bottle"] == pytest.approx(9.75, abs=5e-5)
    stock = house.stock().tables["stock_value"].set_index("lot")
    assert stock.loc["D25", "quantity"] == 1_960 - 960 - 500
    assert stock.loc["D25", "book_value"] == pytest.approx(500 * 9.75, abs=0.005)
    assert stock.loc["V22-2", "book_value"] == pytest.approx(735 * second, abs=0.005)
    assert stock.loc["V22-PN", "book_value"] == pytest.approx(84 * 9.0, abs=0.005)
    # 1,022 days from tirage to the closing are 2.8 years of 365 days.
    assert stock.loc["T23", "book_value"] == pytest.approx(2_000 * (8.0 + 0.20 * 2.8), abs=0.005)
