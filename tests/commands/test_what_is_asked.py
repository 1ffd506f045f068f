"""What each command asks of the house, as its options are typed, and which form of the answer it prints; the answers
themselves are tested beside their decisions.
"""

from __future__ import annotations

import io
import json
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

import costing
from costing.answers.answer import Answer
from costing.cli import main
from costing.commands import decisions, records
from costing.commands.source import Source, _list
from costing.commands.table import _progress
from costing.errors import Finding
from costing.inputs.basis import BOOK, ECONOMIC
from costing.inputs.raw import RawTable
from costing.report.page import BEGINS
from costing.workbook.pages.result_sheet import ResultSheet
from costing.workbook.read import read_workbook
from tests.commands.books import first_hour

Asked = tuple[str, tuple[Any, ...], dict[str, Any]]
OWN = [["T23", 120.0, 20454]]
"""2026-01-01 is 20,454 days after 1970-01-01."""


class _House:
    """Answers everything alike, and keeps what it was asked."""

    def __init__(self, answer: Answer) -> None:
        self.answer, self.asked = answer, list[Asked]()

    def __getattr__(self, name: str) -> Any:
        def ask(*given: Any, **named: Any) -> Answer:
            plain = tuple(one.to_numpy().tolist() if isinstance(one, pd.DataFrame) else one for one in given)
            self.asked.append((name, plain, named))
            return self.answer

        return ask


def _answer(*findings: Finding) -> Answer:
    return Answer({}, findings, ("All is said.",), empty="Nothing to say.")


def _ask(patch: pytest.MonkeyPatch, *words: str, answer: Answer | None = None) -> tuple[int, list[Asked]]:
    """Exit code of a command, and what it asked of the house. A further workbook is known by its path."""
    house = _House(answer or _answer())

    def source(path: Path) -> SimpleNamespace:
        return SimpleNamespace(house=house if path.name == "e.xlsx" else path.as_posix())

    patch.setattr(decisions, "Source", source)
    return main([words[0], "e.xlsx", *words[1:]]), house.asked


@pytest.mark.parametrize(
    ("words", "asked"),
    [
        ("plan", ("plan", ([], None), {"whole_campaigns": False})),
        ("plan --without supply --without credit", ("plan", (["supply", "credit"], None), {"whole_campaigns": False})),
        ("plan --with-plan own.csv --whole-campaigns", ("plan", ([], OWN), {"whole_campaigns": True})),
        ("plan --futures --with-plan own.csv", ("futures", ([], OWN), {})),
        ("cash", ("cash", (24,), {"planned": False})),
        ("cash --months 3 --plan", ("cash", (3,), {"planned": True})),
        *((verb, (verb, (), {})) for verb in ("tirage", "offers", "ageing", "vats", "blend", "recipes", "margins")),
        ("services", ("services", (), {})),
        ("price --elasticity -3", ("prices", (-3.0,), {})),
        ("sensitivity Brut", ("sensitivity", ("Brut",), {})),
        ("forecast --draws 20 --seed 4", ("forecast", (20, 4, _progress), {})),
        ("forecast --draws 1 --seed 0", ("forecast", (1, 0, _progress), {})),
        ("scenarios", ("scenarios", ({},), {})),
        ("scenarios --with b.xlsx", ("scenarios", ({"b": "b.xlsx"},), {})),
        (
            "scenarios --with b.xlsx --with c.xlsx --with old/b.xlsx",
            ("scenarios", ({"b.xlsx": "b.xlsx", "c": "c.xlsx", "old/b.xlsx": "old/b.xlsx"},), {}),
        ),
        ("why", ("why", (None, None, None), {})),
        ("why --from A --to B", ("why", ("A", "B", None), {})),
        ("why --before b.xlsx --to stock", ("why", (None, "stock", "b.xlsx"), {})),
    ],
)
def test_options_reach_the_house(words: str, asked: Asked, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("own.csv").write_text("lot,date,bottles\nT23,2026-01-01,120\n", encoding="utf-8")
    assert _ask(monkeypatch, *words.split()) == (0, [asked])


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        ("plan --futures --whole-campaigns", 1, "ask for --futures or --whole-campaigns"),
        ("plan --with-plan none.csv", 1, "none.csv is no plan"),
        ("why --from A", 2, "Name two releases"),
        ("why --to A", 2, "Name two releases"),
    ],
)
def test_what_cannot_be_asked_is_said(
    words: str, code: int, said: str, monkeypatch: pytest.MonkeyPatch, capsys
) -> None:
    assert _ask(monkeypatch, *words.split()) == (code, [])
    assert said in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "shown"),
    [
        ("ageing", ("hold_or_release",)),
        ("scenarios", ("scenarios_per_bottle", "scenarios_stock")),
        ("why", ("why_by_family", "why_by_year")),
        ("why --from A --to B", ("why_it_moved", "why_between")),
        ("why --before b.xlsx --to stock", ("why_it_moved", "why_between")),
    ],
)
def test_a_terminal_shows_the_tables_that_answer(
    words: str, shown: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    found = []
    monkeypatch.setattr(decisions, "text_answer", lambda _, tables, **__: found.append(tables) or "")
    assert _ask(monkeypatch, *words.split())[0] == 0
    assert found == [shown]


def test_a_report_is_written_beside_the_workbook_or_where_it_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys
) -> None:
    asked = []
    house = SimpleNamespace(report=lambda when: asked.append(when) or BEGINS)
    monkeypatch.setattr(decisions, "Source", lambda path: SimpleNamespace(house=house, path=path))
    for more, written in (([], "e.report.html"), (["--html", str(tmp_path / "page.html")], "page.html")):
        assert main(["report", str(tmp_path / "e.xlsx"), *more]) == 0
        assert (tmp_path / written).read_text(encoding="utf-8") == BEGINS
        assert f"{written} is ready to be opened or printed." in capsys.readouterr().out
    assert all(when.endswith(f"version {costing.__version__}") for when in asked)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        *((f"forecast --draws {wrong}", f"'{wrong}' is no whole number of 1 or more") for wrong in ("0", "-3", "2.5")),
        *((f"forecast --seed {wrong}", f"'{wrong}' is no whole number of 0 or more") for wrong in ("-1", "x")),
        ("close", "--date"),
        ("open-year next.xlsx", "--date"),
    ],
)
def test_an_option_that_makes_no_sense_or_is_missing_is_misuse(
    words: str, said: str, monkeypatch: pytest.MonkeyPatch, capsys
) -> None:
    """No draws ended in a traceback, a wrong date in the name of a function."""
    with pytest.raises(SystemExit) as left:
        _ask(monkeypatch, *words.split())
    assert left.value.code == 2
    assert said in capsys.readouterr().err.splitlines()[-1]


@pytest.mark.parametrize(
    ("verb", "path"),
    [("check", "workbook (.xlsx, .xlsm) or folder of CSV files"), ("adopt", "workbook that you keep (.xlsx, .xlsm)")],
)
def test_help_says_what_a_command_takes(verb: str, path: str, capsys) -> None:
    with pytest.raises(SystemExit):
        main([verb, "--help"])
    assert path in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize(("count", "more"), [(20, []), (22, ["  and 2 more"])])
def test_a_long_list_ends_after_twenty_lines(count: int, more: list[str], capsys) -> None:
    _list([f"line {number}" for number in range(count)])
    assert capsys.readouterr().err.splitlines() == [*(f"  line {number}" for number in range(20)), *more]


def test_an_answer_is_sentences_or_json(monkeypatch: pytest.MonkeyPatch, capsys) -> None:
    _ask(monkeypatch, "ageing")
    assert capsys.readouterr().out == "Nothing to say.\n\nAll is said.\n"
    _ask(monkeypatch, "ageing", "--json")
    assert json.loads(capsys.readouterr().out) == {"says": ["All is said."], "findings": []}


def test_an_error_is_an_exit_code_and_stands_in_the_way_of_writing_alone(
    monkeypatch: pytest.MonkeyPatch, capsys
) -> None:
    for severity, code, refused in (("error", 1, "1 error. Nothing was written.\n"), ("caution", 0, "There is no")):
        answer = _answer(Finding("Channels!B2", "-1", "is below 0.", "Enter 1.", severity))
        assert _ask(monkeypatch, "price", answer=answer)[0] == code
        assert capsys.readouterr().err == f"{severity}: {answer.findings[0]}\n"
        assert _ask(monkeypatch, "price", "--write", answer=answer)[0] == code
        assert refused in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "basis", "is_json"),
    [([], ECONOMIC, False), (["--basis", "book"], BOOK, False), (["--json"], ECONOMIC, True)],
)
def test_origins_are_asked_on_the_basis_named(
    words: list[str], basis: object, is_json: bool, monkeypatch: pytest.MonkeyPatch, capsys
) -> None:
    asked = []
    runs = SimpleNamespace(book=SimpleNamespace(basis=BOOK))
    monkeypatch.setattr(records, "Source", lambda _: SimpleNamespace(runs=runs))
    monkeypatch.setattr(records, "origins_of", lambda *given: asked.append(given) or _answer())
    assert main(["origins", "e.xlsx", "D25", *words]) == 0
    assert asked == [(runs, "D25", basis)]
    assert capsys.readouterr().out.startswith("{") == is_json


def test_exact_runs_are_counted_on_one_line_of_a_screen(monkeypatch: pytest.MonkeyPatch, capsys) -> None:
    _progress(1, 2)
    assert capsys.readouterr().err == ""
    screen, shown = io.StringIO(), list[str]()
    monkeypatch.setattr(screen, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(screen, "flush", lambda: shown.append(screen.getvalue()), raising=False)
    monkeypatch.setattr(sys, "stderr", screen)
    for done in (1, 2):
        _progress(done, 2)
    assert shown == ["\r1 of 2 exact runs", "\r1 of 2 exact runs\r2 of 2 exact runs\n"]


def test_a_live_refresh_knows_the_sheets_of_commands_of_their_own(
    small_book: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It said that a sheet waits for a command which had written it."""
    assert main(["sensitivity", str(small_book), "D25", "--write"]) == 0
    found: list[ResultSheet] = []

    def once(path: str, refresh: Callable[[list[RawTable]], Iterable[ResultSheet]], **_: object) -> None:
        found.extend(refresh(read_workbook(path)))

    monkeypatch.setattr(records, "link", once)
    assert main(["link", str(small_book)]) == 0
    waiting = next(table for sheet in found for table in sheet.tables if table.name.endswith("front_waiting"))
    check = next(sheet for sheet in found if sheet.name == "Run check")
    assert [table.name for table in check.tables][:2] == ["sheets_compared", "run_identity"]
    assert {tuple(table.links) for sheet in found if sheet.name == "Amounts charged" for table in sheet.tables} == {
        (),
        ("Cell",),
    }
    waits_for = dict(waiting.frame.to_numpy().tolist())
    assert waits_for["How sure"] == "costing forecast FILE --write"
    assert waits_for["Scenarios side by side"] == "The Scenarios sheet is empty."
    assert "Sensitivity" not in waits_for
    assert "Cost per bottle" not in waits_for


def test_findings_in_json_have_their_accents(tmp_path: Path, capsys) -> None:
    estate = tmp_path / "estate"
    estate.mkdir()
    (estate / "settings.csv").write_text("Setting,Value\nValuation date,Œil\n", encoding="utf-8")
    assert main(["check", str(estate), "--json"]) == 1
    said = capsys.readouterr().out
    assert '\n  "value": "Œil"' in said


def test_a_folder_has_its_name_wherever_a_person_stands_and_a_workbook_is_as_it_was_typed(
    small_workbook: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Results of `costing run .` would have no name."""
    folder = first_hour(tmp_path / "estate")
    monkeypatch.chdir(folder)
    assert (Source(Path()).path, Source(Path()).house.name) == (folder.resolve(), "estate")
    monkeypatch.chdir(small_workbook.parent)
    assert Source(Path(small_workbook.name)).path == Path(small_workbook.name)
