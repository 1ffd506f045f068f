"""A sheet of the person's own read by its links: its rows, the column of the table, what is said otherwise."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest

from costing.inputs.links import Link, LinkedSheet
from costing.inputs.raw import RawTable
from costing.inputs.schema import sheets
from costing.workbook.file.scan import ERROR_CELL, CellFault, SheetScan, TableRange
from costing.workbook.linked import linked_table

DAY = dt.date(2024, 10, 1)
HEAD = ["Datum", "Was", "Aus", "Liter"]
MOVE = [DAY, "Abstich", "A", 5.0]


def _read(
    rows: Sequence[Sequence[Any]],
    first_row: int = 2,
    tables: Sequence[TableRange] = (),
    names: Sequence[str] = ("Datum", "Was", "Aus", "Liter"),
    faults: Sequence[CellFault] = (),
    sheet: str = "movements",
    columns: Sequence[str] = ("on_date", "operation", "from_lot", "out_l"),
) -> RawTable:
    described = sheets()[sheet]
    links = [
        Link(f"Links!{place}", described.column(column), name, 100.0 if column == "out_l" else 1.0)
        for place, (column, name) in enumerate(zip(columns, names, strict=True), 2)
    ]
    if sheet == "movements":
        links.append(Link("Links!9", described.column("location"), fixed="cellar"))
    words = {("operation", "abstich"): "racking"}
    scan = SheetScan(tuple(faults), "", frozenset(), frozenset({(2, 3)}))
    return linked_table(LinkedSheet("Keller", described, first_row, tuple(links), words), rows, scan, tables)


def _said(table: RawTable) -> list[str]:
    return [str(finding) for finding in table.findings]


def test_rows_come_under_our_headers_with_our_words() -> None:
    read = _read([HEAD, MOVE, [DAY, "Umfüllen", "B"]])
    assert _said(read) == []
    assert list(read.frame.columns) == ["Date", "Operation", "From lot", "Out (L)"]
    assert read.frame["Operation"].tolist() == ["racking", "Umfüllen"]
    assert read.frame["Out (L)"].tolist()[0] == 5.0
    assert np.isnan(read.frame["Out (L)"].tolist()[1])
    assert (read.row_numbers.tolist(), read.header_row, read.letters["Out (L)"]) == ([2, 3], 1, "D")
    assert read.linked is not None
    assert (read.linked.factors["Out (L)"], read.linked.fixed) == (100.0, {"location": "cellar"})
    assert read.linked.places["on_date"] == "Links!2"


def test_blank_rows_end_the_list_but_for_whole_rows_and_totals() -> None:
    blank: list[Any] = [None, " ", "", None]
    read = _read([HEAD, blank, MOVE, blank, MOVE, [None, "Total", None, 9.0], [None, "x", None, 3.0], MOVE])
    assert read.row_numbers.tolist() == [3, 5, 8]
    (said,) = _said(read)
    assert said.startswith("Keller!B7: 'x' stands below a blank row")


@pytest.mark.parametrize(
    ("names", "rows", "first", "said"),
    [
        (("Datum", "Was", "Aus", "Mengen"), [HEAD, MOVE], 2, "Links!5: 'Mengen' is no column of 'Keller' any more."),
        (("Datum", "Was", "Aus", "Liter"), [HEAD, MOVE, MOVE, MOVE], 4, "Links!2: 'Datum' stands in row 1 of 'Keller'"),
        (("Datum", "Was", "Aus", "Liter"), [["My cellar"], HEAD, [], MOVE], 4, ""),
        (("Datum", "Was", "Aus", "Liter"), [HEAD, *[["x"]] * 3, MOVE], 5, "Links!2: 'Datum' stands in row 1"),
        (("Datum", "Was", "Aus", "Aus"), [["Datum", "Was", "Aus", "Aus"], MOVE], 2, "Links!4: 'Aus' is the header of"),
        (("A", "B", "C", "D"), [HEAD, MOVE], 2, ""),
        (("a", "B", "C", "D"), [HEAD, MOVE], 2, "Links!2: 'a' stands in row 2"),
    ],
)
def test_a_column_is_found_right_above_the_first_row(
    names: Sequence[str], rows: Sequence[Sequence[Any]], first: int, said: str
) -> None:
    read = _read(rows, first, names=names)
    found = _said(read)
    assert (found[0] if found else "").startswith(said)
    assert bool(found) == bool(said)
    assert len(read.frame) == (0 if said else 1)


def test_several_columns_in_another_row_are_one_finding() -> None:
    read = _read([[], HEAD, ["x"], ["y"], MOVE], 5)
    assert len(_said(read)) == 1
    assert "Set First row to 3, on every row of that sheet." in _said(read)[0]


def _table(first_row: int, last_row: int, totals: int = 0, left: int = 1, header: int = 1) -> TableRange:
    return TableRange("t", left, first_row, left + 3, last_row, header, totals, tuple(HEAD))


def test_the_table_with_the_most_linked_headers_is_read_whole() -> None:
    rows = [["Datum", "Was"], [DAY, "x"], [], HEAD, MOVE, [], MOVE, [None, None, None, 10.0], MOVE]
    few = TableRange("few", 1, 1, 2, 2, 1, 0, ("Datum", "Was"))
    assert _read(rows, 2, [few, _table(4, 7)]).row_numbers.tolist() == [5, 7, 8, 9]
    assert _read(rows, 2, [few, _table(4, 8, totals=1)]).row_numbers.tolist() == [5, 7]
    assert _read(rows, 2, [_table(4, 40)]).row_numbers.tolist() == [5, 7, 8, 9]
    assert _read(rows, 5, [_table(4, 7, header=0)]).row_numbers.tolist() == [5, 7, 9]
    beside = [[None, None, *row] for row in rows]
    assert _read(beside, 2, [_table(4, 7, left=3)]).letters["Date"] == "C"


def test_faults_of_linked_cells_that_are_read_are_named() -> None:
    faults = [CellFault(column, row, ERROR_CELL, "#REF!") for column, row in ((4, 2), (5, 2), (4, 1), (4, 9))]
    read = _read([HEAD, MOVE], faults=faults)
    assert _said(read) == ["Keller!D2: '#REF!' is an error, not a value. Mend the formula, or type the value."]
    assert read.faulty == {"D2"}


def test_cells_shown_as_percentages_are_marked() -> None:
    names, columns = ("Was", "Norm", "Je"), ("applies_to", "percent", "time_base")
    read = _read([["Was", "Norm", "Je"], ["racking", 1.0, "x"], ["racking", 0.01, "x"]], names=names, columns=columns,
                 sheet="loss_norms")  # fmt: skip
    assert read.percent_formatted[sheets()["loss_norms"].column("percent").title].tolist() == [False, True]
