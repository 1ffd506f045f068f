"""Commands that say what to do, as a user types them: exit codes, what is printed, written and left alone.

The house is the small one with something for each decision; the figures of the demo are kept beside it (`golden/`).
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import openpyxl
import pytest

from costing.cli import main
from tests.commands.books import digest, first_hour, typed
from tests.golden.every_decision import FOLDER

pytestmark = pytest.mark.slow

STARTS = {"Run check", "Cost per bottle", "Cost build-up"}


@pytest.fixture(scope="module")
def typed_book() -> bytes:
    return typed(FOLDER)


@pytest.fixture
def book(typed_book: bytes, tmp_path: Path) -> Path:
    path = tmp_path / "estate.xlsx"
    path.write_bytes(typed_book)
    return path


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["ageing"], "hold 24 months"),
        (["blend"], "Bounds breached"),
        (["vats"], "Every vat and reserve: use, keep or sell"),
        (["recipes"], "Next Brut"),
        (["price"], "Every release to sell, by channel"),
        (["margins"], "Rosé bottle"),
        (["scenarios"], "Fewer"),
        (["sensitivity", "D25"], "1 % more"),
        (["why", "--from", "D24", "--to", "D25"], "timing"),
        (["forecast", "--draws", "50"], "Seed"),
    ],
)
def test_deciding_commands_print_and_write_nothing(arguments: list[str], said: str, book: Path, capsys) -> None:
    before = digest(book)
    assert main([arguments[0], str(book), *arguments[1:]]) == 0
    assert said in capsys.readouterr().out
    assert digest(book) == before
    assert main([arguments[0], str(book), *arguments[1:], "--json"]) == 0
    assert json.loads(capsys.readouterr().out)


def test_another_workbook_is_a_scenario(book: Path, capsys) -> None:
    budget = book.with_name("budget.xlsx")
    budget.write_bytes(book.read_bytes())
    assert main(["scenarios", str(book), "--with", str(budget), "--json"]) == 0
    for release in json.loads(capsys.readouterr().out)["scenarios_per_bottle"]:
        assert release["change:budget"] == pytest.approx(0.0, abs=1e-12)
        assert release["scenario:budget"] == release["recorded_per_bottle"] > 0


def test_an_elasticity_is_used_or_refused(book: Path, capsys) -> None:
    assert main(["price", str(book), "--elasticity", "-2"]) == 0
    assert "How each market answers to its price" in capsys.readouterr().out
    assert main(["price", str(book), "--elasticity", "-0.8"]) == 1
    assert "error: elasticity: '-0.8'" in capsys.readouterr().err


def test_write_puts_the_sheets_of_a_command_beside_those_of_the_run(small_with_results: Path, tmp_path: Path) -> None:
    book = tmp_path / "estate.xlsx"
    book.write_bytes(small_with_results.read_bytes())
    assert main(["ageing", str(book), "--write"]) == 0
    names = set(openpyxl.load_workbook(book, read_only=True).sheetnames)
    assert names >= STARTS | {"Hold or release"}


def test_why_with_one_name_says_what_to_name(book: Path, capsys) -> None:
    assert main(["why", str(book), "--from", "Brut"]) == 2
    assert "--to" in capsys.readouterr().err


def test_why_without_names_compares_every_cuvee_with_last_year(book: Path, capsys) -> None:
    assert main(["why", str(book)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "what each family adds, cost now" in said
    assert all(cuvee in said for cuvee in ("Brut", "Rosé"))


def test_report_is_one_page_that_needs_nothing_else(book: Path) -> None:
    target = book.with_name("page.html")
    assert main(["report", str(book), "--html", str(target)]) == 0
    page = target.read_text(encoding="utf-8")
    assert "Rosé" in page
    assert "<script" not in page
    assert "http://" not in page.replace("http://www.w3.org", "")


def test_a_command_without_a_sheet_to_write_says_so(tmp_path: Path, capsys) -> None:
    """It was taken for result sheets that can't be moved."""
    estate = first_hour(tmp_path / "estate")
    assert main(["margins", str(estate), "--write"]) == 0
    assert "There is no sheet to write." in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["estate"]


def test_a_scenario_that_names_no_row_is_a_caution_of_check_and_writes_nothing(tmp_path: Path, capsys) -> None:
    folder = shutil.copytree(FOLDER, tmp_path / "estate")
    with (folder / "scenarios.csv").open("a", encoding="utf-8") as file:
        file.write("Misspelt,Grape prices,Price per kg,Variety=Pinto,multiply,1.1\n")
    row = len((folder / "scenarios.csv").read_text(encoding="utf-8").splitlines())
    assert main(["check", str(folder)]) == 0
    assert f"caution: Scenarios!D{row}: 'Variety=Pinto' fits no row" in capsys.readouterr().out
    assert main(["scenarios", str(folder), "--write"]) == 1
    assert "1 error. Nothing was written." in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["estate"]


def _free_bottles(folder: Path) -> Path:
    """Bottles on lees, a release and a channel, and no money at all."""
    folder.mkdir()
    (folder / "settings.csv").write_text("Setting,Value\nCurrency,EUR\n", encoding="utf-8")
    (folder / "interest_rates.csv").write_text("From,Hurdle rate (%)\n2020-01-01,8\n", encoding="utf-8")
    (folder / "opening_stock.csv").write_text(
        "Date,Lot,Kind,Quantity,Unit,Format,Cuvée\n2025-03-01,T20,on lees,1000,bottles,bottle,B\n", encoding="utf-8"
    )
    (folder / "disgorgements.csv").write_text(
        "Date,Release lot,From lot,Bottles in,Bottles out\n2025-03-05,D1,T20,10,10\n", encoding="utf-8"
    )
    (folder / "channels.csv").write_text("Channel,Discount (%)\nTrade,10\n", encoding="utf-8")
    return folder


def test_wine_that_cost_nothing_yet_is_priced_and_closed(tmp_path: Path, capsys) -> None:
    """No chain to draw and no column of cost ended in tracebacks."""
    estate = _free_bottles(tmp_path / "estate")
    assert main(["price", str(estate), "--write"]) == 0
    assert "-0.00" not in capsys.readouterr().out
    assert main(["close", str(estate), "--date", "2025-03-05"]) == 0
    assert "Closed at the end of 2025-03-05: 2 lots" in capsys.readouterr().out


def test_a_cuvee_with_plans_alone_is_told_from_a_misspelt_one(tmp_path: Path, capsys) -> None:
    """It asked: did you mean 'B'?"""
    estate = _free_bottles(tmp_path / "estate")
    (estate / "settings.csv").write_text("Setting,Value\nValuation date,2025-03-02\n", encoding="utf-8")
    assert main(["sensitivity", str(estate), "B"]) == 1
    assert "cuvée 'B' has no release made by the valuation date. Planned ones: D1." in capsys.readouterr().err
