"""What a person typed on result sheets and in the log of runs: drawn sheets, and what is found on each in words."""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

from costing.errors import WorkbookError
from costing.workbook.file.package import read_package
from costing.workbook.file.scan import TableRange
from costing.workbook.file.sheets import MARK
from costing.workbook.file.standing import Standing, _in_short, _said, _typed
from costing.workbook.pages.run_log import RUN_LOG, TABLE, read_log
from tests.workbook.adopt.test_adopt import book

_HEADERS = ("Lot", "Cuvée", "Value", "Twice", "Where", "More")
_PUT = ("mine", "Total", "Brut", 5.0, 2.5, dt.datetime(2025, 1, 2, 3), dt.datetime(2025, 1, 2), True, "x" * 50, "Notes")


def _drawn(dice: random.Random) -> tuple[Standing, Any, list[str]]:
    """A sheet as it stands, as it was just written, and the tables that the library may write."""
    width, size = dice.choice((2, 4, 6)), dice.choice((1, 3, 5))
    rows: list[list[Any]] = [["Stock value"], ["Run of today"], ["It says so."][: dice.randint(0, 1)], []]
    tables: list[TableRange] = []
    for number in range(dice.choice((1, 1, 2))):
        rows.append([f"Table {number}"])
        first, totals = len(rows) + 1, dice.choice((0, 1))
        rows.append([*_HEADERS[:width]])
        rows += [[f"L{row}", "Brut", 1.0, 2.0, "Costs!A1", None][:width] for row in range(size)]
        rows += [["Total", None, 3.0, 6.0, None, None][:width]] * totals
        tables.append(TableRange(f"t{number}", 1, first, width, len(rows), 1, totals, _HEADERS[:width]))
        rows.append([])
    if dice.random() < 0.6:
        rows += [["Notes"], ["A note."], ["Another."], []]
    texts = {cell for row in rows for cell in row if isinstance(cell, str)}
    live = {(4, tables[0].first_row + step) for step in range(1, size + 1)} if width >= 4 else set()
    new = SimpleNamespace(tables=tuple(tables), formulas=frozenset(live), texts=texts)
    standing, formulas = list(tables), set(live)
    if dice.random() < 0.3:
        old = standing[0]
        standing[0] = TableRange(old.name, 1, old.first_row, width + 1, old.last_row + dice.randint(0, 2), 1,
                                 old.totals_rows, (*old.headers, "Mine"))  # fmt: skip
    if dice.random() < 0.2:
        standing.append(TableRange("theirs", 8, 2, 9, 4, 1, 0, ("a", "b")))
    rows = [row + [None] * (9 - len(row)) for row in rows]
    if dice.random() < 0.3:  # right below a table, which the program stretched over it
        at = standing[0].last_row - standing[0].totals_rows
        rows[at - 1] = [None] * 9
        rows[at - 1][dice.randrange(width)] = dice.choice(("mine", "mine", "Brut", 5.0))
    for _ in range(dice.choice((0, 1, 3, 12))):
        row, column = dice.randint(1, len(rows)), dice.randint(1, 9)
        rows[row - 1][column - 1] = dice.choice(_PUT)
        formulas |= {(column, row)} if dice.random() < 0.3 else set()
    if dice.random() < 0.3:
        rows[dice.choice(tables).last_row - dice.randint(0, 2)][0] = "Notes"
    if dice.random() < 0.1:
        rows = rows[: len(rows) // 2]
    far = "XFD9" if dice.random() < 0.03 else ""
    return Standing(rows, tuple(standing), frozenset(formulas), far), new, ["t0", "t1"][: dice.randint(0, 2)]


def typed_on_results() -> Iterator[str]:
    """Cells that a person put on drawn result sheets."""
    for seed in range(200):
        old, new, written = _drawn(random.Random(seed))
        typed = [*_typed("Stock value", old, new, written)]
        yield f"{seed}: {[(one.place, one.what) for one in _in_short('Stock value', typed)]} {len(typed)}"
    yield str([_said(cell) for cell in (*_PUT, 1e21, -0.0, None, "a\nb")])


_LOG = ["Run", "Version", "Inputs", "Valuation date", "Figure", "Book", "Economic"]
_RUN = ["2025-01-01 10:00:00", "1.0", "ab", "2024-12-31", "Stock", 1.5, 2.0]
_AGAIN = [dt.datetime(2025, 1, 2, 3), dt.date(2025, 1, 3), True, "", "Stock", 3.0, None]
LOGS: dict[str, tuple[int, int, list[list[Any]]]] = {  # first column and rows of the table beyond its header
    "as written": (0, 2, [_LOG, _RUN, _AGAIN]),
    "typed below": (0, 1, [_LOG, _RUN, _AGAIN, ["mine"], [], ["far below"]]),
    "further right": (2, 3, [_LOG, _RUN, ["", None], _AGAIN]),
    "other columns": (0, 2, [["run", "Mine", " book ", "Mine too", "FIGURE"], ["a", 1.0, 2.0, 3.0, "b"], ["c"]]),
    "no table": (0, 0, [_LOG, _RUN]),
    "far away": (0, 1, [_LOG, _RUN]),
    "with totals": (0, 2, [_LOG, _RUN, ["Total"], ["below"]]),
    "not ours": (0, 1, [_LOG, _RUN]),
}


def logs_read() -> Iterator[str]:
    """Logs of runs as they are, with what a person typed there, and those that can't be read."""
    for title, (left, body, rows) in LOGS.items():

        def also(workbook: Any, sheets: dict[str, Any], title: str = title, left: int = left, body: int = body) -> None:
            if title != "not ours":
                workbook.define_name(f"'{RUN_LOG}'!{MARK}", f'="{RUN_LOG}"')
            if title == "far away":
                sheets[RUN_LOG].write(1_048_575, 11, "x")
            if title == "typed below":
                sheets[RUN_LOG].write_formula(1, 3, "=1/0", None, "#DIV/0!")
                sheets[RUN_LOG].write_formula(2, 6, "=1/0", None, "#DIV/0!")
            if body:
                headers = [{"header": header} for header in LOGS[title][2][0]]
                options = {"name": TABLE, "columns": headers, "total_row": title == "with totals"}
                sheets[RUN_LOG].add_table(0, left, body, left + len(headers) - 1, options)

        pages = {"Mine": [["x"]], RUN_LOG: [[*[None] * left, *row] for row in rows]}
        try:
            log = read_log(read_package(book(pages, also), "estate.xlsx"))
        except WorkbookError as refused:
            yield f"{title}: {refused}"
            continue
        yield f"{title}: {list(log.columns)} {log.to_numpy(dtype=object).tolist()}"
