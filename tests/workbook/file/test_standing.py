"""What a person put on result sheets is listed, cell by cell, and what the library writes there is not."""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Callable
from functools import cache
from typing import Any

import openpyxl
import pandas as pd
import pytest

from costing.workbook.file.graft import graft
from costing.workbook.file.package import Package, read_package
from costing.workbook.file.sheets import read_book
from costing.workbook.file.standing import standing, typed_by_hand
from costing.workbook.pages.result_sheet import ResultSheet, ResultTable
from costing.workbook.pages.write import result_workbook

Edit = Callable[[Any], None]
STOCK, MADE = "Stock value", "Made of"


@cache
def _written() -> bytes:
    """Two result sheets in a workbook: one with totals, notes and formulas, one with two tables."""
    lots = pd.DataFrame({"Lot": ["A", "B", "C"], "Cuvée": ["Brut", None, "Rosé"], "Value": [10.0, 20.0, 30.0]})
    twice = lots.assign(Twice=[20.0, 40.0, 60.0])
    stock = ResultTable(
        "stock_value", twice, {"Value": "money", "Twice": "money"}, ("Value",), formulas={"Twice": ["2*{|Value}"] * 3}
    )
    parts = (
        ResultTable("made_of", lots, title="By lot"),
        ResultTable("made_of_more", lots[["Lot", "Value"]], title="All"),
    )
    sheets = [
        ResultSheet(STOCK, STOCK, ("A note.", "Another note."), (stock,), says=("It says so.",)),
        ResultSheet(MADE, MADE, (), parts),
    ]
    own = io.BytesIO()
    openpyxl.Workbook().save(own)
    return graft(read_package(own.getvalue(), "a.xlsx"), result_workbook(sheets), (STOCK, MADE))


def _package(edit: Edit | None = None) -> Package:
    if edit is None:
        return read_package(_written(), "a.xlsx")
    book = openpyxl.load_workbook(io.BytesIO(_written()))
    edit(book)
    saved = io.BytesIO()
    book.save(saved)
    return read_package(saved.getvalue(), "a.xlsx")


def _listed(edit: Edit, written: tuple[str, ...] = ()) -> list[str]:
    typed = typed_by_hand(_package(edit), _package(), (STOCK, MADE), written)
    return [f"{one.place}: {one.what}" for one in typed]


def _in(title: str, **cells: Any) -> Edit:
    def edit(book: Any) -> None:
        for place, value in cells.items():
            book[title][place] = value

    return edit


def _stretched(name: str, ref: str) -> Edit:
    def edit(book: Any) -> None:
        for title in (STOCK, MADE):
            if name in book[title].tables:
                book[title].tables[name].ref = ref

    return edit


def _both(*edits: Edit) -> Edit:
    def edit(book: Any) -> None:
        for one in edits:
            one(book)

    return edit


def _tables() -> dict[str, str]:
    book = openpyxl.load_workbook(io.BytesIO(_written()))
    return {name: ref for title in (STOCK, MADE) for name, ref in book[title].tables.items()}


def test_where_the_library_wrote() -> None:
    """The places that the cases below stand beside."""
    assert _tables() == {"stock_value": "A6:D10", "made_of": "A6:C9", "made_of_more": "A12:B15"}
    assert standing(read_book(_package()), read_book(_package()).owned())[STOCK].rows[11][0] == "Notes"


@pytest.mark.parametrize(
    ("edit", "listed"),
    [
        (lambda _: None, []),
        (_in(STOCK, B4="beside what it says"), ["Stock value!B4: 'beside what it says'"]),
        (_in(STOCK, A5="right below what it says"), []),
        (
            _in(STOCK, F7="ask", F8=12.0, F9=0.5),
            ["Stock value!F7: 'ask'", "Stock value!F8: 12", "Stock value!F9: '0.5'"],
        ),
        (_in(STOCK, F7="It says so."), []),
        (_in(STOCK, F16="#N/A"), ["Stock value!F16: '#N/A'"]),
        (_in(STOCK, F16="#REF!", A17="below"), ["Stock value!F16: '#REF!'", "Stock value!A17: 'below'"]),
        (_in(STOCK, F7=dt.datetime(2026, 1, 2, 3)), ["Stock value!F7: 2026-01-02 03:00:00"]),
        (_in(STOCK, C7="=1+1"), ["Stock value!C7: formula, now ''"]),
        (_in(STOCK, D8="=1+1", C10="=2"), []),
        (_in(STOCK, A15="below the notes"), []),
        (_in(STOCK, A16="further below"), ["Stock value!A16: 'further below'"]),
        (_in(STOCK, A11="between"), ["Stock value!A11: 'between'"]),
        (_in(STOCK, C1="in the first row"), ["Stock value!C1: 'in the first row'"]),
        (
            _in(MADE, D12="beside the second", B10="between"),
            ["Made of!B10: 'between'", "Made of!D12: 'beside the second'"],
        ),
        (_in(MADE, A11="the title changed"), []),
        (_in(MADE, **{f"E{row}": row for row in range(1, 52)}), ["Made of: 51 cells outside its tables"]),
        (_in(MADE, **{f"E{row}": row for row in range(1, 51)}), [f"Made of!E{row}: {row}" for row in range(1, 51)]),
        (_in(MADE, XFD1048576=1.0), ["Made of!XFD1048576: a cell far away from the tables"]),
    ],
)
def test_what_was_typed_beside_tables(edit: Edit, listed: list[str]) -> None:
    assert _listed(edit) == listed


def test_a_table_of_ones_own_is_listed_unless_the_library_may_write_it() -> None:
    def edit(book: Any) -> None:
        _in(MADE, F5="X", G5="Y", F6=1, G6=2)(book)
        table = openpyxl.worksheet.table.Table(displayName="other", ref="F5:G6")
        book[MADE].add_table(table)

    assert _listed(edit) == ["Made of!F5: table 'other'"]
    assert _listed(edit, ("other",)) == []


def test_what_a_table_was_stretched_over_is_listed() -> None:
    row = _both(_in(MADE, B10="remember"), _stretched("made_of", "A6:C10"))
    assert _listed(row) == ["Made of!B10: 'remember'"]
    two = _both(_in(MADE, B10="remember", A11="this"), _stretched("made_of", "A6:C11"))
    assert _listed(two) == ["Made of!A11: 'this'", "Made of!B10: 'remember'"]
    known = _both(_in(MADE, A10="Brut"), _stretched("made_of", "A6:C10"))
    assert _listed(known) == []
