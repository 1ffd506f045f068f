"""Commands on the records, as a user types them: exit codes, what is printed, written and left alone."""

from __future__ import annotations

import io
import json
from contextlib import redirect_stdout
from dataclasses import dataclass
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from costing.accounts.costs import costs
from costing.cli import main
from costing.commands.records import demo_folder
from costing.inputs.load import read_inputs
from costing.inputs.schema import sheets
from costing.model import Runs
from costing.workbook.file.package import open_package
from costing.workbook.pages.run_log import read_log
from tests.commands.books import digest, first_hour, typed
from tests.form import every

pytestmark = pytest.mark.slow

STARTS = {"Run check", "Cost per bottle", "Cost build-up"}


@dataclass(frozen=True)
class TwoRuns:
    """The small workbook, run twice: what was printed, and the log after each."""

    printed: list[str]
    logs: list[pd.DataFrame]


@pytest.fixture(scope="module")
def two_runs(small_workbook: Path, tmp_path_factory: pytest.TempPathFactory) -> TwoRuns:
    book = tmp_path_factory.mktemp("twice") / "estate.xlsx"
    book.write_bytes(small_workbook.read_bytes())
    runs = TwoRuns([], [])
    for _ in range(2):
        with redirect_stdout(io.StringIO()) as printed:
            assert main(["run", str(book), "--json"]) == 0
        runs.printed.append(printed.getvalue())
        runs.logs.append(read_log(open_package(book)))
    return runs


def linked(book: openpyxl.Workbook) -> list[str]:
    """Cells of Amounts charged that lead to a place."""
    return [cell.coordinate for row in book["Amounts charged"].iter_rows() for cell in row if cell.hyperlink]


def test_places_of_a_workbook_are_links(small_with_results: Path) -> None:
    assert linked(openpyxl.load_workbook(small_with_results))


def test_new_refuses_to_overwrite(small_workbook: Path, capsys) -> None:
    before = digest(small_workbook)
    assert main(["new", str(small_workbook)]) == 1
    assert "exists already" in capsys.readouterr().err
    assert digest(small_workbook) == before


def test_run_prints_every_cuvee_and_writes_the_sheets(tmp_path: Path, capsys) -> None:
    folder, book = small_folder(tmp_path / "folder"), tmp_path / "estate.xlsx"
    bottled = folder / "tirage.csv"
    text = bottled.read_text(encoding="utf-8")
    row = text.splitlines()[1]
    assert row.startswith("2023-03-15,Brut,T23,B23,2856,144,24,bottle,4000")
    half, other = row.replace("2856,144", "1428,72").replace("4000", "2000"), ("Brut,T23", "Demi-sec,T23D")
    bottled.write_text("\n".join([text.splitlines()[0], half, half.replace(*other), ""]), encoding="utf-8")
    with (folder / "disgorgements.csv").open("a", encoding="utf-8") as file:
        file.write("2025-03-14,D25D,T23D,1000,980,30\n")
    book.write_bytes(typed(folder))
    assert main(["run", str(book)]) == 0
    printed = capsys.readouterr()
    for cuvee in ("Brut", "Demi-sec"):
        assert cuvee in printed.out
    assert "not accounting, tax or legal advice" in printed.err
    names = set(openpyxl.load_workbook(book, read_only=True).sheetnames)
    assert names >= STARTS
    assert len(list(book.parent.glob("estate.bak-*.xlsx"))) == 1


def test_printed_stage_columns_add_up(demo_runs: Runs) -> None:
    found = json.loads(costs(demo_runs).to_json())["cost_per_bottle"]
    assert len(found) > 10
    for release in found:
        stages = sum(release[name] or 0.0 for name in release if name.startswith("stage:"))
        assert stages == pytest.approx(release["economic_per_bottle"], rel=1e-12)


def test_opening_stock_tirage_and_dry_goods_alone_give_a_figure_and_its_coverage(tmp_path: Path, capsys) -> None:
    estate = first_hour(tmp_path / "estate")
    assert main(["run", str(estate)]) == 0  # it was refused for want of a hurdle rate
    printed = capsys.readouterr().out
    line = next(line for line in printed.splitlines() if line.startswith("T25 "))
    assert line.split()[3:7] == ["8,000", "bottles", "1.25", "1.25"]
    assert "capital missing" in " ".join(printed.split())
    results = openpyxl.load_workbook(tmp_path / "estate.results.xlsx")
    assert "Coverage" in {cell.value for row in results["Stock value"].iter_rows() for cell in row}
    assert not linked(results)  # the sheets that places name are files of the folder
    stock = results["Stock value"]
    header, *rows = ([cell.value for cell in row] for row in stock[stock.tables["stock_value"].ref])
    by_lot = {row[header.index("Lot")]: dict(zip(header, row, strict=True)) for row in rows}
    assert by_lot["T25"]["Book value"] == pytest.approx(10_000)
    assert "capital missing" in by_lot["T25"]["Coverage"]


def test_help_shows_one_percent_sign(capsys) -> None:
    with pytest.raises(SystemExit):
        main(["sensitivity", "--help"])
    said = capsys.readouterr().out
    assert "1 % of each" in said
    assert "%%" not in said


def test_run_twice_gives_the_same_estate_and_figures(two_runs: TwoRuns) -> None:
    first, second = two_runs.printed
    assert json.loads(first)["cost_per_bottle"]
    assert second == first


def test_beside_leaves_the_workbook_alone(small_book: Path) -> None:
    before = digest(small_book)
    assert main(["run", str(small_book), "--beside"]) == 0
    assert digest(small_book) == before
    assert small_book.with_name("estate.results.xlsx").exists()


def test_a_locked_workbook_is_refused_and_can_be_overridden(small_book: Path, capsys) -> None:
    lock = small_book.with_name(f".~lock.{small_book.name}#")
    lock.write_text("Ann,ann,cellar-pc,2026-01-05 09:00;", encoding="utf-8")
    before = digest(small_book)
    assert main(["run", str(small_book)]) == 1
    said = capsys.readouterr().err
    assert "Ann" in said
    for way in ("--beside", "estate.results.xlsx", "costing link estate.xlsx", "--ignore-lock"):
        assert way in said
    assert digest(small_book) == before
    assert main(["run", str(small_book), "--ignore-lock"]) == 0


def small_folder(folder: Path) -> Path:
    """A copy of the small example as a folder."""
    folder.mkdir()
    for file in (demo_folder() / "small").glob("*.csv"):
        (folder / file.name).write_bytes(file.read_bytes())
    return folder


def without_places(printed: str) -> dict[str, object]:
    """Figures of a run; columns stand under other letters in a folder and in a workbook."""
    found = json.loads(printed)
    for name in ("origins", "amounts_charged", "worst_month", "owed_and_owing", "findings"):
        for line in found[name]:
            del line["place"]
    return found


def test_folder_gives_the_same_figures_as_the_workbook(two_runs: TwoRuns, tmp_path: Path, capsys) -> None:
    folder = small_folder(tmp_path / "folder")
    assert main(["run", str(folder), "--json"]) == 0
    assert without_places(capsys.readouterr().out) == without_places(two_runs.printed[0])
    assert (tmp_path / "folder.results.xlsx").exists()


def test_errors_name_the_cell_and_write_nothing(tmp_path: Path, capsys) -> None:
    folder = small_folder(tmp_path / "estate")
    moves = pd.read_csv(folder / "movements.csv", dtype=str)
    moves.loc[3, "From lot"] = "B2E"
    moves.to_csv(folder / "movements.csv", index=False)
    assert main(["run", str(folder)]) == 1
    assert "Movements!" in capsys.readouterr().err
    assert main(["check", str(folder), "--json"]) == 1
    findings = json.loads(capsys.readouterr().out)
    column = "ABCDEFGHIJKLMNOP"[list(moves.columns).index("From lot")]
    assert f"Movements!{column}5" in {finding["place"] for finding in findings}
    assert sorted(path.name for path in tmp_path.iterdir()) == ["estate"]


def test_an_overdrawn_lot_is_a_finding(tmp_path: Path, capsys) -> None:
    folder = small_folder(tmp_path / "estate")
    moves = pd.read_csv(folder / "movements.csv", dtype=str)
    row = 3
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
        ("tirage", 5, "Bottles", "999999"),
        ("disgorgements", 6, "Bottles out", "99999"),
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


def test_every_run_is_logged(two_runs: TwoRuns) -> None:
    first, second = two_runs.logs
    assert len(second) == 2 * len(first) > 2
    assert second["Figure"].tolist() == first["Figure"].tolist() * 2
    assert second["Inputs"].nunique() == 1
    pd.testing.assert_frame_equal(second.iloc[: len(first)], first, check_dtype=False)


def test_link_without_an_open_workbook_is_one_line(small_book: Path, capsys) -> None:
    assert main(["link", str(small_book)]) == 1
    assert len(capsys.readouterr().err.strip().splitlines()) == 1


def test_pools_of_an_estate_without_lots_are_expensed(tmp_path: Path, capsys) -> None:
    """A look into the quantities of no states ended in a traceback."""
    folder = tmp_path / "estate"
    folder.mkdir()
    (folder / "settings.csv").write_text("Setting,Value\nCurrency,EUR\n", encoding="utf-8")
    (folder / "pools.csv").write_text(
        "From,To,Pool,Amount,Driver,Element\n2025-01-01,2025-12-31,Press house,1000,kg,overhead\n", encoding="utf-8"
    )
    assert main(["run", str(folder), "--json"]) == 0
    lines = {line["line"]: line["book_amount"] for line in json.loads(capsys.readouterr().out)["run_identity"]}
    assert lines["Cost in"] == lines["Expensed at once"] == 1000


def test_a_closing_date_is_written_as_dates_on_settings_are(tmp_path: Path, capsys) -> None:
    """`--date 31/12/2025` was refused although Settings said day first."""
    folder = tmp_path / "estate"
    folder.mkdir()
    (folder / "settings.csv").write_text("Setting,Value\nDate style,day first\n", encoding="utf-8")
    (folder / "opening_stock.csv").write_text(
        "Date,Lot,Kind,Quantity,Unit\n01/02/2025,V1,wine,50,hl\n", encoding="utf-8"
    )
    assert main(["close", str(folder), "--date", "31/12/2025"]) == 0
    capsys.readouterr()
    assert main(["close", str(folder), "--date", "12/31/2025"]) != 0
    assert "with the month first it is 2025-12-31" in capsys.readouterr().err


def test_an_empty_workbook_says_what_to_fill(tmp_path: Path, capsys) -> None:
    """It said that no bottles were disgorged by 1970-01-01."""
    path = tmp_path / "estate.xlsx"
    assert main(["new", str(path)]) == 0
    assert main(["run", str(path)]) == 1
    said = capsys.readouterr()
    assert "Begin with what lies in the cellar" in said.out + said.err
    assert "1970" not in said.out + said.err


def test_origins_are_a_table_or_json_where_it_is_asked_for(capsys) -> None:
    folder = str(demo_folder() / "small")
    release = read_inputs(Path(folder))["disgorgements"]["release_lot"].iloc[0]
    assert main(["origins", folder, str(release)]) == 0
    assert f"{release}: " in capsys.readouterr().out
    assert main(["origins", folder, str(release), "--json"]) == 0
    assert {"origins", "composition"} <= set(json.loads(capsys.readouterr().out))


def test_a_workbook_gets_no_name_under_which_it_would_not_open(tmp_path: Path, capsys) -> None:
    for name in every(2, ("estate.xlsm", "estate.xls", "estate")):
        assert main(["new", str(tmp_path / name)]) == 1
        assert "must end in .xlsx" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_plans_are_not_closed(book: Path, capsys) -> None:
    """A day after the valuation date froze planned rows as stock."""
    before = digest(book)
    assert main(["close", str(book), "--date", "2026-12-31"]) == 1
    assert "Settings!B4: '2025-12-31' is before the closing of 2026-12-31" in capsys.readouterr().err
    assert digest(book) == before
