"""What passes between the link and an open workbook: what is written there, what is read and what is said, in words."""

from __future__ import annotations

import datetime as dt
import hashlib
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import xlwings

from costing.workbook.file.stale import STALE
from costing.workbook.live import link_excel
from costing.workbook.live.link import findings_sheet
from costing.workbook.live.link_excel import ExcelWorkbook
from costing.workbook.live.opened import OpenWorkbook, read_open, write_open
from costing.workbook.pages.pages import Page, pages
from costing.workbook.pages.result_sheet import ResultSheet, ResultTable, RunStamp
from tests.inputs.planted import findings_of
from tests.workbook.books import in_words
from tests.workbook.drawn_sheets import drawn_sheets
from tests.workbook.fake_excel import Book, Engine, Sheet, add_table, fill, windows_module
from tests.workbook.live.far_end import FarEnd, answer


@contextmanager
def running() -> Iterator[Callable[..., Engine]]:
    """What makes an Excel active that has the books open which it is given; nobody waits long for it."""
    before = xlwings.engines.active
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(sys.modules, "xlwings._xlwindows", windows_module())
        patch.setattr(link_excel, "PATIENCE_SECONDS", 0.5)

        def activate(*books: Book) -> Engine:
            engine = Engine(*books)
            xlwings.engines.add(xlwings.Engine(impl=engine))
            xlwings.engines[engine.name].activate()
            return engine

        yield activate
    xlwings.engines.active = before


def result(one: int, two: int, *, columns: int = 3, notes: int = 1) -> ResultSheet:
    """A sheet of two tables of so many rows."""

    def frame(rows: int) -> pd.DataFrame:
        return pd.DataFrame(
            {
                "Lot": [f"L{n}" for n in range(rows)],
                "Where": [f"Stocktakes!C{n + 2}" for n in range(rows)],
                "Amount": [1.5 * n for n in range(rows)],
                "More": [2.0 * n for n in range(rows)],
            }
        ).iloc[:, :columns]

    return ResultSheet(
        "Stock value",
        "What lies in the cellar",
        tuple(f"Note {n}" for n in range(notes)),
        (
            ResultTable("first_one", frame(one), {"Amount": "money"}, ("Amount",), {"Where": "Where"}, "One"),
            ResultTable("second_one", frame(two), {"Amount": "money"}, ("Amount",), title="Two"),
        ),
    )


STAMP = RunStamp(dt.datetime(2025, 7, 1, 9, 5), "1.0", "book", "0f")
STALE_WHEN = ('=IF(1=1,"","STALE")', "")
TURNS: tuple[tuple[ResultSheet, ...], ...] = (
    (result(3, 4),),
    (result(3, 4),),
    (result(5, 1),),
    (result(1, 7, notes=3),),
    (result(2, 2, columns=4), ResultSheet("Nothing", "Nothing to say")),
    (result(2, 0, notes=0),),
)


@contextmanager
def in_excel(*sheets: str, counts_from_1904: bool = False) -> Iterator[tuple[ExcelWorkbook, Book]]:
    """A workbook of these sheets, open in an Excel that calculates by hand."""
    with tempfile.TemporaryDirectory() as folder, running() as activate:
        path = Path(folder) / "estate.xlsx"
        path.write_bytes(b"")
        book = Book(str(path), *sheets)
        book.api.Date1904 = counts_from_1904
        activate(book).app.calculation = "semiautomatic"
        yield ExcelWorkbook(path), book


def _digest(held: object) -> str:
    return hashlib.sha256(str(held).encode()).hexdigest()[:10]


def _shown(sheet: Sheet, *, whole: bool) -> Iterator[str]:
    """All that a sheet holds, or digests of it."""
    fonts = {place: sorted(vars(font).items()) for place, font in sheet.fonts.items()}
    parts: dict[str, Any] = {
        "values": sorted(sheet.values.items()),
        "formulas": sorted(sheet.formulas.items()),
        "formats": sorted(sheet.formats.items()),
        "fonts": sorted(fonts.items()),
        "fills": sorted(sheet.fills.items(), key=lambda item: item[0]),
        "wrapped": sorted(sheet.wrapped.items()),
        "sizes": sorted(sheet.sizes.items()),
        "tables": [(table.name, table.row, table.column, table.height, table.width, table.totals, table.table_style)
                   for table in sheet.tables],
        "names": [(name.name, name.refers_to, vars(name.api)) for name in sheet.names],
    }  # fmt: skip
    for name, held in parts.items():
        if whole and name in ("values", "formulas", "tables", "sizes", "names"):
            yield f"{name}: {held}"
        else:
            yield f"{name}: {len(held)} {_digest(held)}"


def written_in_excel() -> Iterator[str]:
    """Pages of a few rows, one after the other, and drawn ones."""
    with in_excel("Settings", "Old") as (workbook, book):
        book.sheets("Settings").activate()
        for number, sheets in enumerate(TURNS):
            drawn = pages(sheets, STAMP, STALE_WHEN)
            for sheet in book.sheets.items[2:]:
                for place in ((1, 20), (60, 1), (60, 20)):  # left by a wider and longer page
                    sheet.type(place, "old")
            kept = write_open(workbook, drawn, is_outgrown=lambda page: page.name == "Nothing")
            yield f"{number}: {kept} {book.sheets.active.name} {[sheet.name for sheet in book.sheets]}"
            for page in drawn:
                sheet = book.sheets(page.name)
                yield from (f"{number} {page.name} {line}" for line in _shown(sheet, whole=True))
        book.sheets("Nothing").api.ProtectContents = True
        kept = write_open(workbook, pages([findings_sheet(_wrong())]), others_stale=f'="{STALE}"')
        yield f"with findings: {kept} {[book.sheets(name).formulas.get((3, 1)) for name in ('Stock value', 'Nothing')]}"
        yield from (f"with findings {line}" for line in _shown(book.sheets("Run check"), whole=True))
        yield f"{book.app.screen_updating} {book.app.calculation}"
    with in_excel("Settings", counts_from_1904=True) as (workbook, book):
        drawn = pages(drawn_sheets(1), STAMP, STALE_WHEN, date_1904=workbook.date_1904)
        write_open(workbook, drawn)
        for page in drawn:
            yield from (f"drawn {page.name} {line}" for line in _shown(book.sheets(page.name), whole=False))


def _wrong() -> list[Any]:
    return findings_of({"Movements!D2": "X", "Costs!C2": "", "Stocktakes!B2": "=1"})


def written_in_libreoffice() -> Iterator[str]:
    """What the far end is asked to write: pages as they grow and shrink, and drawn ones."""
    before: Sequence[Page] = ()
    for number, sheets in enumerate(TURNS):
        drawn = pages(sheets, STAMP, STALE_WHEN)
        for request in _asked(drawn, before, lambda page: page.name == "Nothing"):
            yield f"{number}: {request}"
        before = [*{page.name: page for page in (*before, *drawn)}.values()]
    drawn = pages(drawn_sheets(0), STAMP, STALE_WHEN)
    for name, described, *further in (one for one in _asked(drawn, (), lambda _: True) if one[0] == "write"):
        for part, given in described.items():
            held = sorted(given) if part in ("widths", "heights") else given
            yield f"drawn {name} {described['name']} {further} {part}: {len(held)} {_digest(held)}"


def _asked(drawn: Sequence[Page], before: Sequence[Page], is_outgrown: Callable[[Page], bool]) -> list[list[Any]]:
    tables = [[t.name, page.name, t.top, t.left, t.bottom, t.right, t.totals] for page in before for t in page.tables]
    survey = {"titles": ["Settings", *(page.name for page in before)], "tables": tables}
    names = {page.name for page in before}
    present = [page for page in drawn if page.name in names]
    others = [page for page in before if page.name not in {one.name for one in drawn}]
    marks = [answer(given) for page in present for given in (True, False)]
    stale = [answer(given) for given in (False, *[True] * len(others), *[False] * len(others))]
    with pytest.MonkeyPatch.context() as patch:
        far = FarEnd(patch, answer(survey), *marks, *stale, answer(None), *[answer(None)] * (len(drawn) + 3))
        write_open(far.workbook, drawn, is_outgrown=is_outgrown, others_stale="=2")
        return far.closed()[1:]


_DAY = dt.datetime(2024, 12, 31)
OPEN_SHEETS: dict[str, list[list[Any]]] = {
    "Settings": [["Setting", "Value"], ["Currency", "EUR"], ["Valuation date", _DAY], [None, " "], [None, "#N/A"]],
    "Stocktakes": [
        ["Date", "Lot", "Measured", "Cause", "Seen"],
        [_DAY, "'2024", 1990.5, None, True],
        [dt.datetime(2025, 1, 31, 6), "V2", "#N/A", "#evaporation", None],
        ["Total", None, 1990.5, None],
    ],
    "Loss norms": [["Operation or stage", "Norm (%)", "Share"], ["pressing", 0.02, 0.5], ["racking", 2.0, 0.5]],
    "Movment": [["Date"], [_DAY]],
    "Notes": [["x", 1.0]],
    "Costs": [],
    "Stock value": [["Mine"]],
}


def _open_in_excel(book: Book) -> None:
    for title, rows in OPEN_SHEETS.items():
        fill(book.sheets(title), rows)
    add_table(book.sheets("Stocktakes"), "stocktakes", (1, 1), (3, 5)).show_totals = True
    add_table(book.sheets("Settings"), "bare", (1, 1), (2, 2)).show_headers = False
    norms = book.sheets("Loss norms")
    norms.formats |= {(2, 2): "0.00%", (2, 3): "0%", (3, 3): "0%", (9, 9): "@"}
    norms.type((6, 1), "=1+1")
    norms.type((2, 52), 7)
    norms.type((2, 53), 8)


def read_in_excel() -> Iterator[str]:
    """Sheets as the program shows them, and the inputs that they make."""
    for counts_from_1904 in (False, True):
        with in_excel(*OPEN_SHEETS, counts_from_1904=counts_from_1904) as (workbook, book):
            _open_in_excel(book)
            for title in workbook.titles():
                sheet = workbook.read_table(title)
                rows = [
                    row[: max((at for at, cell in enumerate(row, 1) if cell is not None), default=0)]
                    for row in sheet.rows
                ]
                yield f"{title}: {rows} {sheet.errors} {sorted(sheet.percent_cells)}"
                yield f"{title}: {sheet.filled} {sheet.total} {sheet.too_far} {sheet.day_zero} {workbook.tables(title)}"
            book.sheets("Notes").values[1_048_576, 10] = "stray"
            book.sheets("Costs").values[1_000_001, 10] = "stray"
            yield from _inputs(workbook)


def read_in_libreoffice() -> Iterator[str]:
    """The same from what a far end answers."""
    cells = {
        "rows": [["Date", "Lot", "Out (L)", ""], [45000.0, "A", 5.5, ""], ["", "#REF!", "", ""], [""] * 4, [""] * 4],
        "left": 1,
        "top": 2,
        "day_zero": [1899, 12, 30],
        "dates": [[1, 3, 2, 3]],
        "percents": [[3, 3, 4, 5]],
        "errors": [[2, 4, "#REF!"]],
        "filled": 8,
    }
    survey = {"titles": ["Movements", "Costs", "Notes"], "tables": [["m", "Movements", 2, 1, 4, 3, True]]}
    for top, errors in ((2, cells["errors"]), (0, []), (0, [[0, 4, "#N/A"]])):
        with pytest.MonkeyPatch.context() as patch:
            given = {**cells, "top": top, "errors": errors, "dates": [[1, top + 1, 2, top + 1]]}
            far = FarEnd(patch, answer(survey), answer(given), answer({"width": 16_384, "height": 9}))
            yield from _inputs(far.workbook)
            yield f"{far.closed()[1:]}"


def _inputs(workbook: OpenWorkbook) -> Iterator[str]:
    tables, counts, digest = read_open(workbook)
    yield from map(in_words, tables)
    yield f"{counts} {digest}"
