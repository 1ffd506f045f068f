"""The live link with a running LibreOffice. What is written is seen by another client of the program.

LibreOffice is the outside check here: it calculates the formulas that the link sets, follows the links, and
says whether the document was changed or saved.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import io
import os
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
import pytest

from costing.accounts.check import run_check
from costing.accounts.costs import costs
from costing.accounts.stock import stock
from costing.answers.answer import Answer
from costing.answers.charts import Chart
from costing.errors import InputError, WorkbookError
from costing.inputs.load import load
from costing.inputs.raw import RawTable
from costing.inputs.schema import sheets
from costing.model import Runs
from costing.workbook.file.sheets import read_book
from costing.workbook.file.stale import STALE, count_inputs
from costing.workbook.live import link_office
from costing.workbook.live.link import FINDINGS_SHEET, Refresher, attach, link
from costing.workbook.live.link_office import OfficeWorkbook
from costing.workbook.live.opened import NotOpenError, read_open, write_open
from costing.workbook.pages.answer_sheets import result_sheets
from costing.workbook.pages.pages import STALE_ROW, Page, pages
from costing.workbook.pages.result_sheet import ResultSheet, ResultTable
from costing.workbook.read import read_workbook
from costing.workbook.update import open_source, write_results
from tests.form import chosen
from tests.workbook.blank.test_blank import assert_same
from tests.workbook.running import Office

pytestmark = pytest.mark.office


@pytest.fixture(scope="module")
def small_bytes() -> bytes:
    book, saved = openpyxl.Workbook(), io.BytesIO()
    book.active.title = "Settings"
    rows = {
        "settings": ["Currency", "EUR"],
        "stocktakes": [dt.date(2024, 12, 31), None, "V1", 1990.5],
        "loss_norms": [],
    }
    for name, row in rows.items():
        sheet = book.active if name == "settings" else book.create_sheet(sheets()[name].title)
        sheet.append([column.header for column in sheets()[name].columns])
        sheet.append(row)
    book.save(saved)
    return saved.getvalue()


@pytest.fixture
def small(office: Office, small_bytes: bytes, tmp_path: Path) -> Iterator[Path]:
    """A small workbook, open."""
    yield from opened(office, tmp_path / "small.xlsx", small_bytes)


@pytest.fixture
def example(office: Office, request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Path]:
    """The demo estate, in the short form the small one, open."""
    path: Path = request.getfixturevalue(chosen(full="demo_workbook", short="small_workbook"))
    yield from opened(office, tmp_path / "example é 1.xlsx", path.read_bytes())


@pytest.fixture
def demo(office: Office, demo_workbook: Path, tmp_path: Path) -> Iterator[Path]:
    """The demo estate, open."""
    yield from opened(office, tmp_path / "demo.xlsx", demo_workbook.read_bytes())


def opened(office: Office, path: Path, content: bytes) -> Iterator[Path]:
    path.write_bytes(content)
    office.hand.open(str(path))
    yield path
    office.hand.close()


@pytest.fixture
def linked(office: Office, small: Path) -> Iterator[OfficeWorkbook]:
    workbook = OfficeWorkbook(small, office.pipe)
    yield workbook
    workbook.close()


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def amounts(rows: int, factor: float = 1.5, first: str = "L") -> pd.DataFrame:
    return pd.DataFrame(
        {
            "Lot": [f"{first}{number}" for number in range(rows)],
            "Where": [f"Stocktakes!C{number + 2}" for number in range(rows)],
            "Amount": [factor * number for number in range(rows)],
            "On": pd.to_datetime(["2025-12-31"] * rows),
        }
    )


def result(one: int, two: int, *, notes: int = 1, name: str = "Stock value", first: str = "L") -> ResultSheet:
    formats = {"Amount": "money", "On": "date"}
    return ResultSheet(
        name,
        "What lies in the cellar",
        tuple(f"Note {number}." for number in range(notes)),
        (
            ResultTable("first_one", amounts(one, first=first), formats, ("Amount",), {"Where": "Where"}, "One"),
            ResultTable("second_one", amounts(two, 2.0, first=first), formats, ("Amount",), title="Two"),
        ),
        (Chart("column", "Amount by lot", "second_one", "Lot", ("Amount",), "lot", "EUR"),),
    )


def shown(office: Office, page: Page) -> list[list[object]]:
    """What stands on the page's sheet, over its whole used area."""
    bottom, right = office.hand.used(page.name)
    return office.hand.see(page.name, f"A1:{'ABCDEFGHIJKLMNOPQRSTUVWXYZ'[right]}{bottom + 1}")


def assert_shows(office: Office, page: Page) -> None:
    rows = shown(office, page)
    wanted = [["" if cell is None else cell for cell in row] for row in page.rows]
    assert len(rows) == len(wanted)
    for number, (found, row) in enumerate(zip(rows, wanted, strict=True)):
        if number != STALE_ROW:
            assert found == pytest.approx(row, rel=1e-12) if all(isinstance(v, float) for v in row) else found == row


def costs_of(tables: Sequence[RawTable]) -> list[ResultSheet]:
    return _sheets_of(tables, costs, stock)


def costs_alone(tables: Sequence[RawTable]) -> list[ResultSheet]:
    return _sheets_of(tables, costs)


def _sheets_of(tables: Sequence[RawTable], *asked: Callable[[Runs], Answer]) -> list[ResultSheet]:
    """The check of the run, and what is asked of it."""
    runs = Runs(load(tables))
    cautions = [*runs.estate.cautions, *runs.book.cautions]
    return result_sheets([run_check(runs, cautions), *(ask(runs) for ask in asked)])


def test_an_open_workbook_is_read_as_its_file_is(office: Office, example: Path) -> None:
    workbook = attach(example, office.pipe)
    try:
        tables, counts, _ = read_open(workbook)
    finally:
        workbook.close()
    filed = read_workbook(example)
    assert [table.sheet for table in tables] == [table.sheet for table in filed]
    assert_same(load(tables), load(filed))
    for mine, theirs in zip(counts, count_inputs(open_source(example), [one.title for one in counts]), strict=True):
        assert (mine.title, mine.filled) == (theirs.title, theirs.filled)
        assert mine.total == pytest.approx(theirs.total, rel=1e-12)
    assert not office.hand.modified()


def test_an_estate_is_refreshed_in_place_and_nothing_is_saved(office: Office, example: Path) -> None:
    before = digest(example)
    workbook = attach(example, office.pipe)
    try:
        refresher = Refresher(workbook, costs_of)
        assert "sheets refreshed" in refresher()
        names = office.hand.sheets()
        order = ["Cost per bottle", "Stock value", "Roll-forward", "Run check", "Cost build-up"]
        assert [name for name in names if name in order] == order, "the reader's order"
        for page in pages(costs_of(read_workbook(example))):
            rows = shown(office, page)
            wanted = page.rows[: len(rows)]
            assert all(cell is None for row in page.rows[len(rows) :] for cell in row)
            for found, row in zip(rows[3:], wanted[3:], strict=True):
                for mine, theirs in zip(found, row, strict=True):
                    assert mine == (pytest.approx(theirs, rel=1e-9) if isinstance(theirs, float) else theirs or "")
        assert office.hand.text("Cost per bottle", "A3")[0] == ""
        # A dearer bottle of glass: the sheets say that they are old, and are right again after a refresh.
        price = office.hand.see("Dry goods", "G2:G3")
        office.hand.type("Dry goods", "G2", price[0][0] + 1.0)
        assert office.hand.text("Cost per bottle", "A3")[0] == STALE
        old = office.hand.see("Cost build-up", "F7:F2500")
        assert "changed" in refresher()
        assert office.hand.text("Cost per bottle", "A3")[0] == ""
        assert office.hand.see("Cost build-up", "F7:F2500") != old
        assert "nothing was written" in refresher()
    finally:
        workbook.close()
    assert digest(example) == before
    assert office.hand.modified()


def test_what_only_a_program_can_show_is_read(office: Office, small: Path) -> None:
    hand = office.hand
    hand.type("Stocktakes", "A3", "=DATE(2025;1;31)")
    hand.type("Stocktakes", "D3", "=D2+1")
    hand.type("Stocktakes", "D4", "=NA()")
    hand.type("Stocktakes", "C3", '="V"&2')
    hand.type("Stocktakes", "C4", '=IF(TRUE();"";"x")')
    hand.type("Loss norms", "A2", "press")
    hand.type("Loss norms", "B2", 0.02)
    hand.percent("Loss norms", "B2")
    hand.type("Loss norms", "B3", 2.0)
    workbook = OfficeWorkbook(small, office.pipe)
    try:
        titles = workbook.titles()
        counts = workbook.read_table("Stocktakes")
        norms = workbook.read_table("Loss norms")
        tables, _, _ = read_open(workbook)
    finally:
        workbook.close()
    assert "Stocktakes" in titles
    assert [row[3] for row in counts.rows[1:4]] == [1990.5, 1991.5, None]
    assert counts.errors == ((4, 4, "#N/A"),)
    assert counts.rows[2][2] == "V2"
    assert counts.rows[2][0].isoformat() == "2025-01-31T00:00:00"
    assert (2, 2) in norms.percent_cells
    assert (2, 3) not in norms.percent_cells
    table = next(table for table in tables if table.sheet == "Stocktakes")
    assert [finding.place for finding in table.findings] == ["Stocktakes!D4"]
    # COUNTA and SUM as the program has them, over the same cells.
    hand.type("Settings", "H1", "=COUNTA($'Loss norms'.A:AZ)")
    hand.type("Settings", "H2", "=SUM($'Loss norms'.A:AZ)")
    assert hand.see("Settings", "H1:H2") == [[norms.filled], [norms.total]]
    hand.type("Settings", "H1", "=COUNTA($Stocktakes.A:AZ)")
    assert hand.see("Settings", "H1:H1") == [[counts.filled]]


def test_a_sheet_that_is_not_there_is_made_with_its_mark_tables_and_look(
    office: Office, linked: OfficeWorkbook
) -> None:
    (page,) = pages([result(3, 4)])
    write_open(linked, [page])
    assert office.hand.sheets()[-1] == "Stock value"
    assert linked.titles()[-1] == "Stock value"
    assert linked.is_marked("Stock value")
    assert linked.tables("Stock value") == list(page.tables)
    assert_shows(office, page)
    first, second = page.tables
    total = office.hand.text("Stock value", f"C{first.bottom + 1}")
    assert total[:2] == ["4.50", f"=SUBTOTAL(109;C{first.top + 2}:C{first.bottom})"]
    assert office.hand.text("Stock value", f"D{first.top + 2}")[2].upper() == "YYYY-MM-DD"
    where = office.hand.text("Stock value", f"B{first.top + 3}")
    assert where[:2] == ["Stocktakes!C3", '=HYPERLINK("#\'Stocktakes\'!C3";"Stocktakes!C3")']
    assert office.hand.follow("'Stocktakes'!C3") == "Stocktakes!2,2"
    # A line amount changed by hand moves the total: it is a live formula.
    office.hand.type("Stock value", f"C{second.top + 2}", 100.0)
    assert office.hand.see("Stock value", f"C{second.bottom + 1}") == [[112.0]]


def test_texts_stay_texts(office: Office, linked: OfficeWorkbook) -> None:
    lots = ["=1+1", "2024", "'x", "1-2", "TRUE", "#N/A", "+3", "a;b\nc", '"', "é"]
    frame = pd.DataFrame({"Lot": lots, "Where": [f"Stocktakes!A{n + 2}" for n in range(len(lots))]})
    table = ResultTable("texts", frame, links={"Lot": "Where"})
    plain = ResultTable("plain_texts", frame[["Lot"]])
    (page,) = pages([ResultSheet("Origins", "Texts", (), (table, plain))])
    write_open(linked, [page])
    for placed in page.tables:
        seen = office.hand.see("Origins", f"A{placed.top + 2}:A{placed.bottom + 1}")
        assert [row[0] for row in seen] == lots


@pytest.mark.parametrize("made_by", ["the link", "a run on the file"])
def test_tables_grow_and_shrink_with_all_that_hangs_on_them(
    made_by: str, office: Office, small_bytes: bytes, tmp_path: Path
) -> None:
    path = tmp_path / "grow.xlsx"
    path.write_bytes(small_bytes)
    if made_by == "a run on the file":
        write_results(open_source(path), path, [result(3, 4)], "")
    office.hand.open(str(path))
    workbook = OfficeWorkbook(path, office.pipe)
    try:
        write_open(workbook, pages([result(3, 4)]))
        office.hand.type("Settings", "H1", "=SUM(second_one[Amount])")
        office.hand.type("Settings", "H2", '=VLOOKUP("L2";first_one[];3;0)')
        office.hand.type("Settings", "H3", "=COUNT($'Stock value'.C8:C10)")
        charts = office.hand.charts("Stock value")
        assert len(charts) == (1 if made_by == "a run on the file" else 0)
        for one, two, notes in [
            (3, 4, 1),
            (6, 9, 1),
            (2, 9, 3),
            (3, 2, 0),
            (40, 3, 1),
            (1, 2, 1),
            (3, 4, 1),
            (1, 1, 1),
            (3, 3, 1),
        ][: 7 if charts else None]:
            (page,) = pages([result(one, two, notes=notes)])
            write_open(workbook, [page])
            assert_shows(office, page)
            workbook.titles()
            assert workbook.tables("Stock value") == list(page.tables)
            assert office.hand.see("Settings", "H1:H1") == [[two * (two - 1)]]
            if one > 2:
                assert office.hand.see("Settings", "H2:H2") == [[3.0]]
            second = page.tables[1]
            assert office.hand.text("Stock value", f"C{second.bottom + 1}")[0] == f"{two * (two - 1):,.2f}"
            assert office.hand.text("Stock value", f"C{second.bottom}")[2] == "#,##0.00"
            if charts:
                drawn = office.hand.charts("Stock value")
                assert any(f"C${second.top + 2}:$C${second.bottom}" in area for area in drawn), (drawn, second)
    finally:
        workbook.close()
        office.hand.close()


def test_a_refresh_is_undone_in_one_step(office: Office, linked: OfficeWorkbook) -> None:
    write_open(linked, pages([result(3, 4)]))
    before = office.hand.see("Stock value", "A1:D60")
    write_open(linked, pages([result(7, 2, first="M")]))
    assert office.hand.see("Stock value", "A1:D60") != before
    assert office.hand.undo()[0] == "Refresh of costs"
    assert office.hand.see("Stock value", "A1:D60") == before


def test_a_sheet_of_the_users_own_is_never_written(office: Office, linked: OfficeWorkbook, small: Path) -> None:
    office.hand.add_sheet("Stock value")
    office.hand.type("Stock value", "A1", "mine")
    with pytest.raises(WorkbookError, match="wasn't written by this library"):
        write_open(linked, [*pages([result(2, 2, name="Bridge")]), *pages([result(2, 2)])])
    assert office.hand.see("Stock value", "A1:A1") == [["mine"]]
    assert "Bridge" not in office.hand.sheets()


def test_a_renamed_or_copied_result_sheet_is_the_users(office: Office, linked: OfficeWorkbook) -> None:
    write_open(linked, pages([result(2, 2)]))
    office.hand.rename("Stock value", "Stock value of June")
    assert linked.titles()[-1] == "Stock value of June"
    assert not linked.is_marked("Stock value of June")


def test_a_protected_sheet_is_left_as_it_is(office: Office, linked: OfficeWorkbook) -> None:
    write_open(linked, pages([result(2, 2)]))
    office.hand.protect("Stock value")
    assert write_open(linked, pages([result(3, 3)])) == ("Stock value",)
    assert_shows(office, pages([result(2, 2)])[0])
    office.hand.unprotect("Stock value")
    write_open(linked, pages([result(3, 3)]))
    assert_shows(office, pages([result(3, 3)])[0])


def test_errors_are_listed_with_links_and_the_results_stay(office: Office, example: Path) -> None:
    name, amount = chosen(full=("D5", "E9"), short=("C5", "D3"))  # From lot and Bottles, where the example has them
    workbook = attach(example, office.pipe)
    try:
        refresher = Refresher(workbook, costs_alone)
        refresher()
        old = office.hand.see("Cost build-up", "A1:F60")
        lot = office.hand.see("Movements", f"{name}:{name}")
        bottles = office.hand.see("Dispatches", f"{amount}:{amount}")
        office.hand.type("Movements", name, "NO-SUCH-LOT")
        office.hand.type("Dispatches", amount, "'twelve")
        said = refresher()
        assert "2 errors" in said
        found = office.hand.see(FINDINGS_SHEET, "A1:D30")
        places = [row[0] for row in found]
        assert {f"Movements!{name}", f"Dispatches!{amount}"} <= set(places)
        row = places.index(f"Movements!{name}") + 1
        assert office.hand.text(FINDINGS_SHEET, f"A{row}")[1].startswith(f"=HYPERLINK(\"#'Movements'!{name}\"")
        assert found[row - 1][1] == "NO-SUCH-LOT"
        assert office.hand.see("Cost build-up", "A4:F60") == old[3:]
        assert office.hand.text("Cost build-up", "A3")[0] == STALE
        # Mended, the run check is what it was.
        office.hand.type("Movements", name, lot[0][0])
        office.hand.type("Dispatches", amount, bottles[0][0])
        assert "refreshed" in refresher()
        assert office.hand.text("Cost build-up", "A3")[0] == ""
        assert "Does the run add up" in office.hand.see(FINDINGS_SHEET, "A1:A1")[0][0]
    finally:
        workbook.close()


def wait_for(what: str, happened: Any, seconds: float = 20.0) -> None:
    until = time.monotonic() + seconds
    while not happened():
        assert time.monotonic() < until, what
        time.sleep(0.02)


def test_watching_refreshes_on_each_save_and_ends_with_the_workbook(
    office: Office, small_bytes: bytes, tmp_path: Path
) -> None:
    path = tmp_path / "watched.xlsx"
    path.write_bytes(small_bytes)
    office.hand.open(str(path))
    said: list[str] = []
    calls: list[float] = []

    def refresh(tables: Sequence[RawTable]) -> list[ResultSheet]:
        stocktakes = next(table for table in tables if table.sheet == "Stocktakes").frame
        calls.append(float(stocktakes["Measured (L)" if "Measured (L)" in stocktakes else "Measured"].iloc[0]))
        return [result(int(calls[-1]) % 5 + 2, 2)]

    watching = threading.Thread(
        target=link,
        args=(path, refresh),
        kwargs={"watch": True, "say": said.append, "pipe": office.pipe},
        daemon=True,
    )
    watching.start()
    wait_for("the first refresh", lambda: len(said) >= 3)
    assert "Linked to LibreOffice" in said[0]
    assert "each save" in said[2]
    office.hand.type("Stocktakes", "D2", 2001.0)
    time.sleep(1.0)
    assert calls == [1990.5], "typing alone is no reason"
    office.hand.save()
    wait_for("the refresh after the save", lambda: len(said) >= 4)
    assert calls == [1990.5, 2001.0]
    assert office.hand.modified()
    office.hand.save()
    wait_for("the answer to the second save", lambda: len(said) >= 5)
    assert "nothing was written" in said[4]
    assert not office.hand.modified()
    office.hand.close()
    watching.join(15)
    assert not watching.is_alive()
    assert "closed" in said[-1]
    # The file that the user saved holds the results as the library's own, and a run goes on with them.
    book = read_book(open_source(path))
    assert [sheet.name for sheet in book.owned()] == ["Stock value"]
    write_results(open_source(path), path, [result(5, 2)], "")
    assert [sheet.name for sheet in read_book(open_source(path)).owned()] == ["Stock value"]


def test_enter_refreshes_and_q_ends(office: Office, small: Path) -> None:
    reading, writing = os.pipe()
    said: list[str] = []
    refused = iter([False, True, False])

    def refresh(_: Sequence[RawTable]) -> list[ResultSheet]:
        if next(refused):
            raise WorkbookError("Not now.")
        return [result(2, 2)]

    with os.fdopen(reading) as keyboard, os.fdopen(writing, "w", buffering=1) as typed:
        linking = threading.Thread(
            target=link,
            args=(small, refresh),
            kwargs={"say": said.append, "keyboard": keyboard, "pipe": office.pipe},
            daemon=True,
        )
        linking.start()
        wait_for("the first refresh", lambda: len(said) == 3)
        for step in range(2):
            office.hand.type("Stocktakes", "D2", float(step))
            typed.write("\n")
            wait_for("the next refresh", lambda step=step: len(said) == 4 + step)
        typed.write("q\n")
        linking.join(10)
        assert not linking.is_alive()
    assert "Enter" in said[2]
    assert said[3] == "Not now."
    assert "refreshed" in said[4]


def test_without_a_terminal_one_refresh_is_all(office: Office, small: Path) -> None:
    said: list[str] = []
    link(small, lambda _: [result(2, 2)], say=said.append, pipe=office.pipe)
    assert len(said) == 2


def test_nothing_open_says_what_to_do_in_one_line(office: Office, small: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.xlsx"
    other.write_bytes(small.read_bytes())
    with pytest.raises(NotOpenError) as fault:
        attach(other, office.pipe)
    assert "has another workbook open" in str(fault.value)
    with pytest.raises(NotOpenError) as fault:
        attach(small, "nobodylistenshere")
    said = str(fault.value)
    assert "no LibreOffice listens" in said
    assert "--accept=pipe,name=nobodylistenshere;urp;" in said
    assert "LibreOffice: " in said, "its lock file is there"
    assert said.isprintable()
    with pytest.raises(WorkbookError, match="does not exist"):
        attach(tmp_path / "none.xlsx", office.pipe)


def test_the_command_makes_a_running_program_listen_too(office: Office, small: Path) -> None:
    pipe = f"{office.pipe}again"
    with pytest.raises(NotOpenError):
        attach(small, pipe)
    command = [*office.options, f"--accept=pipe,name={pipe};urp;"]
    subprocess.run(command, capture_output=True, timeout=60, check=True)
    workbook = attach(small, pipe)
    assert workbook.is_open()
    workbook.close()


def test_a_program_that_does_not_answer_is_not_waited_for(office: Office, small: Path, monkeypatch) -> None:
    monkeypatch.setattr(link_office, "CLOSING_SECONDS", 0.2)
    workbook = OfficeWorkbook(small, office.pipe, timeout=1.0)
    os.killpg(office.process.pid, signal.SIGSTOP)
    try:
        started = time.monotonic()
        with pytest.raises(WorkbookError, match="has not answered for 1 seconds"):
            workbook.titles()
        assert time.monotonic() - started < 30
        with pytest.raises(WorkbookError, match="is closed"):
            workbook.is_open()
    finally:
        os.killpg(office.process.pid, signal.SIGCONT)
        workbook.close()


def test_a_broken_result_changes_nothing(office: Office, small: Path) -> None:
    """An error of the inputs in a first refresh makes the findings sheet alone."""

    def refresh(tables: Sequence[RawTable]) -> list[ResultSheet]:
        load(tables)
        return [result(2, 2)]

    office.hand.type("Stocktakes", "D2", "'many")
    said: list[str] = []
    before = office.hand.sheets()
    link(small, refresh, say=said.append, pipe=office.pipe)
    assert "error" in said[1]
    assert "Stocktakes!D2" in said[1]
    assert office.hand.sheets() == [*before, FINDINGS_SHEET]
    with pytest.raises(InputError):
        load(read_workbook(_saved_by(office, small)))


def _saved_by(office: Office, path: Path) -> Path:
    office.hand.save()
    return path


def test_many_cells_are_read_and_written(office: Office, linked: OfficeWorkbook) -> None:
    size = chosen(full=10_000, short=1_000)
    rng = np.random.default_rng(3)
    frame = pd.DataFrame(rng.normal(0, 1e4, (size, 10)), columns=[f"c{n}" for n in range(10)])
    sheet = ResultSheet("Origins", "Many", (), (ResultTable("many", frame, total_columns=("c0",)),))
    write_open(linked, pages([sheet]))
    read = linked.read_table("Origins")
    assert np.array_equal(np.array(read.rows[5 : size + 5]), frame.to_numpy())
    assert read.rows[size + 5][0] == pytest.approx(frame["c0"].sum(), rel=1e-9)
