"""Cells of a sheet as they were read: blank ones, faulty ones, a whole column of them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, time
from typing import Any

import numpy as np
from numpy.typing import NDArray

from costing.errors import Finding, also
from costing.inputs.cells import day_number
from costing.inputs.raw import column_letter
from costing.workbook.file.scan import ERROR_CELL, CellFault


def is_blank(cell: Any) -> bool:
    """Whether a cell holds nothing but spaces."""
    return cell is None or (isinstance(cell, str) and (not cell or cell.isspace()))


def typed_column(values: Sequence[Any]) -> NDArray[Any]:
    """Column as numbers or dates where all of its cells are, else as it is with None for blanks."""
    if values.count("") == len(values):
        return np.full(len(values), None)
    kinds = set(map(type, values))
    if str in kinds:
        values = [None if type(value) is str and (not value or value.isspace()) else value for value in values]
        kinds = set(map(type, values))
    filled = kinds - {type(None)}
    if filled == {float}:
        return np.array(values, dtype=np.float64)
    if kinds == {date}:
        return np.array([day_number(day) for day in values]).astype("datetime64[D]").astype("datetime64[s]")
    if filled and filled <= {date, datetime}:
        return np.array(values, dtype="datetime64[s]")
    if date in filled:
        values = [datetime.combine(value, time()) if type(value) is date else value for value in values]
    mixed = np.empty(len(values), dtype=object)
    mixed[:] = values
    return mixed


def fault_findings(title: str, faults: Sequence[CellFault]) -> list[Finding]:
    """One finding for each kind of fault in a column: first cell, count, next cells."""
    grouped: dict[tuple[int, str], list[CellFault]] = {}
    for fault in faults:
        grouped.setdefault((fault.column, fault.kind), []).append(fault)
    findings = []
    for (_, kind), group in grouped.items():
        places = [f"{column_letter(fault.column - 1)}{fault.row}" for fault in group]
        more = also(places[1:])
        if kind == ERROR_CELL:
            rule, remedy = "is an error, not a value.", "Mend the formula, or type the value."
            findings.append(Finding(f"{title}!{places[0]}", group[0].shown, rule + more, remedy))
        else:
            rule = "holds a formula that was never calculated."
            remedy = "Open the file in a spreadsheet program and save it."
            findings.append(Finding(f"{title}!{places[0]}", "", rule + more, remedy))
    return findings
