"""The near end of the link to LibreOffice before a far end that only answers: what is asked, and what is made of it."""

from __future__ import annotations

import datetime as dt
import queue
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pytest

from costing.errors import WorkbookError
from costing.workbook.live import link_office
from costing.workbook.live.link_office import OfficeWorkbook, listening, office_formula
from costing.workbook.live.opened import NotOpenError
from costing.workbook.pages.pages import Page, PlacedTable, RowEdit, Styled
from tests.workbook.live.far_end import READ, THERE, FarEnd, Process, answer


def test_a_workbook_is_attached_under_the_first_python_there_is(monkeypatch: pytest.MonkeyPatch) -> None:
    linked = FarEnd(monkeypatch)
    ((command, options),) = linked.started
    assert command == [sys.executable, "-I", str(Path(link_office.__file__).with_name("office_side.py"))]
    assert options.pop("creationflags") == getattr(subprocess, "CREATE_NO_WINDOW", 0)
    assert options == {"stdin": -1, "stdout": -1, "stderr": -3, "start_new_session": True}
    assert linked.workbook.who() == "LibreOffice 24: demo.xlsx"
    assert (linked.workbook.saves_itself, linked.workbook.date_1904, linked.workbook.remarks) == (False, True, [])
    name, pipe, path, percents, most, stale = linked.closed()[0]
    assert (name, pipe, path, most) == ("attach", "pipe", "/estate/demo.xlsx", 10_000_000)
    assert "norm" in percents
    assert stale.startswith('="STALE')
    assert 'pipe,name=mine;urp;" "/a.xlsx"' in listening(Path("/a.xlsx"), "mine")


def test_a_lock_left_by_an_earlier_link_is_a_remark(monkeypatch: pytest.MonkeyPatch) -> None:
    linked = FarEnd(monkeypatch, first=answer({**THERE, "was_locked": True, "saves_itself": True}))
    assert linked.workbook.saves_itself is True
    assert ["An earlier link" in remark for remark in linked.workbook.remarks] == [True]


def test_a_workbook_that_is_not_open_there_is_not_linked(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(NotOpenError, match="it is not open"):
        FarEnd(monkeypatch, first={"fault": "it is not open"})


def test_tables_of_sheets_are_those_of_the_last_survey(monkeypatch: pytest.MonkeyPatch) -> None:
    survey = {"titles": ["A", "B"], "tables": [["t", "A", 1, 0, 5, 3, True], ["u", "A", 8, 0, 9, 1, False]]}
    linked = FarEnd(monkeypatch, answer(survey), answer(1), answer(0), answer(True))
    assert linked.workbook.titles() == ["A", "B"]
    assert linked.workbook.tables("A") == [PlacedTable("t", 1, 0, 5, 3, True), PlacedTable("u", 8, 0, 9, 1, False)]
    assert linked.workbook.tables("B") == linked.workbook.tables("C") == []
    assert linked.workbook.is_marked("A") is True
    assert linked.workbook.is_protected("A") is False
    assert linked.workbook.is_open() is True
    assert linked.closed()[1:] == [["survey"], ["is_marked", "A"], ["is_protected", "A"], ["is_open"]]


def test_cells_come_with_their_days_errors_and_percentages(monkeypatch: pytest.MonkeyPatch) -> None:
    linked = FarEnd(monkeypatch, answer(READ), answer({"width": 9, "height": 99}))
    sheet = linked.workbook.read_table("A")
    day = dt.datetime(2023, 3, 15)
    assert sheet.rows == [[None] * 4, [None, "Lot", "On", None], [None, "A", day, 0.5], [None] * 4]
    assert sheet.errors == ((2, 4, "#REF!"),)
    assert sheet.percent_cells == {(4, 3), (4, 4)}
    assert (sheet.filled, sheet.day_zero) == (4, dt.datetime(1899, 12, 30))
    assert linked.workbook.read_table("B").too_far == (9, 99)


def test_several_sheets_are_asked_for_at_once_and_the_first_fault_is_raised_after_all(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    faults = {"fault": "one is gone"}, {"fault": "another"}
    linked = FarEnd(monkeypatch, answer(READ), faults[0], faults[1], answer(READ), answer(True))
    read = linked.workbook.read_tables(["A", "B", "C", "D"])
    seen = []
    with pytest.raises(WorkbookError, match="one is gone"):
        seen.extend(read)
    assert len(seen) == 2
    assert linked.workbook.is_open() is True
    assert linked.closed()[1:] == [*(["read", title] for title in "ABCD"), ["is_open"]]


def test_answers_that_nobody_takes_are_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    linked = FarEnd(monkeypatch, answer(READ), answer(READ), answer(READ), answer("last"))
    read = linked.workbook.read_tables(["A", "B", "C"])
    next(read)
    read.close()  # type: ignore[attr-defined]
    assert linked.workbook._ask("anything") == "last"


def _page(**more: Any) -> Page:
    formulas = {(1, 1): "=SUM('A b'!C1,TRUE)", (1, 2): "=1", (1, 4): "=2", (2, 1): '="a,b"'}
    given: dict[str, Any] = {
        **{"name": "P", "rows": [[None, "x", 2, True]], "formulas": formulas, "links": {}},
        "tables": (PlacedTable("t", 1, 0, 5, 3, True),),
        **{"styled": (Styled(0, 1, 2, 3, {"bold": True}),), "widths": {0: 9.5}, "heights": {3: 15.0}},
    }
    return Page(**{**given, **more})


def test_pages_are_written_with_their_edits_and_look(monkeypatch: pytest.MonkeyPatch) -> None:
    linked = FarEnd(monkeypatch, answer(None), answer(None), answer(None))
    linked.workbook.write_tables([(_page(), [RowEdit(3, -2), RowEdit(1, 4)], False), (_page(), [], True)])
    linked.workbook.mark_stale([], "=1")
    linked.workbook.mark_stale(["A"], "=1")
    plain, styled, stale = linked.closed()[1:]
    assert stale == ["mark_stale", ["A"], "=1"]
    assert (plain[2], plain[3], styled[2], styled[3]) == ([[3, -2], [1, 4]], False, [], True)
    assert plain[1]["rows"] == [["", "x", 2.0, 1.0]]
    assert plain[1]["formulas"] == [
        *([1, 1, ["=SUM($'A b'.C1;TRUE())", "=1"]], [1, 4, ["=2"]]),
        [2, 1, ['="a,b"']],
    ]
    assert plain[1]["tables"] == [["t", 1, 0, 5, 3, True]]
    assert "styled" not in plain[1]
    assert styled[1]["styled"] == [[0, 1, 2, 3, {"bold": True}]]
    assert (styled[1]["widths"], styled[1]["heights"]) == ([[0, 9.5]], [[3, 15.0]])


@pytest.fixture
def pausing(monkeypatch: pytest.MonkeyPatch) -> FarEnd:
    return FarEnd(monkeypatch, answer(None), answer(None))


def test_a_pause_ends_whole_or_broken(pausing: FarEnd) -> None:
    with pausing.workbook.paused():
        pass
    assert pausing.closed()[1:] == [["pause"], ["resume", False]]


def test_a_pause_that_goes_wrong_says_what_went_wrong(pausing: FarEnd) -> None:
    with pytest.raises(ZeroDivisionError), pausing.workbook.paused():
        raise ZeroDivisionError
    assert pausing.closed()[1:] == [["pause"], ["resume", True]]


def test_ctrl_c_in_a_pause_closes_the_link(pausing: FarEnd) -> None:
    with pytest.raises(KeyboardInterrupt), pausing.workbook.paused():
        raise KeyboardInterrupt
    assert pausing.process.waited == [link_office.CLOSING_SECONDS]
    with pytest.raises(WorkbookError, match="is closed"):
        pausing.workbook.is_open()
    pausing.workbook.close()
    assert len(pausing.process.waited) == 1


def test_a_far_end_that_ends_breaks_the_link_off(monkeypatch: pytest.MonkeyPatch) -> None:
    linked = FarEnd(monkeypatch)
    with pytest.raises(WorkbookError, match="broke off"):
        linked.workbook.titles()


def test_a_program_that_does_not_answer_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    linked = FarEnd(monkeypatch)
    linked.workbook._timeout = 0.01
    linked.workbook._answers = queue.Queue()  # nothing ever comes
    with pytest.raises(WorkbookError) as refused:
        linked.workbook.titles()
    assert str(refused.value) == ("LibreOffice has not answered for 0 seconds. Close its open dialogs; link again.")
    assert linked.process.waited == [link_office.CLOSING_SECONDS]
    with pytest.raises(WorkbookError, match="is closed"):
        linked.workbook.titles()


def test_a_far_end_that_does_not_end_is_left_to_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    linked = FarEnd(monkeypatch)
    waited, ended = [], threading.Event()

    def wait(timeout: float | None = None) -> int:
        waited.append(timeout)
        if timeout is not None:
            raise subprocess.TimeoutExpired("office_side", timeout)
        ended.set()
        return 0

    monkeypatch.setattr(linked.process, "wait", wait)
    linked.workbook.close()
    assert ended.wait(5)
    assert waited == [link_office.CLOSING_SECONDS, None]


def test_ctrl_c_among_several_requests_closes_the_link(monkeypatch: pytest.MonkeyPatch) -> None:
    linked = FarEnd(monkeypatch, answer(READ))

    def interrupted() -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(linked.workbook, "_answer", interrupted)
    with pytest.raises(KeyboardInterrupt):
        [*linked.workbook.read_tables(["A", "B"])]
    assert linked.process.waited == [link_office.CLOSING_SECONDS]


def test_without_a_python_that_has_the_module_nothing_is_linked(monkeypatch: pytest.MonkeyPatch) -> None:
    process = Process([])
    monkeypatch.setattr(link_office.subprocess, "Popen", lambda *_, **__: process)
    monkeypatch.setattr(link_office, "PYTHONS", ())
    with pytest.raises(NotOpenError, match="no Python"):
        OfficeWorkbook(Path("/estate/demo.xlsx"), timeout=2.0)
    assert process.waited == [link_office.CLOSING_SECONDS]


@pytest.mark.parametrize(
    ("formula", "office"),
    [
        ("=SUM(A1,B1)", "=SUM(A1;B1)"),
        ('=IF(A1="a,b",TRUE,FALSE)', '=IF(A1="a,b";TRUE();FALSE())'),
        ("='It''s, a'!A1+TRUE()", "=$'It''s, a'.A1+TRUE()"),
    ],
)
def test_formulas_are_respelt(formula: str, office: str) -> None:
    assert office_formula(formula) == office
