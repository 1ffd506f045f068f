"""Rows put in and taken out of an open sheet, so that its tables come to stand where they shall; links as formulas."""

from __future__ import annotations

import io
import random
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import openpyxl
import pandas as pd
import pytest

from costing.workbook.pages import write
from costing.workbook.pages.answer_sheets import MOST_NAMED, _behind
from costing.workbook.pages.pages import Page, PlacedTable, RowEdit, link_columns, pages, row_edits
from costing.workbook.pages.result_sheet import ResultSheet, ResultTable
from costing.workbook.pages.write import result_workbook


def table(name: str, top: int, body: int, *, right: int = 3, totals: bool = True) -> PlacedTable:
    return PlacedTable(name, top, 0, top + body + totals, right, totals)


def after(rows: Sequence[str], edits: Sequence[RowEdit]) -> list[str]:
    """The rows of a sheet after what a spreadsheet program is asked to do."""
    left = list(rows)
    for edit in edits:
        if edit.count > 0:
            left[edit.row : edit.row] = ["new"] * edit.count
        else:
            del left[edit.row : edit.row - edit.count]
    return left


def laid(tables: Sequence[PlacedTable]) -> list[str]:
    """A title above each table, its header, its body, its totals; and what stands below all."""
    rows = [""] * (tables[-1].bottom + 2)
    for one in tables:
        rows[one.top - 1 : one.bottom + 1] = [
            *(f"{one.name} title", f"{one.name} header", *[f"{one.name} body"] * one.body, f"{one.name} totals")
        ]
    return [*rows, "below"]


@pytest.mark.parametrize("seed", range(20))
def test_tables_come_to_stand_as_wanted(seed: int) -> None:
    choose = random.Random(seed)

    def sheet() -> list[PlacedTable]:
        tops, placed = 3, []
        for name in "ABC":
            placed.append(table(name, tops + choose.randint(0, 2), choose.randint(1, 6)))
            tops = placed[-1].bottom + 3
        return placed

    present, wanted = sheet(), sheet()
    edits, is_all = row_edits(present[::-1], wanted[::-1])
    rows = after(laid(present), edits)
    for old, new in zip(present, wanted, strict=True):
        assert rows[new.top - 1 : new.top + 1] == [f"{new.name} title", f"{new.name} header"]
        assert rows[new.bottom] == f"{new.name} totals"
        assert rows[new.top + 1 : new.bottom].count(f"{new.name} body") == min(old.body, new.body)
    assert is_all == all(old.body > 1 or new.body == 1 for old, new in zip(present, wanted, strict=True))


def test_nothing_is_edited_where_nothing_moves() -> None:
    tables = [table("A", 4, 3), table("B", 10, 2)]
    assert row_edits(tables, tables) == ([], True)


@pytest.mark.parametrize(
    ("wanted", "is_all"),
    [
        ([table("A", 4, 3)], True),
        ([table("A", 4, 3, right=4)], False),
        ([replace(table("A", 4, 3), left=1)], False),
        ([table("A", 4, 3, totals=False)], False),
        ([table("B", 4, 3)], False),
        ([table("A", 4, 2), table("B", 12, 2)], False),
    ],
)
def test_tables_of_another_shape_or_name_are_set_anew(wanted: list[PlacedTable], is_all: bool) -> None:
    assert row_edits([table("A", 4, 2)], wanted)[1] == is_all


def test_links_right_below_each_other_go_together() -> None:
    rows = [[None, "a"], ['say "x"', 2.5], ["b", "c"], ["y" * 256, "d"], ["e", "f"]]
    links = {(1, 0): "Sheet!A1", (2, 0): "Sheet!A2", (3, 0): "Sheet!A3", (4, 0): "'My \"own\"'!A4", (1, 1): "Sheet!B1"}
    page = Page("P", rows, {}, links, (), (), {}, {})
    assert link_columns(page, ";") == [
        (0, 1, ['=HYPERLINK("#Sheet!A1";"say ""x""")', '=HYPERLINK("#Sheet!A2";"b")']),
        (0, 4, ['=HYPERLINK("#\'My ""own""\'!A4";"e")']),
        (1, 1, ['=HYPERLINK("#Sheet!B1";2.5)']),
    ]
    longest = ["y" * 255, "z" * 256]
    page = replace(page, rows=[[text] for text in longest], links={(0, 0): "A1", (1, 0): "A1"})
    assert [(row, len(formulas)) for _, row, formulas in link_columns(page)] == [(0, 1)]
    page = replace(page, rows=[["a"], ["a"]], links={(0, 0): "x" * 254, (1, 0): "x" * 255})
    assert [(row, len(formulas)) for _, row, formulas in link_columns(page)] == [(0, 1)]


def test_the_same_content_is_told_whenever_it_was_made() -> None:
    rows = [["Title"], ["Run 1"], [None], [1.0]]
    page = Page("P", rows, {(2, 0): "=STALE()", (3, 0): "=1"}, {}, (table("A", 2, 1),), (), {}, {})
    again = replace(page, rows=[["Other"], ["Run 2"], ["STALE"], [1.0]], formulas={(2, 0): "=OTHER()", (3, 0): "=1"})
    assert page.same_content(again)
    changed = [
        replace(page, rows=[*rows[:3], [2.0]]),
        replace(page, formulas={(3, 0): "=2"}),
        replace(page, links={(3, 0): "A1"}),
        replace(page, tables=()),
    ]
    assert not any(page.same_content(other) for other in [None, *changed])


def test_a_long_table_lies_as_a_short_one(monkeypatch: pytest.MonkeyPatch) -> None:
    places = [None, "Stocktakes!C3", None, "Stocktakes!C5", "Stocktakes!C6"]
    frame = pd.DataFrame({"Lot": list("abcde"), "Where": places, "Amount": [1.0, 2.0, 3.0, np.nan, 5.0]})
    of = ResultTable("first_one", frame, {"Amount": "money"}, ("Amount",), {"Where": "Where"}, "One")
    sheet = ResultSheet("P", "P", (), (of, replace(of, name="second_one")))
    (short,) = pages([sheet])
    monkeypatch.setattr(write, "LONG_PLAIN_TABLE", 2)
    (long,) = pages([sheet])
    assert (long.rows, long.links, long.tables) == (short.rows, short.links, short.tables)
    looks = [
        {
            (row, column): dict(run.form)
            for run in page.styled
            for row in range(run.top, run.bottom + 1)
            for column in range(run.left, run.right + 1)
        }
        for page in (short, long)
    ]
    assert looks[0] == looks[1]
    files = [result_workbook([sheet])]
    monkeypatch.undo()
    files.append(result_workbook([sheet]))
    found = [
        [
            (
                cell.coordinate,
                cell.value,
                cell.hyperlink and cell.hyperlink.location,
                cell.number_format,
                cell.font.color,
            )
            for row in openpyxl.load_workbook(io.BytesIO(content)).active
            for cell in row
        ]
        for content in files
    ]
    assert found[0] == found[1]


@pytest.mark.parametrize(("closed", "more"), [(1, ""), (MOST_NAMED, ""), (MOST_NAMED + 1, " and 1 more")])
def test_columns_behind_the_plus_are_named_and_the_rest_counted(closed: int, more: str) -> None:
    frame = pd.DataFrame([range(1 + closed)], columns=["Lot", *(f"Column {number}" for number in range(closed))])
    named = ", ".join(f"Column {number}" for number in range(min(closed, MOST_NAMED)))
    assert _behind([ResultTable("one", frame, shown=1)]) == [f"Behind the + above the columns: {named}{more}."]
    open_below = ResultTable("two", pd.DataFrame({"Column 0": [1.0]}), shown=1)
    assert ("Column 0" in "".join(_behind([ResultTable("one", frame, shown=1), open_below]))) is False
    assert _behind([ResultTable("one", frame, shown=1 + closed)]) == []
