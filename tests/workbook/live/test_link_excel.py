"""The live link's Excel end, through an xlwings engine of the tests' own (`fake_excel`).

xlwings itself is real; what Excel does is from memory. What only Excel can show is a checklist by hand in
DEVELOPERS.md.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import io
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest
import xlwings

from costing.errors import Finding, InputError, WorkbookError, caution
from costing.inputs.load import load
from costing.inputs.raw import RawTable
from costing.workbook.file.sheets import MARK
from costing.workbook.file.stale import STALE
from costing.workbook.live import link as linking
from costing.workbook.live import link_excel, running_excel
from costing.workbook.live import opened as opened_workbook
from costing.workbook.live.link import Refresher, attach, link
from costing.workbook.live.link_excel import ExcelWorkbook
from costing.workbook.live.opened import NotOpenError, read_open, write_open
from costing.workbook.pages.pages import Page, pages, row_edits
from costing.workbook.pages.result_sheet import ResultSheet, ResultTable
from tests.workbook.fake_excel import Book, Sheet, add_table, fill
from tests.workbook.live.sessions import result, running


@pytest.fixture
def excel() -> Iterator[Callable[..., Any]]:
    """Make an Excel active that has these books open."""
    with running() as activate:
        yield activate


@pytest.fixture
def opened(excel: Callable[..., Any], tmp_path: Path) -> tuple[Path, Book]:
    """A small workbook that is open in Excel."""
    path = tmp_path / "estate.xlsx"
    path.write_bytes(b"as it was")
    book = Book(str(path), "Settings", "Stocktakes", "Notes", "Loss norms")
    fill(book.sheets("Settings"), [["Setting", "Value"], ["Currency", "EUR"]])
    fill(
        book.sheets("Stocktakes"),
        [
            ["Date", "Lot", "Measured", "Cause"],
            [dt.datetime(2024, 12, 31), "'2024", 1990.5, None],
            [dt.datetime(2025, 1, 31), "V2", "#N/A", "evaporation"],
            ["Total", None, 1990.5, None],
        ],
    )
    sheet = book.sheets("Stocktakes")
    add_table(sheet, "stocktakes", (1, 1), (3, 4)).show_totals = True
    fill(book.sheets("Loss norms"), [["Operation or stage", "Norm (%)"], ["pressing", 0.02], ["racking", 2.0]])
    book.sheets("Loss norms").formats[2, 2] = "0.00%"
    excel(Book("/somewhere/else.xlsx", "Sheet1"), book)
    return path, book


def assert_shows(sheet: Sheet, page: Page) -> None:
    wanted = {
        (row, column): cell
        for row, cells in enumerate(page.rows, 1)
        for column, cell in enumerate(cells, 1)
        if cell is not None and row != 3
    }
    places = {*sheet.values, *sheet.formulas} - {(3, 1)}
    assert {place: sheet.value(place) for place in places} == wanted
    tables = {table.name: (table.row, table.height, table.width, table.totals) for table in sheet.tables}
    assert tables == {t.name: (t.top + 1, t.bottom - t.top + 1, t.right + 1, t.totals) for t in page.tables}


def test_the_open_workbook_is_found_and_named(opened: tuple[Path, Book]) -> None:
    path, book = opened
    workbook = attach(path)
    assert isinstance(workbook, ExcelWorkbook)
    assert workbook.who() == "Excel 16.0: estate.xlsx"
    assert workbook.is_open()
    book.fullname = "/somewhere/renamed.xlsx"
    assert not workbook.is_open()
    book.fullname = "https://cloud.example/estate.xlsx"
    assert not workbook.is_open()


def test_cells_are_read_as_a_file_would_be(opened: tuple[Path, Book]) -> None:
    workbook = attach(opened[0])
    tables, counts, _ = read_open(workbook)
    by_sheet = {table.sheet: table for table in tables}
    assert list(by_sheet) == ["Settings", "Stocktakes", "Loss norms"]
    stocktakes = by_sheet["Stocktakes"]
    assert stocktakes.frame["Lot"].tolist() == ["2024", "V2"], "the totals row doesn't count"
    assert stocktakes.frame["Date"].dt.date.tolist() == [dt.date(2024, 12, 31), dt.date(2025, 1, 31)]
    assert [(one.place, one.value) for one in stocktakes.findings] == [("Stocktakes!C3", "#N/A")]
    assert by_sheet["Loss norms"].percent_formatted["Norm (%)"].tolist() == [True, False]
    counted = {one.title: (one.filled, one.total) for one in counts}
    days = sum((dt.datetime(*day) - dt.datetime(1899, 12, 30)).days for day in [(2024, 12, 31), (2025, 1, 31)])
    assert counted["Stocktakes"] == (4 + 3 + 4 + 2, pytest.approx(days + 2 * 1990.5))


@pytest.mark.parametrize(("last", "rows"), [(None, 4), ("#N/A", 6)])
def test_blank_rows_at_the_end_are_left_out_unless_an_error_stands_there(
    last: str | None, rows: int, opened: tuple[Path, Book]
) -> None:
    path, book = opened
    fill(book.sheets("Stocktakes"), [[], [], [], [], ["", ""], ["", "", last]])
    sheet = attach(path).read_table("Stocktakes")
    assert len(sheet.rows) == rows
    assert [error[1] for error in sheet.errors] == [3, *([6] if last else [])]


def test_a_sheet_with_its_mark_is_made_and_the_users_stays_in_front(opened: tuple[Path, Book]) -> None:
    path, book = opened
    workbook = attach(path)
    (page,) = pages([result(3, 4)])
    write_open(workbook, [page])
    sheet = book.sheets("Stock value")
    assert book.sheets.items[-1] is sheet
    assert book.sheets.active is book.sheets("Settings")
    (mark,) = sheet.names
    assert (mark.name.rpartition("!")[2], mark.refers_to) == (MARK, '="Stock value"')
    assert mark.api.Visible is False
    assert_shows(sheet, page)
    first = page.tables[0]
    assert sheet.formulas[first.top + 2, 2] == '=HYPERLINK("#\'Stocktakes\'!C2","Stocktakes!C2")'
    assert sheet.formats[first.top + 3, 3] == "#,##0.00"
    assert book.app.calculation == "automatic"
    assert book.app.screen_updating
    assert book.saved == 0
    assert path.read_bytes() == b"as it was"


def test_tables_grow_shrink_and_gain_columns(opened: tuple[Path, Book]) -> None:
    path, book = opened
    workbook = attach(path)
    cases = [(3, 4, 3, 1), (6, 9, 3, 1), (2, 9, 3, 3), (3, 2, 3, 0), (40, 3, 3, 1), (40, 3, 4, 1), (1, 1, 3, 1)]
    for one, two, columns, notes in [*cases, (3, 4, 4, 1)]:
        (page,) = pages([result(one, two, columns=columns, notes=notes)])
        write_open(workbook, [page])
        assert_shows(book.sheets("Stock value"), page)
        assert row_edits(workbook.tables("Stock value") if workbook.titles() else [], page.tables)[1] or one == 1
        last = page.tables[0].bottom
        assert book.sheets("Stock value").formats[last, 3] == "#,##0.00"


def test_links_written_by_a_file_go_with_the_first_refresh(opened: tuple[Path, Book]) -> None:
    path, book = opened
    workbook = attach(path)
    (page,) = pages([result(3, 4)])
    write_open(workbook, [page])
    sheet = book.sheets("Stock value")
    sheet.links |= {place for place in sheet.values if place[1] == 2} | {
        place for place in sheet.formulas if place[1] == 2
    }
    assert sheet.links
    formats = dict(sheet.formats)
    again = attach(path)
    write_open(again, [page])
    first = page.tables[0]
    assert not {(row, 2) for row in range(first.top + 2, first.bottom + 1)} & sheet.links
    assert sheet.formats == formats
    assert_shows(sheet, page)


@pytest.mark.parametrize(
    "text", ["=1+1", "2024", "1-2", "TRUE", "vrai", "#N/A", "+3", "3 L", "a=b", "'x", "L'Etoile", "V1", "12%", "@x"]
)
def test_texts_stay_texts(text: str, opened: tuple[Path, Book]) -> None:
    path, book = opened
    workbook = attach(path)
    frame = pd.DataFrame({"Lot": [text, "Brut"]})
    (page,) = pages([ResultSheet("Origins", "Texts", (), (ResultTable("texts", frame),))])
    write_open(workbook, [page])
    row = page.tables[0].top + 2
    assert book.sheets("Origins").value((row, 1)) == text
    assert not book.sheets("Origins").formulas


def test_a_sheet_of_the_users_own_is_never_written(opened: tuple[Path, Book]) -> None:
    path, book = opened
    book.sheets.items.append(Sheet(book, "STOCK VALUE"))
    workbook = attach(path)
    with pytest.raises(WorkbookError, match="wasn't written by this library"):
        write_open(workbook, pages([result(3, 4)]))
    assert not book.sheets("STOCK VALUE").values


def test_whatever_excel_raises_is_one_line_and_its_modes_come_back(opened: tuple[Path, Book]) -> None:
    path, book = opened
    workbook = attach(path)
    write_open(workbook, pages([result(3, 4)]))

    book.app.busy = running_excel.ATTEMPTS
    with pytest.raises(WorkbookError, match="Excel refuses") as fault:
        write_open(workbook, pages([result(5, 4)]))
    assert str(fault.value).isprintable()
    assert (book.app.screen_updating, book.app.calculation) == (True, "automatic")


def test_one_refresh_from_inputs_to_results(opened: tuple[Path, Book]) -> None:
    path, book = opened
    said: list[str] = []

    def refresh(tables: Sequence[RawTable]) -> list[ResultSheet]:
        load(tables)
        return [result(2, 2)]

    link(path, refresh, say=said.append)
    assert "Stocktakes!C3" in said[1]
    found = book.sheets("Run check")
    assert "Stocktakes!C3" in [found.value(place) for place in found.formulas]
    assert "Stock value" not in book.sheets


@pytest.mark.parametrize(("typed", "again"), [("", 0), ("\n", 1), ("q\n\n", 0), ("\n Quit \n\n", 1), ("x\n\n", 2)])
def test_a_line_refreshes_again_until_q(typed: str, again: int, opened: tuple[Path, Book]) -> None:
    said: list[str] = []
    link(opened[0], lambda _: [result(2, 2)], say=said.append, keyboard=io.StringIO(typed))
    assert said[2] == "Refreshing on Enter; ends with q or Ctrl-C."
    assert said[3:] == ["The inputs are as they were; nothing was written."] * again


class Happenings:
    """What happens while a link waits, one at each pause; nothing more after the last."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *happenings: Callable[[], object] | None) -> None:
        self.waited: list[float] = []
        coming = iter(happenings)

        def sleep(seconds: float) -> None:
            self.waited.append(seconds)
            happening = next(coming)
            if happening:
                happening()

        monkeypatch.setattr(linking, "time", SimpleNamespace(sleep=sleep, perf_counter=time.perf_counter))


LINKED = ["Linked to Excel 16.0: estate.xlsx.", "1 sheet refreshed in S s, 1 of them changed. Nothing was saved."]
SAME = "The inputs are as they were; nothing was written."


def said_by(path: Path, refresh: Any = lambda _: [result(2, 2)], **options: Any) -> list[str]:
    """What a link says from its beginning to its end, but for how long a refresh took."""
    said: list[str] = []
    link(path, refresh, say=said.append, **options)
    return [re.sub(r"in \d+\.\d\d s", "in S s", line) for line in said]


def test_a_watched_workbook_is_refreshed_once_after_each_save(
    opened: tuple[Path, Book], monkeypatch: pytest.MonkeyPatch
) -> None:
    path, book = opened
    settings = book.sheets("Settings")

    def save(content: bytes, value: str = "") -> Callable[[], None]:
        def saved() -> None:
            settings.type((2, 2), value or settings.values[2, 2])
            path.write_bytes(content)

        return saved

    def refuse() -> None:
        save(b"eight by", "JPY")()
        book.app.busy = running_excel.ATTEMPTS

    happenings = Happenings(
        monkeypatch,
        *(None, save(b"1"), save(b"two", "USD"), None, None),  # a save in two steps
        *(save(b"four", "CHF"), None, None),
        *(path.unlink, save(b"five5", "GBP"), None),  # replaced by a new file
        *(save(b"sixsix"), None, refuse, None),
        lambda: setattr(book, "fullname", "/somewhere/renamed.xlsx"),
    )
    said = said_by(path, watch=True)
    changed = "1 sheet refreshed in S s, 0 of them changed. Nothing was saved."
    assert said == [
        *LINKED,
        "Refreshing on each save; ends with Ctrl-C.",
        *(changed, changed, changed, SAME),
        "Excel refuses ([Errno -2147418111] Call was rejected by callee.). "
        "Finish the cell that is being edited, close dialogs, then refresh again.",
        "The workbook was closed; the link has ended.",
    ]
    assert set(happenings.waited) == {linking.POLL_SECONDS}


def test_watching_goes_on_when_the_keyboard_ends(opened: tuple[Path, Book], monkeypatch: pytest.MonkeyPatch) -> None:
    path, book = opened
    asked = Happenings(monkeypatch, None, lambda: setattr(book, "fullname", "/somewhere/renamed.xlsx"))
    assert said_by(path, watch=True, keyboard=io.StringIO("\n")) == [
        *LINKED,
        "Refreshing on Enter and on each save; ends with q or Ctrl-C.",
        SAME,
        "The workbook was closed; the link has ended.",
    ]
    assert len(asked.waited) == 2


def test_the_terminal_is_the_keyboard_where_there_is_one(
    opened: tuple[Path, Book], monkeypatch: pytest.MonkeyPatch
) -> None:
    keyboard = io.StringIO("\nq\n\n")
    monkeypatch.setattr(sys, "stdin", keyboard)
    assert said_by(opened[0]) == LINKED
    monkeypatch.setattr(keyboard, "isatty", lambda: True)
    assert said_by(opened[0])[2:] == ["Refreshing on Enter; ends with q or Ctrl-C.", SAME]
    monkeypatch.setattr(sys, "stdin", None)
    assert said_by(opened[0]) == LINKED


def test_a_workbook_closed_with_its_link_is_said(opened: tuple[Path, Book], monkeypatch: pytest.MonkeyPatch) -> None:
    def broken_off(_: object) -> bool:
        msg = "The link broke off."
        raise WorkbookError(msg)

    monkeypatch.setattr(ExcelWorkbook, "is_open", broken_off)
    lines = iter(["\n", "\n"])
    assert said_by(opened[0], keyboard=lines)[3:] in (
        ["The link has ended; the workbook is as it was left in the program."],
        [SAME, "The link has ended; the workbook is as it was left in the program."],
    )


def test_each_refresh_says_what_is_wrong_and_what_it_could_not_write(opened: tuple[Path, Book]) -> None:
    path, book = opened
    both = [result(2, 2), ResultSheet("Origins", "Texts")]
    wrong = [
        caution("Costs!A1", "z", "is odd.", "Look."),
        *(Finding(f"Costs!A{n}", "x", "is no day.", "Mend it.") for n in (2, 3)),
    ]
    turns: Iterator[tuple[list[str], Any]] = iter(
        [
            ([], InputError(wrong)),
            (["Stock value"], InputError(wrong[:2])),
            (["Stock value"], both),
            (["Stock value", "Origins"], both),
            ([], WorkbookError("It is late.")),
            ([], both),
        ]
    )

    def refresh(tables: Sequence[RawTable]) -> list[ResultSheet]:
        protected, turn = next(turns)
        for name in ("Stock value", "Origins"):
            book.sheets(name).api.ProtectContents = name in protected
        book.sheets("Settings").type((2, 2), f"EUR, then {len(tables[0].frame)} {turn}")
        if isinstance(turn, Exception):
            raise turn
        return list(turn)

    write_open(attach(path), pages(both))
    last = "take the protection off, then refresh again."
    assert said_by(path, refresh, keyboard=io.StringIO("\n" * 5 + "q\n"))[1:] == [
        "2 errors, listed on sheet 'Run check'; the first: Costs!A2: 'x' is no day. Mend it.",
        "Refreshing on Enter; ends with q or Ctrl-C.",
        "1 error, listed on sheet 'Run check'; the first: Costs!A2: 'x' is no day. Mend it. "
        f"'Stock value' is protected and keeps what it held: {last}",
        "1 sheet refreshed in S s, 1 of them changed. Nothing was saved. "
        f"'Stock value' is protected and keeps what it held: {last}",
        "0 sheets refreshed in S s, 0 of them changed. Nothing was saved. "
        f"'Stock value', 'Origins' are protected and keep what they held: {last}",
        "It is late.",
        "2 sheets refreshed in S s, 1 of them changed. Nothing was saved.",
    ]


def test_columns_are_set_anew_only_where_a_page_has_outgrown_them(opened: tuple[Path, Book]) -> None:
    path, book = opened
    check = ResultSheet("Run check", "Right", tables=(ResultTable("findings", pd.DataFrame({"Lot": ["A"]})),))
    write_open(attach(path), pages([result(2, 2), check]))
    for name in ("Stock value", "Run check"):
        book.sheets(name).sizes = {"column_width 1 1": 99.0}
    wide = result(2, 2)
    wide.tables[0].frame["Lot"] = ["a lot of some length", "B"]
    turns = iter([[result(2, 2), check], [result(2, 2), check], [wide, check]])
    seen = []

    def refresh(_: object) -> list[ResultSheet]:
        seen.append([book.sheets(name).sizes["column_width 1 1"] for name in ("Stock value", "Run check")])
        book.sheets("Settings").type((2, 2), f"EUR {len(seen)}")
        return next(turns)

    refresher = Refresher(attach(path), refresh)
    for _ in range(3):
        refresher()
    seen.append([book.sheets(name).sizes["column_width 1 1"] for name in ("Stock value", "Run check")])
    assert seen[0] == [99.0, 99.0]
    assert seen[1] == seen[2] == [99.0, seen[1][1]], "findings may be longer than what stood there before"
    assert seen[1][1] < 99.0
    assert seen[3] == [pages([wide])[0].widths[0], seen[1][1]]


def test_ctrl_c_in_a_refresh_says_what_may_be_partly_old(opened: tuple[Path, Book]) -> None:
    def refresh(_: object) -> list[ResultSheet]:
        raise KeyboardInterrupt

    assert said_by(opened[0], refresh) == [
        LINKED[0],
        "The link has ended; the workbook is still open, with its unsaved changes.",
        "A refresh was under way: result sheets that say STALE may be partly old. Link again to refresh them.",
    ]


def test_what_an_earlier_link_left_is_said_first(opened: tuple[Path, Book]) -> None:
    path, _ = opened
    ExcelWorkbook(path)._pause()
    assert said_by(path) == [
        LINKED[0],
        "An earlier link was ended in the middle of a refresh; Excel redraws and calculates again as it did before it. "
        "Result sheets may be partly old until the next refresh is done.",
        LINKED[1],
    ]


def test_a_workbook_that_is_open_nowhere_is_refused_with_every_reason(
    opened: tuple[Path, Book], monkeypatch: pytest.MonkeyPatch
) -> None:
    path, book = opened

    def not_there(*_: object) -> None:
        msg = "LibreOffice is not listening"
        raise NotOpenError(msg)

    def refusal(path: Path) -> str:
        with pytest.raises(WorkbookError) as fault:
            attach(path, "mine")
        return str(fault.value)

    monkeypatch.setattr(linking, "OfficeWorkbook", not_there)
    book.fullname = "/somewhere/renamed.xlsx"
    opening = f'Open it in Excel, or in LibreOffice with: soffice "--accept=pipe,name=mine;urp;" "{path}"'
    excel, office = "Excel has other workbooks open", "LibreOffice is not listening"
    assert refusal(path) == f"estate.xlsx is not open where it can be reached: {excel}; {office}. {opening}"
    path.with_name(".~lock.estate.xlsx#").write_text(",ann,cellar-pc,28.11.2026 08:00,file:///profile;")
    there = "A lock file says that it is open (LibreOffice"
    assert refusal(path).startswith(f"estate.xlsx is not open where it can be reached: {office}; {excel}. {there}")
    assert refusal(path).endswith(f"). {opening}")
    missing = path.with_name("estat.xlsx")
    assert refusal(missing) == (
        f"{missing} does not exist. Name the workbook that is open; `costing new {missing}` makes one."
    )


def test_without_excel_or_the_workbook_the_reason_is_said(
    excel: Callable[..., Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "estate.xlsx"
    path.write_bytes(b"x")

    def reason() -> str:
        with pytest.raises(NotOpenError) as fault:
            ExcelWorkbook(path)
        return str(fault.value)

    excel(Book("/somewhere/else.xlsx", "Sheet1"))
    assert reason() == "Excel has other workbooks open"
    excel()
    assert reason() == "Excel is not running"

    class Gone:
        """An engine whose Excel can't be reached, as xlwings on a system without it."""

        def __init__(self, fault: Exception) -> None:
            self.fault = fault

        @property
        def apps(self) -> Any:
            raise self.fault

    for fault in (xlwings.XlwingsError("Couldn't find Excel"), AttributeError("no attribute 'add'")):
        xlwings.engines.active = Gone(fault)
        assert reason() == "Excel can't be reached"
    xlwings.engines.active = None
    assert reason() == "Excel is not running"
    monkeypatch.delitem(sys.modules, "xlwings")
    monkeypatch.setattr(running_excel.sys, "platform", "linux")
    assert reason() == "there is no Excel on this system"


def test_a_cell_whose_format_excel_does_not_tell_is_shown_as_no_percentage() -> None:
    asked = []

    def told(*corners: tuple[int, int]) -> SimpleNamespace:
        asked.append(corners)
        return SimpleNamespace(number_format=None)

    assert list(link_excel._percent_rows(SimpleNamespace(range=told), 2, 1, 2)) == []
    assert asked == [((1, 2), (2, 2)), ((1, 2), (1, 2)), ((2, 2), (2, 2))]


def test_as_many_cells_as_can_be_read_are(opened: tuple[Path, Book], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(link_excel, "MAX_CELLS", 4)
    workbook = attach(opened[0])
    assert isinstance(workbook, ExcelWorkbook)
    assert workbook.read_table("Settings").rows == [["Setting", "Value"], ["Currency", "EUR"]]
    assert workbook.read_table("Loss norms").too_far == (2, 3)


def test_an_excel_that_is_busy_is_asked_again_until_it_takes_its_modes(
    opened: tuple[Path, Book], monkeypatch: pytest.MonkeyPatch
) -> None:
    path, book = opened
    workbook = ExcelWorkbook(path)
    workbook._pause()
    waited = []

    def sleep(seconds: float) -> None:
        waited.append(seconds)
        if len(waited) == 2:
            book.app.busy = 0

    monkeypatch.setattr(link_excel, "time", SimpleNamespace(sleep=sleep, monotonic=lambda: 0.1 * len(waited)))
    book.app.busy = float("inf")
    workbook.close()
    assert (waited, modes(book)) == ([0.1, 0.1], (True, "automatic"))
    waited.clear()
    workbook._pause()
    book.app.busy = float("inf")
    monkeypatch.setattr(link_excel, "PATIENCE_SECONDS", 0.35)
    monkeypatch.setattr(link_excel.time, "sleep", waited.append)
    workbook.close()
    assert (waited, book.app.busy) == ([0.1] * 4, float("inf"))
    assert workbook.is_open()
    assert len(waited) == 4, "not waited for again"
    assert ExcelWorkbook(path).remarks == []
    book.app.busy = 0
    assert workbook.is_open()
    assert modes(book) == (True, "automatic")


def test_too_large_a_sheet_is_named_by_its_last_cell(opened: tuple[Path, Book]) -> None:
    path, book = opened
    book.sheets("Stocktakes").values[1_048_576, 16_384] = "stray"
    tables, _, _ = read_open(attach(path))
    stocktakes = next(table for table in tables if table.sheet == "Stocktakes")
    assert [finding.place for finding in stocktakes.findings] == ["Stocktakes!XFD1048576"]


def modes(book: Book) -> tuple[bool, str]:
    book.app.busy = 0
    return book.app.screen_updating, book.app.calculation


def test_a_refused_call_is_not_made_for_ever_nor_given_up_at_once(opened: tuple[Path, Book]) -> None:
    path, book = opened
    workbook = attach(path)
    book.app.busy = running_excel.ATTEMPTS - 1
    write_open(workbook, pages([result(3, 4)]))
    book.app.busy = float("inf")
    with pytest.raises(WorkbookError, match="Excel refuses"):
        write_open(workbook, pages([result(5, 4)]))
    assert modes(book) == (True, "automatic")


@pytest.mark.parametrize("step", range(0, 60, 3))
def test_wherever_excel_begins_to_refuse_the_window_is_not_left_frozen(
    step: int, opened: tuple[Path, Book], monkeypatch: pytest.MonkeyPatch
) -> None:
    path, book = opened
    monkeypatch.setattr(link_excel, "PATIENCE_SECONDS", 0.0)
    workbook = attach(path)
    calls, call = 0, type(book.app).call

    def counted(app: Any) -> None:
        nonlocal calls
        calls += 1
        if calls == step:
            app.busy = float("inf")
        call(app)

    monkeypatch.setattr(type(book.app), "call", counted)
    with contextlib.suppress(WorkbookError):
        write_open(workbook, pages([result(2, 2)]))
    book.app.busy = 0
    assert workbook.is_open(), "asked again and again while the link lasts"
    assert modes(book) == (True, "automatic")
    assert attach(path).remarks == []


def test_ctrl_c_in_the_middle_of_writing_gives_excel_back_and_says_stale(
    opened: tuple[Path, Book], monkeypatch: pytest.MonkeyPatch
) -> None:
    path, book = opened
    workbook = attach(path)
    write_open(workbook, pages([result(3, 4)]))
    book.sheets("Stock value").type((3, 1), '=IF(1=2,"STALE","")')

    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(opened_workbook, "row_edits", interrupted)
    with pytest.raises(KeyboardInterrupt):
        write_open(workbook, pages([result(3, 4)]))
    assert modes(book) == (True, "automatic")
    assert book.sheets("Stock value").formulas[3, 1] == f'="{STALE}"'


def test_ctrl_c_counts_where_other_code_drops_it(opened: tuple[Path, Book]) -> None:
    """Compiled code and clean-up hooks drop what comes up in them."""
    path, _ = opened

    def refresh(_: object) -> list[ResultSheet]:
        with contextlib.suppress(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
        return [result(2, 2)]

    said: list[str] = []
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        link(path, refresh, say=said.append, keyboard=io.StringIO("\n" * 3))
    finally:
        signal.signal(signal.SIGINT, before)
    assert said[-1] == "The link has ended; the workbook is still open, with its unsaved changes."
    assert not any("Refreshing on" in line for line in said)


def test_a_killed_link_is_made_good_by_the_next(opened: tuple[Path, Book]) -> None:
    path, book = opened
    book.app.calculation = "semiautomatic"
    killed = ExcelWorkbook(path)
    killed._pause()
    assert modes(book) == (False, "manual")
    again = ExcelWorkbook(path)
    assert modes(book) == (True, "semiautomatic")
    assert "An earlier link was ended" in again.remarks[0]
    assert ExcelWorkbook(path).remarks == []


def test_manual_calculation_of_the_users_own_stays(opened: tuple[Path, Book]) -> None:
    path, book = opened
    book.app.calculation = "manual"
    write_open(attach(path), pages([result(3, 4)]))
    assert modes(book) == (True, "manual")


def test_another_workbook_whose_address_leads_nowhere_hides_nothing(excel: Callable[..., Any], tmp_path: Path) -> None:
    path = tmp_path / "estate.xlsx"
    path.write_bytes(b"x")
    web = Book("https://cloud.example/other.xlsx", "Sheet1")
    estate = Book(str(path), "Settings")
    excel(web, estate)
    assert ExcelWorkbook(path).who().endswith("estate.xlsx")
    estate.fullname = "https://cloud.example/estate.xlsx"
    with pytest.raises(NotOpenError, match="does not say from which folder of this computer"):
        ExcelWorkbook(path)


def test_what_xlwings_does_to_other_processes_at_its_exit_is_taken_off() -> None:
    script = """
import atexit, sys
import xlwings
from tests.workbook.fake_excel import windows_module
sys.modules["xlwings._xlwindows"] = windows_module()
atexit.register(sys.modules["xlwings._xlwindows"].cleanup)
if "linked" in sys.argv:
    from costing.workbook.live.running_excel import _xlwings
    _xlwings()
"""

    def said(*arguments: str) -> str:
        command = [sys.executable, "-c", script, *arguments]
        return subprocess.run(command, capture_output=True, text=True, check=True, timeout=60).stdout

    assert "are ended" in said()
    assert "are ended" not in said("linked")


def test_a_workbook_open_in_libreoffice_is_linked_without_xlwings(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "estate.xlsx"
    path.write_bytes(b"x")
    tried: list[str] = []
    monkeypatch.setattr(linking, "ExcelWorkbook", lambda *_: tried.append("Excel"))
    monkeypatch.setattr(linking, "OfficeWorkbook", lambda *_: tried.append("LibreOffice"))
    (tmp_path / ".~lock.estate.xlsx#").write_text(",ann,cellar-pc,28.11.2026 08:00,file:///profile;")
    attach(path)
    (tmp_path / ".~lock.estate.xlsx#").unlink()
    attach(path)
    assert tried == ["LibreOffice", "Excel"]


def test_new_tables_have_no_style(opened: tuple[Path, Book]) -> None:
    path, book = opened
    write_open(attach(path), pages([result(3, 4)]))
    assert [table.table_style for table in book.sheets("Stock value").tables] == ["", ""]


def test_autosave_is_said(opened: tuple[Path, Book]) -> None:
    path, book = opened
    said: list[str] = []
    link(path, lambda _: [result(2, 2)], say=said.append)
    assert "Nothing was saved." in said[-1]
    book.api.AutoSaveOn = True
    link(path, lambda _: [result(2, 2)], say=said.append)
    assert "AutoSave does" in said[-1]
    assert "Nothing was saved" not in said[-1]


def test_a_protected_result_sheet_is_named_and_the_others_are_refreshed_all_the_same(opened: tuple[Path, Book]) -> None:
    path, book = opened
    workbook = attach(path)
    first = ResultSheet("Origins", "Texts", (), (ResultTable("texts", pd.DataFrame({"Lot": ["A"]})),))
    write_open(workbook, pages([first, result(3, 4)]))
    book.sheets("Stock value").api.ProtectContents = True
    second = ResultSheet("Origins", "Texts", (), (ResultTable("texts", pd.DataFrame({"Lot": ["B"]})),))
    before = dict(book.sheets("Stock value").values)
    assert write_open(workbook, pages([second, result(3, 5)])) == ("Stock value",)
    assert "B" in book.sheets("Origins").values.values()
    assert book.sheets("Stock value").values == before


def test_a_sheet_taken_off_its_protection_is_written_at_the_next_refresh(opened: tuple[Path, Book]) -> None:
    """One protected sheet kept all others from being refreshed."""
    path, book = opened
    refresher = Refresher(attach(path), lambda _: [result(3, 5)], "0", "book")
    refresher()
    refresher = Refresher(attach(path), lambda _: [result(2, 2)], "0", "book")
    book.sheets("Stock value").api.ProtectContents = True
    assert "'Stock value' is protected and keeps what it held" in refresher()
    book.sheets("Stock value").api.ProtectContents = False
    assert refresher().startswith("1 sheet refreshed")
    assert "as they were" in refresher()


def test_links_are_followed_in_the_open_workbook_as_in_a_file(excel: Any, tmp_path: Path) -> None:
    path = tmp_path / "cave.xlsx"
    path.write_bytes(b"")
    book = Book(str(path), "Registre de cave", "Links", "Notes")
    day = dt.datetime(2025, 2, 1)
    fill(
        book.sheets("Registre de cave"),
        [["Domaine X"], ["Date", "Cuve de départ", "Volume (hl)", "Vers"], [day, "V1", 85.0, "A25"]],
    )
    theirs = "Registre de cave"
    fill(
        book.sheets("Links"),
        [
            ["Your sheet", "First row", "Your column", "Our sheet", "Our column", "Unit", "Your word", "Fixed value"],
            [theirs, 3.0, "Date", "Movements", "Date"],
            [theirs, 3.0, "Cuve de départ", "Movements", "From lot"],
            [theirs, 3.0, "Volume (hl)", "Movements", "Out", "hl"],
            [theirs, 3.0, "Vers", "Movements", "To lot"],
            [theirs, 3.0, None, "Movements", "Operation", None, None, "racking"],
        ],
    )
    excel(book)
    tables, counts, _ = read_open(attach(path))
    by_sheet = {table.sheet: table for table in tables}
    assert list(by_sheet) == [theirs, "Links"]
    linked = by_sheet[theirs]
    assert linked.linked is not None
    assert linked.linked.fixed == {"operation": "racking"}
    assert linked.linked.factors["Out (L)"] == 100.0
    assert linked.frame["Out (L)"].tolist() == [85.0]
    assert linked.letters["To lot"] == "D"
    assert [count.title for count in counts] == [theirs, "Links"]
