"""Tables of the demo estate many times side by side, and with one mistake in many rows."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from costing.inputs.schema import sheets
from costing.workbook.blank.contents import tables_from_csv

DEMO = Path(__file__).parents[2] / "demo_estate"
Tables = dict[str, pd.DataFrame]


def side_by_side(copies: int) -> Tables:
    """The demo estate so many times: rows that name a lot or load once for each copy, all others once."""
    own = {sheet.title: _own_names(sheet.name) for sheet in sheets().values()}
    return {
        title: pd.concat([_copy(frame, own[title], copy) for copy in range(copies)], ignore_index=True)
        for title, frame in tables_from_csv(DEMO).items()
    }


def _own_names(sheet: str) -> list[str]:
    columns = sheets()[sheet].columns
    return [column.title for column in columns if column.refers == "lot" or column.name in ("load", "offer")]


def _copy(frame: pd.DataFrame, own: list[str], copy: int) -> pd.DataFrame:
    """The frame as it is, or as a further copy: its rows with names, and these told apart."""
    if not copy:
        return frame
    named = [header for header in own if header in frame]
    rows = frame[frame[named].notna().any(axis=1)].copy() if named else frame.iloc[:0]
    for header in named:
        rows[header] = rows[header].map(lambda name: f"{copy}-{name}", na_action="ignore")
    return rows


def with_rows(tables: Tables, title: str, **columns: object) -> Tables:
    """Tables with further rows of one sheet; keyword names are headers with `_` for blanks."""
    rows = pd.DataFrame({header.replace("_", " "): values for header, values in columns.items()})
    return {**tables, title: pd.concat([tables[title], rows], ignore_index=True)}


def misspelt_lots(copies: int) -> Tables:
    """Demo estates side by side, every dispatched lot with a prefix that nothing else has."""
    tables = side_by_side(copies)
    dispatches = tables["Dispatches"]
    return {**tables, "Dispatches": dispatches.assign(**{"Release lot": "D-" + dispatches["Release lot"]})}


def equal_sales(rows: int) -> Tables:
    """The demo estate with one sale of one bottle entered so many times."""
    tables = tables_from_csv(DEMO)
    sale = tables["Dispatches"].iloc[[-1]].assign(**{"Bottles": 1.0})
    more = sale.loc[sale.index.repeat(rows)]
    return {**tables, "Dispatches": pd.concat([tables["Dispatches"], more], ignore_index=True)}
