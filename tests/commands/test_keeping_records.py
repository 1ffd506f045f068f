"""What commands that keep the records make, write and say, and their exit codes, on an estate of four rows; whole runs
stand in `test_records`.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from costing.accounts.amounts_charged import charged
from costing.accounts.stock import stock
from costing.cli import main
from costing.commands import adopt as adopting
from costing.commands import records, source
from costing.commands.source import Source, write_sheets
from costing.terminal import ADVICE_IS_YOURS
from costing.workbook.adopt.adopt import Adopted
from costing.workbook.blank.blank import names_added
from costing.workbook.file.package import open_package
from costing.workbook.pages.result_sheet import ResultSheet
from costing.workbook.pages.run_log import RUN_LOG
from costing.workbook.update import Written
from tests.commands.books import first_hour

FIRST_YEAR = list(names_added("first year"))
CLOSING = ("--date", "2025-04-15")


@pytest.fixture
def estate(tmp_path: Path) -> Path:
    return first_hour(tmp_path / "estate")


@pytest.fixture
def written(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """What a command would write: result sheets, or the arguments of a new workbook."""
    kept: list[Any] = []

    def sheets(_: object, of: Source, sheets: Sequence[ResultSheet]) -> Written:
        kept.extend(sheets)
        return Written(of.path, None, ())

    def workbook(_: Path, tables: object = None, **named: Any) -> None:
        kept.append((tables is not None, named.get("names"), named.get("note", "")))

    monkeypatch.setattr(records, "write_sheets", sheets)
    monkeypatch.setattr(records, "blank_workbook", workbook)
    return kept


@pytest.mark.parametrize(
    ("words", "filled", "names"),
    [
        ("", False, FIRST_YEAR),
        ("--sheet Channels", False, [*FIRST_YEAR, "channels"]),
        ("--all", False, None),
        ("--demo", True, None),
        ("--example small", True, []),
        ("--example small --sheet Channels", True, ["channels"]),
        ("--example small --all", True, None),
    ],
)
def test_a_new_workbook_has_the_sheets_asked_for(
    words: str, filled: bool, names: object, written: list[Any], tmp_path: Path, capsys
) -> None:
    assert main(["new", str(tmp_path / "e.xlsx"), *words.split()]) == 0
    assert written == [(filled, names, records.INVENTED if filled else "")]
    said = capsys.readouterr().out
    assert ("invented estate" in said) == filled
    more = len(names_added("when asked")) - ("Channels" in words)
    assert (f"\n{more} more sheets come by name" in said) == (not filled and names is not None)


@pytest.mark.parametrize("title", ["Chanels", "Year-end stock", "Links", "Run check"])
def test_a_sheet_that_nobody_may_add_is_refused(title: str, written: list[Any], tmp_path: Path, capsys) -> None:
    """Misspelt, kept by the library, added by `adopt` alone, and a result."""
    assert main(["new", str(tmp_path / "e.xlsx"), "--sheet", title]) == 1
    assert f"'{title}' is no sheet that can be added." in capsys.readouterr().err
    assert written == []


def test_a_workbook_that_is_there_is_opened_for_a_sheet_alone(written: list[Any], tmp_path: Path, capsys) -> None:
    """Otherwise a new one is to be made, which `blank_workbook` refuses."""
    path = tmp_path / "e.xlsx"
    path.write_bytes(b"mine")
    assert main(["new", str(path)]) == 0
    assert len(written) == 1
    assert main(["new", str(path), "--sheet", "Channels"]) == 1
    assert "e.xlsx" in capsys.readouterr().err
    assert len(written) == 1


def test_check_says_what_run_says_of_a_missing_hurdle_rate(estate: Path, capsys) -> None:
    assert main(["check", str(estate)]) == 0
    said = capsys.readouterr().out
    assert "caution: Interest rates: holds no hurdle rate" in said
    assert "0 errors, 1 caution." in said


@pytest.mark.parametrize(("is_released", "is_folder"), [(True, False), (False, True)])
def test_a_run_prints_costs_and_writes_links_into_a_workbook_alone(
    is_released: bool,
    is_folder: bool,
    estate: Path,
    small_workbook: Path,
    written: list[Any],
    monkeypatch: pytest.MonkeyPatch,
    capsys,
) -> None:
    read = Source(small_workbook if is_released else estate)
    read.is_folder, read.package = is_folder, open_package(small_workbook)  # type: ignore[misc]
    monkeypatch.setattr(records, "Source", lambda _: read)
    monkeypatch.setattr(records, "answers_of_run", lambda runs, *_: [stock(runs), charged(runs)])
    monkeypatch.setattr(records, "cautions_of", lambda _: ())
    assert main(["run", "e.xlsx"]) == 0
    printed = capsys.readouterr().out
    assert ("9.75" in printed, "Cost of stock:" in printed) == (is_released, not is_released)
    assert "Reconciled: cost in and out differ by 0.00 EUR. 0 cautions" in printed
    tables = {table.name: table for sheet in written for table in sheet.tables}
    assert tables["amounts_charged"].links == ({} if is_folder else {"Cell": "Cell"})
    assert written[-1].name == RUN_LOG
    assert main(["run", "e.xlsx", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["stock_value"]


def test_a_year_is_closed_and_the_next_one_opened(estate: Path, written: list[Any], capsys) -> None:
    assert main(["close", str(estate), *CLOSING]) == 0
    assert "Closed at the end of 2025-04-15: 2 lots" in " ".join(capsys.readouterr().out.split())
    for table in (table for sheet in written for table in sheet.tables):
        table.frame.to_csv(estate / f"{table.name}.csv", index=False)
    written.clear()
    assert main(["open-year", str(estate), str(estate.with_name("next.xlsx")), *CLOSING]) == 0
    assert "opens with 2 lots as closed on 2025-04-15" in " ".join(capsys.readouterr().out.split())
    assert written == [(True, None, "Opened from estate, closed on 2025-04-15.")]


@pytest.mark.parametrize(
    ("backup", "typed", "formulas", "said"),
    [
        (False, [], [], []),
        (True, [], [], []),
        (True, ["a note"], [], ["Typed on result sheets", "  Costs!B2 a note"]),
        (True, [], ["=A1"], ["Your formulas that depend on results", "  Mine!C3 =A1"]),
    ],
)
def test_where_results_went_and_what_grew_old_is_said(
    backup: bool, typed: list[str], formulas: list[str], said: list[str], monkeypatch: pytest.MonkeyPatch, capsys
) -> None:
    done = Written(
        Path("e.xlsx"),
        Path("e.bak.xlsx") if backup else None,
        tuple(("Mine", "C3", formula) for formula in formulas),
        tuple(SimpleNamespace(place="Costs!B2", what=what) for what in typed),  # type: ignore[misc]
    )
    monkeypatch.setattr(source, "write_results", lambda *_, **__: done)
    options: Any = SimpleNamespace(beside=False, ignore_lock=False, blank_old_values=False)
    of: Any = SimpleNamespace(package=None, path=done.path, inputs="")
    assert write_sheets(options, of, []) is done
    first, *more, last = capsys.readouterr().err.splitlines()
    assert first.startswith("Results written to e.xlsx.")
    assert (" Back-up: e.bak.xlsx" in first) == backup
    assert [line.startswith(begin) for line, begin in zip(more, said, strict=True)] == [True] * len(said)
    assert last == ADVICE_IS_YOURS


@pytest.mark.parametrize(
    ("content", "read_as", "added", "said"),
    [
        (None, {}, (), "has no sheet to link"),
        (b"with links", {"movements": ("Soutirages",)}, (), "'Soutirages' is read as Movements. Look through"),
        (b"with sheets", {}, ("deliveries", "tirage"), "Added: Deliveries, Tirage. No sheet of your own"),
    ],
)
def test_what_was_adopted_is_said_and_written_once(
    content: bytes | None,
    read_as: dict[str, tuple[str, ...]],
    added: tuple[str, ...],
    said: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys,
) -> None:
    kept = []
    monkeypatch.setattr(adopting, "open_package", lambda _: None)
    monkeypatch.setattr(adopting, "adopt", lambda *_: Adopted(content, read_as, added, ()))
    monkeypatch.setattr(adopting, "write_with_sheets", lambda *given, **_: kept.append(given[2]))
    assert main(["adopt", "e.xlsx"]) == 0
    printed = capsys.readouterr()
    assert said in " ".join(printed.out.split())
    assert kept == ([] if content is None else [content])
    assert ("Nothing else of e.xlsx was changed" in printed.err) == (content is not None)
