"""The append-only sheets of closed years: stock and costs to be read, composition and fingerprints hidden, since only
the library reads them.
"""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from costing.inputs.schema import sheets
from costing.workbook.pages.result_sheet import ResultSheet, ResultTable

OWNED_YEAR_END = tuple(sheet.title for sheet in sheets().values() if sheet.owner == "library")
_HIDDEN = ("yearend_composition", "yearend_inputs")
_FORMATS = {"date": "date", "number": "number", "integer": "integer"}


def year_end_sheets(tables: Mapping[str, pd.DataFrame]) -> list[ResultSheet]:
    """Sheets of the year-end tables, by library name; they are read back under the same headers."""
    result_sheets = []
    for name, table in tables.items():
        sheet = sheets()[name]
        frame = pd.DataFrame({column.title: table[column.name] for column in sheet.columns})
        formats = {column.title: _FORMATS[column.type] for column in sheet.columns if column.type in _FORMATS}
        for header, kind in formats.items():
            frame[header] = pd.to_datetime(frame[header]) if kind == "date" else pd.to_numeric(frame[header])
        result_sheets.append(
            ResultSheet(
                sheet.title,
                sheet.title,
                tables=(ResultTable(name, frame, formats),),
                group="audit",
                hidden=name in _HIDDEN,
                says=(
                    f"{sheet.meaning}. A closing is added and never changed; its figures are not rounded.",
                    *_hidden(name),
                ),
            )
        )
    return result_sheets


def _hidden(name: str) -> list[str]:
    """On the first of the sheets, which others there are."""
    titles = [sheets()[table].title for table in _HIDDEN]
    return [f"Hidden beside it, for the library alone: {' and '.join(titles)}."] if name == "yearend_stock" else []
