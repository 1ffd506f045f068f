"""Workbooks of some size read and written, an open window refreshed, and spreadsheets that do a part of the same."""

from __future__ import annotations

import gc
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import xlsxwriter

from costing.accounts.costs import costs
from costing.accounts.stock import stock
from costing.commands.records import answers_of_run
from costing.decisions.cautions import cautions_of
from costing.inputs.basis import BOOK
from costing.inputs.load import read_inputs
from costing.inputs.raw import RawTable
from costing.inputs.schema import sheets
from costing.model import Runs, loaded, run
from costing.workbook.blank.blank import blank_bytes
from costing.workbook.blank.contents import tables_from_csv
from costing.workbook.live.link import Refresher, attach
from costing.workbook.pages.answer_sheets import result_sheets
from costing.workbook.pages.result_sheet import ResultSheet
from costing.workbook.source import read_estate
from costing.workbook.update import open_source, write_results
from tests.benchmarks.ledger import ledger
from tests.benchmarks.measure import seconds, timed
from tests.benchmarks.mistakes import DEMO
from tests.workbook.running import running_office

ELEMENTS = 12
Figures = dict[str, float]


def workbook(rows: int) -> Figures:
    """A workbook of a ledger of so many movements: read, and its sheets of costs and stock written back."""
    tables = {sheets()[name].title: frame for name, frame in ledger(rows).items()}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "ledger.xlsx"
        path.write_bytes(blank_bytes(tables))
        del tables
        gc.collect()  # what writing left behind is no memory of reading
        estate, read_s = timed(lambda: read_estate(path))
        runs = Runs(estate)
        answers = [costs(runs), stock(runs)]
        written = result_sheets(answers)
        write_s = seconds(lambda: write_results(open_source(path), path, written, "0"))
    return {"rows": rows, "read (s)": read_s, "written (s)": write_s}


def window(refreshes: int) -> Figures:
    """The demo open in LibreOffice, a price typed and every result sheet refreshed; seconds of the clock."""

    def refresh(raw: Sequence[RawTable]) -> Iterator[ResultSheet]:
        runs = Runs(loaded(raw))
        return iter(result_sheets(answers_of_run(runs, cautions_of(runs)), links=True))

    took = []
    with tempfile.TemporaryDirectory() as folder, running_office(Path(folder)) as office:
        path = Path(folder) / "demo.xlsx"
        path.write_bytes(blank_bytes(tables_from_csv(DEMO)))
        office.hand.open(str(path))
        link = attach(path, office.pipe)
        try:
            refresher = Refresher(link, refresh)
            refresher()
            for step in range(refreshes):
                office.hand.type("Dry goods", "G2", 2.0 + step)
                begun = time.perf_counter()
                refresher()
                took.append(time.perf_counter() - begun)
        finally:
            link.close()
    return {"rows": refreshes, "refresh by the clock (s)": min(took)}


def _looked_up(row: int, column: str, source: int) -> str:
    return f"=$C{row}*SUMIFS({column}$1:{column}{row - 1},$B$1:$B{row - 1},$A{row})" if source else "=100"


def _direct(row: int, column: str, source: int) -> str:
    return f"=$C{row}*{column}{source + 1}" if source else "=100"


def _recalculated(size: int, formula: Callable[[int, str, int], str]) -> Figures:
    """A sheet with a row for each movement (from lot, to lot, share) and the cost of the lot filled by element,
    calculated anew in LibreOffice by the clock; beside it the library's run of as many movements.
    """
    rng = np.random.default_rng(0)
    source = np.where(np.arange(size) < size // 10, 0, (rng.random(size) * np.arange(size)).astype(np.int64) + 1)
    letters = [chr(ord("D") + element) for element in range(ELEMENTS)]
    with tempfile.TemporaryDirectory() as folder, running_office(Path(folder)) as office:
        path = Path(folder) / "sheet.xlsx"
        book = xlsxwriter.Workbook(str(path))
        sheet = book.add_worksheet("Moves")
        sheet.write_row(0, 0, ["From", "To", "Share", *letters])
        for number, of in enumerate(source.tolist(), 1):
            row: list[Any] = [f"L{of}", f"L{number}", 0.9]
            sheet.write_row(number, 0, [*row, *(formula(number + 1, letter, of) for letter in letters)])
        book.close()
        office.hand.open(str(path))
        sheet_s = min(office.hand.calculate() for _ in range(2))
    estate = read_inputs(ledger(size))
    run_s = seconds(lambda: run(estate, BOOK), 10)
    return {"rows": size, "spreadsheet by the clock (s)": sheet_s, "book (s)": run_s, "times": sheet_s / run_s}


def looked_up(size: int) -> Figures:
    """A spreadsheet that looks up the costs of each lot by its name."""
    return _recalculated(size, _looked_up)


def direct(size: int) -> Figures:
    """A spreadsheet in which somebody has pointed each formula at the row that filled its lot."""
    return _recalculated(size, _direct)
