"""The commands as a user types them: exit codes, what is printed, what is written and what is left alone."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from costing.cli import main
from costing.commands.records import demo_folder
from costing.inputs.schema import sheets
from costing.workbook.contents import tables_from_csv
from costing.workbook.run_log import read_log

STARTS = {"Run check", "Cost per bottle", "Cost build-up"}


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("demo") / "demo.xlsx"
    assert main(["new", str(path), "--demo"]) == 0
    return path


@pytest.fixture
def book(demo: Path, tmp_path: Path) -> Path:
    path = tmp_path / "estate.xlsx"
    path.write_bytes(demo.read_bytes())
    return path


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_new_refuses_to_overwrite(demo: Path, capsys) -> None:
    before = _digest(demo)
    assert main(["new", str(demo)]) == 1
    assert "exists already" in capsys.readouterr().err
    assert _digest(demo) == before


def test_run_prints_every_cuvee_and_writes_the_sheets(book: Path, capsys) -> None:
    assert main(["run", str(book)]) == 0
    printed = capsys.readouterr()
    for cuvee in tables_from_csv(demo_folder())["Cuvées"]["Cuvée"]:
        assert cuvee in printed.out
    assert "not accounting, tax or legal advice" in printed.err
    names = set(openpyxl.load_workbook(book, read_only=True).sheetnames)
    assert names >= STARTS
    assert book.with_name("estate.bak.xlsx").exists()


def test_printed_stage_columns_add_up(book: Path, capsys) -> None:
    assert main(["run", str(book), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["releases"]
    assert len(found) > 10
    for release in found:
        stages = sum(release[name] for name in release if name.startswith("stage: "))
        assert stages == pytest.approx(release["economic_per_bottle"], rel=1e-12)


def _first_hour(folder: Path) -> Path:
    """Opening stock, tirage and dry goods alone: nothing disgorged, no rate of interest."""
    folder.mkdir()
    (folder / "settings.csv").write_text("Setting,Value\nCurrency,EUR\n", encoding="utf-8")
    (folder / "opening_stock.csv").write_text(
        "Date,Lot,Kind,Quantity,Unit\n2025-01-01,V24,wine,90,hl\n", encoding="utf-8"
    )
    (folder / "tirage.csv").write_text(
        "Date,Cuvée,Bottle lot,Wine lot,Bottles\n2025-04-15,Brume,T25,V24,8000\n", encoding="utf-8"
    )
    (folder / "dry_goods.csv").write_text(
        "From,Stage,Item,Unit price\n2024-01-01,tirage,glass,1.25\n", encoding="utf-8"
    )
    return folder


def test_opening_stock_tirage_and_dry_goods_alone_give_a_figure_and_its_coverage(tmp_path: Path, capsys) -> None:
    estate = _first_hour(tmp_path / "estate")
    assert main(["run", str(estate)]) == 0  # it was refused for want of a hurdle rate
    printed = capsys.readouterr().out
    line = next(line for line in printed.splitlines() if line.startswith("T25 "))
    assert line.split()[3:7] == ["8,000.00", "bottles", "1.25", "1.25"]
    assert "0 % of litres carry a cost of grapes or wine; capital missing" in line
    stock = openpyxl.load_workbook(tmp_path / "estate.results.xlsx")["Stock value"]
    assert "Coverage" in {cell.value for row in stock.iter_rows() for cell in row}
    assert main(["run", str(estate), "--json"]) == 0
    by_lot = {lot["lot"]: lot for lot in json.loads(capsys.readouterr().out)["stock"]}
    assert by_lot["T25"]["book_value"] == pytest.approx(10_000)
    assert "capital missing" in by_lot["T25"]["coverage"]


def test_check_says_what_run_says_of_a_missing_hurdle_rate(tmp_path: Path, capsys) -> None:
    estate = _first_hour(tmp_path / "estate")
    assert main(["check", str(estate)]) == 0
    said = capsys.readouterr().out
    assert "caution: Interest rates: holds no hurdle rate" in said
    assert "0 errors, 1 caution." in said


def test_help_shows_one_percent_sign(capsys) -> None:
    with pytest.raises(SystemExit):
        main(["sensitivity", "--help"])
    said = capsys.readouterr().out
    assert "1 % of each" in said
    assert "%%" not in said


def test_run_twice_gives_the_same_estate_and_figures(book: Path, capsys) -> None:
    assert main(["run", str(book), "--json"]) == 0
    first = capsys.readouterr().out
    assert main(["run", str(book), "--json"]) == 0
    assert capsys.readouterr().out == first


def test_beside_leaves_the_workbook_alone(book: Path) -> None:
    before = _digest(book)
    assert main(["run", str(book), "--beside"]) == 0
    assert _digest(book) == before
    assert book.with_name("estate.results.xlsx").exists()


def test_a_locked_workbook_is_refused_and_can_be_overridden(book: Path, capsys) -> None:
    lock = book.with_name(f".~lock.{book.name}#")
    lock.write_text("Ann,ann,cellar-pc,2026-01-05 09:00;", encoding="utf-8")
    before = _digest(book)
    assert main(["run", str(book)]) == 1
    said = capsys.readouterr().err
    assert "Ann" in said
    for way in ("--beside", "estate.results.xlsx", "costing link estate.xlsx", "--ignore-lock"):
        assert way in said
    assert _digest(book) == before
    assert main(["run", str(book), "--ignore-lock"]) == 0


def test_folder_gives_the_same_figures_as_the_workbook(book: Path, tmp_path: Path, capsys) -> None:
    folder = tmp_path / "estate"
    folder.mkdir()
    for file in demo_folder().glob("*.csv"):
        (folder / file.name).write_bytes(file.read_bytes())
    assert main(["run", str(folder), "--json"]) == 0
    from_folder = capsys.readouterr().out
    assert main(["run", str(book), "--json"]) == 0
    assert capsys.readouterr().out == from_folder
    assert (tmp_path / "estate.results.xlsx").exists()


def test_errors_name_the_cell_and_write_nothing(tmp_path: Path, capsys) -> None:
    folder = tmp_path / "estate"
    folder.mkdir()
    for file in demo_folder().glob("*.csv"):
        (folder / file.name).write_bytes(file.read_bytes())
    moves = pd.read_csv(folder / "movements.csv", dtype=str)
    moves.loc[3, "From lot"] = "V24-0l"
    moves.to_csv(folder / "movements.csv", index=False)
    assert main(["run", str(folder)]) == 1
    assert "Movements!" in capsys.readouterr().err
    assert main(["check", str(folder), "--json"]) == 1
    findings = json.loads(capsys.readouterr().out)
    column = "ABCDEFGHIJKLMNOP"[list(moves.columns).index("From lot")]
    assert f"Movements!{column}5" in {finding["place"] for finding in findings}
    assert sorted(path.name for path in tmp_path.iterdir()) == ["estate"]


def test_an_overdrawn_lot_is_a_finding(tmp_path: Path, capsys) -> None:
    folder = tmp_path / "estate"
    folder.mkdir()
    for file in demo_folder().glob("*.csv"):
        (folder / file.name).write_bytes(file.read_bytes())
    moves = pd.read_csv(folder / "movements.csv", dtype=str)
    row = moves.index[moves["Out (L)"].notna()][10]
    moves.loc[row, "Out (L)"] = "999999"
    moves.to_csv(folder / "movements.csv", index=False)
    assert main(["check", str(folder)]) == 1
    assert f"Movements!{'ABCDEFGHIJKLMNOP'[list(moves.columns).index('Out (L)')]}{row + 2}" in capsys.readouterr().out


def test_ten_mistakes_give_ten_findings_at_their_cells(tmp_path: Path, capsys) -> None:
    folder = tmp_path / "estate"
    folder.mkdir()
    for file in demo_folder().glob("*.csv"):
        (folder / file.name).write_bytes(file.read_bytes())
    planted = [
        ("deliveries", 4, "Quantity", "-12"),
        ("deliveries", 9, "Date", "2024-13-40"),
        ("movements", 12, "Operation", "rackin"),
        ("movements", 20, "From lot", "V99-99"),
        ("tirage", 3, "Format", "bottel"),
        ("tirage", 5, "Bottles (bottles)", "999999"),
        ("disgorgements", 6, "Bottles out (bottles)", "99999"),
        ("dispatches", 8, "Channel", "Trad"),
        ("interest_rates", 0, "Hurdle rate (%)", "#N/A"),
        ("stocktakes", 2, "Lot", "V18-0l"),
    ]
    expected = set()
    for table, row, column, value in planted:
        frame = pd.read_csv(folder / f"{table}.csv", dtype=str, keep_default_na=False)
        frame.loc[row, column] = value
        frame.to_csv(folder / f"{table}.csv", index=False)
        letter = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"[list(frame.columns).index(column)]
        expected.add(f"{sheets()[table].title}!{letter}{row + 2}")
    assert main(["check", str(folder), "--json"]) == 1
    found = [finding for finding in json.loads(capsys.readouterr().out) if finding["severity"] == "error"]
    assert {finding["place"] for finding in found} == expected
    assert len(found) == 10
    assert all(finding["remedy"] for finding in found)


def test_missing_file_is_one_line(tmp_path: Path, capsys) -> None:
    assert main(["run", str(tmp_path / "none.xlsx")]) == 1
    assert len(capsys.readouterr().err.strip().splitlines()) == 1


def test_misuse_exits_with_2() -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["run"])
    assert stopped.value.code == 2


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["ageing"], "Hold"),
        (["blend"], "Bounds breached"),
        (["vats"], "Best used in"),
        (["recipes"], "Blanc de Meunier"),
        (["price"], "Target price, net"),
        (["margins"], "Prestige"),
        (["scenarios"], "Dear grapes"),
        (["sensitivity", "D25-3-BRUT"], "1 % more"),
        (["why", "--from", "D24-3-BRUT", "--to", "D25-3-BRUT"], "Change per bottle"),
        (["forecast", "--draws", "200"], "Seed"),
    ],
)
def test_deciding_commands_print_and_write_nothing(arguments: list[str], said: str, book: Path, capsys) -> None:
    before = _digest(book)
    assert main([arguments[0], str(book), *arguments[1:]]) == 0
    assert said in capsys.readouterr().out
    assert _digest(book) == before
    assert main([arguments[0], str(book), *arguments[1:], "--json"]) == 0
    assert json.loads(capsys.readouterr().out)


def test_another_workbook_is_a_scenario(book: Path, capsys) -> None:
    budget = book.with_name("budget.xlsx")
    budget.write_bytes(book.read_bytes())
    assert main(["scenarios", str(book), "--with", str(budget), "--json"]) == 0
    for release in json.loads(capsys.readouterr().out)["releases"]:
        assert release["budget: change"] == pytest.approx(0.0, abs=1e-12)
        assert release["budget"] == release["As recorded"] > 0


def test_an_elasticity_is_used_or_refused(book: Path, capsys) -> None:
    assert main(["price", str(book), "--elasticity", "-2"]) == 0
    assert "Net price of highest gain" in capsys.readouterr().out
    assert main(["price", str(book), "--elasticity", "-0.8"]) == 1
    assert "error: elasticity: '-0.8'" in capsys.readouterr().err


def test_write_puts_the_sheets_of_a_command_beside_those_of_the_run(book: Path) -> None:
    assert main(["run", str(book)]) == 0
    assert main(["ageing", str(book), "--write"]) == 0
    names = set(openpyxl.load_workbook(book, read_only=True).sheetnames)
    assert names >= STARTS | {"Hold or release"}


def test_every_run_is_logged(book: Path) -> None:
    assert main(["run", str(book)]) == 0
    first = read_log(book)
    assert main(["run", str(book)]) == 0
    second = read_log(book)
    assert len(second) == 2 * len(first) > 2
    assert second["Figure"].tolist() == first["Figure"].tolist() * 2
    assert second["Inputs"].nunique() == 1
    pd.testing.assert_frame_equal(second.iloc[: len(first)], first, check_dtype=False)


def test_why_without_names_says_what_to_name(book: Path, capsys) -> None:
    assert main(["why", str(book)]) == 2
    assert "--from" in capsys.readouterr().err


def test_link_without_an_open_workbook_is_one_line(book: Path, capsys) -> None:
    assert main(["link", str(book)]) == 1
    assert len(capsys.readouterr().err.strip().splitlines()) == 1


def test_report_is_one_page_that_needs_nothing_else(book: Path) -> None:
    target = book.with_name("page.html")
    assert main(["report", str(book), "--html", str(target)]) == 0
    page = target.read_text(encoding="utf-8")
    assert "Prestige" in page
    assert "<script" not in page
    assert "http://" not in page.replace("http://www.w3.org", "")


def _demo_folder(tmp_path: Path) -> Path:
    folder = tmp_path / "estate"
    folder.mkdir()
    for file in demo_folder().glob("*.csv"):
        (folder / file.name).write_bytes(file.read_bytes())
    return folder


def test_pools_of_an_estate_without_lots_are_expensed(tmp_path: Path, capsys) -> None:
    """A look into the quantities of no states ended in a traceback."""
    folder = tmp_path / "estate"
    folder.mkdir()
    (folder / "settings.csv").write_text("Setting,Value\nCurrency,EUR\n", encoding="utf-8")
    (folder / "pools.csv").write_text(
        "From,To,Pool,Amount,Driver,Element\n2025-01-01,2025-12-31,Press house,1000,kg,overhead\n", encoding="utf-8"
    )
    assert main(["run", str(folder), "--json"]) == 0
    lines = {line["line"]: line["book"] for line in json.loads(capsys.readouterr().out)["reconciliation"]}
    assert lines["Cost in"] == lines["Expensed at once"] == 1000


def test_a_command_without_a_sheet_to_write_says_so(tmp_path: Path, capsys) -> None:
    """It was taken for result sheets that can't be moved."""
    estate = _first_hour(tmp_path / "estate")
    assert main(["margins", str(estate), "--write"]) == 0
    assert "There is no sheet to write." in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["estate"]


def test_a_scenario_that_names_no_row_is_a_caution_of_check_and_writes_nothing(tmp_path: Path, capsys) -> None:
    folder = _demo_folder(tmp_path)
    with (folder / "scenarios.csv").open("a", encoding="utf-8") as file:
        file.write("Misspelt,Grape prices,Price per kg,Variety=Pinto,multiply,1.1\n")
    assert main(["check", str(folder)]) == 0
    assert "caution: Scenarios!D9: 'Variety=Pinto' fits no row" in capsys.readouterr().out
    assert main(["scenarios", str(folder), "--write"]) == 1
    assert "1 error. Nothing was written." in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["estate"]


@pytest.mark.parametrize(
    "wrong",
    [
        ("forecast", "--draws", "0"),
        ("forecast", "--draws", "-3"),
        ("forecast", "--seed", "-1"),
        ("close", "--date", "31/12/2025"),
        ("close", "--date", "2025-02-30"),
    ],
)
def test_an_option_that_makes_no_sense_is_misuse(book: Path, wrong: tuple[str, ...], capsys) -> None:
    """No draws ended in a traceback, a wrong date in the name of a function."""
    before = _digest(book)
    with pytest.raises(SystemExit) as left:
        main([wrong[0], str(book), *wrong[1:]])
    assert left.value.code == 2
    said = capsys.readouterr().err
    assert f"'{wrong[2]}' is no" in said
    assert _digest(book) == before


def test_an_elasticity_without_a_best_price_is_refused_in_the_table_too(book: Path, capsys) -> None:
    assert main(["price", str(book), "--elasticity", "0.5"]) == 1
    assert "elasticity: '0.5'" in capsys.readouterr().err


def test_a_workbook_gets_no_name_under_which_it_would_not_open(tmp_path: Path, capsys) -> None:
    for name in ("estate.xls", "estate.xlsm", "estate"):
        assert main(["new", str(tmp_path / name)]) == 1
        assert "must end in .xlsx" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_plans_are_not_closed(book: Path, capsys) -> None:
    """A day after the valuation date froze planned rows as stock."""
    before = _digest(book)
    assert main(["close", str(book), "--date", "2026-12-31"]) == 1
    assert "Settings!B3: '2025-12-31' is before the closing of 2026-12-31" in capsys.readouterr().err
    assert _digest(book) == before


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
    assert "Closed 2025-03-05: 2 lots" in capsys.readouterr().out


def test_a_cuvee_with_plans_alone_is_told_from_a_misspelt_one(tmp_path: Path, capsys) -> None:
    """It asked: did you mean 'B'?"""
    estate = _free_bottles(tmp_path / "estate")
    (estate / "settings.csv").write_text("Setting,Value\nValuation date,2025-03-02\n", encoding="utf-8")
    assert main(["sensitivity", str(estate), "B"]) == 1
    assert "cuvée 'B' has no release made by the valuation date. Planned ones: D1." in capsys.readouterr().err
