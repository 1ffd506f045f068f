"""The append-only sheets of closed years, and what later edits did to them."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from costing.inputs.schema import sheets
from costing.workbook.result_sheet import ResultSheet, ResultTable

OWNED_YEAR_END = tuple(sheet.title for sheet in sheets().values() if sheet.owner == "library")
_FORMATS = {"date": "date", "number": "number", "integer": "integer"}


def year_end_sheets(tables: Mapping[str, pd.DataFrame]) -> list[ResultSheet]:
    """Sheets of the year-end tables, by library name; they are read back under the same headers."""
    found = []
    for name, table in tables.items():
        sheet = sheets()[name]
        frame = pd.DataFrame({column.title: table[column.name] for column in sheet.columns})
        formats = {column.title: _FORMATS[column.type] for column in sheet.columns if column.type in _FORMATS}
        for header, kind in formats.items():
            frame[header] = pd.to_datetime(frame[header]) if kind == "date" else pd.to_numeric(frame[header])
        found.append(
            ResultSheet(
                sheet.title,
                sheet.title,
                (f"{sheet.meaning}. Closings are added, never changed; figures are stored unrounded.",),
                (ResultTable(name, frame, formats),),
            )
        )
    return found


def prior_year_sheet(values: pd.DataFrame, rows: pd.DataFrame) -> ResultSheet:
    """Sheet of prior-year differences: lots whose closed value would be another today, closing by closing and basis by
    basis, and the rows that changed.
    """
    names = {"lot": "Lot", "frozen": "As closed", "present": "By the rows of today", "difference": "Difference"}
    money = ("As closed", "By the rows of today", "Difference")
    tables = []
    for (closed, basis), found in values.groupby(["closing_date", "basis"], sort=True):
        day = f"{pd.to_datetime(str(closed)):%Y-%m-%d}"
        shown = found[list(names)].rename(columns=names)
        shown[list(money)] = shown[list(money)].astype(float).round(2)
        shown["Difference"] = (shown["By the rows of today"] - shown["As closed"]).round(2)  # as a reader subtracts
        tables.append(
            ResultTable(
                f"prior_year_{basis}_{day.replace('-', '_')}",
                shown,
                dict.fromkeys(money, "money"),
                ("Difference",),
                title=f"Closed {day}, {basis} basis: lots that would be worth something else",
            )
        )
    changed = rows.rename(columns={"closing_date": "Closing date", "sheet": "Sheet", "row": "Row", "what": "What"})
    changed["Row"], changed["Closing date"] = pd.to_numeric(changed["Row"]), pd.to_datetime(changed["Closing date"])
    tables.append(
        ResultTable(
            "prior_year_rows",
            changed,
            {"Closing date": "date", "Row": "integer"},
            title=f"Rows that changed since the closing: {len(changed)}",
        )
    )
    return ResultSheet(
        "Prior-year difference",
        "What later edits did to closed years",
        (
            "Closed figures stay as they were; the difference belongs to the year in which the edit was made.",
            *(() if len(values) else ("No closed value would be another today.",)),
        ),
        tuple(tables),
    )
