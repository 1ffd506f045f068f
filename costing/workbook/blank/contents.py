"""What goes into the cells of an input workbook: CSV files or an estate -> one typed frame per sheet.

Rule: cells are what a person would type. Dates are dates, numbers numbers; percentages are in percent
points; a text that does not read as its column's type stays text, so that the loader can say so.

Conventions: frames are keyed by sheet title, their columns are headers with units. A CSV folder keeps its
headers, its units and columns of the user's own; an estate gives every column of the schema that holds
anything, in the units that its own headers name.

What it does not do: it judges nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from costing.inputs import columns
from costing.inputs.cells import take_apart
from costing.inputs.columns import Styles
from costing.inputs.estate import Estate
from costing.inputs.headers import read_headers, readable_name
from costing.inputs.load import read_csv_folder
from costing.inputs.owners import both_sides
from costing.inputs.schema import Column, Sheet, settings, sheets
from costing.inputs.settings import read_settings

_PERCENT = {"%": 1.0}
_NUMBERS = ("number", "integer", "percent")


def tables_from_csv(folder: str | Path) -> dict[str, pd.DataFrame]:
    """Frames of a folder's files by sheet title, for `blank_workbook`. WorkbookError if it holds none."""
    raw = [table for table in read_csv_folder(folder) if table.frame.shape[1] and readable_name(table.sheet)]
    _, styles = read_settings([table for table in raw if readable_name(table.sheet) == "settings"], lambda _: None)
    return {table.sheet: _typed_frame(sheets()[readable_name(table.sheet)], table.frame, styles) for table in raw}


def tables_from_estate(estate: Estate) -> dict[str, pd.DataFrame]:
    """Frames of an estate's filled tables and of its settings by sheet title, for `blank_workbook`."""
    chosen = estate.settings.model_dump()
    by_title = {
        sheets()["settings"].title: pd.DataFrame(
            {
                "Setting": [setting.title for setting in settings().values()],
                "Value": pd.Series([chosen[name] for name in settings()], dtype=object),
            }
        )
    }
    tables = both_sides(estate).tables
    for name, sheet in sheets().items():
        table = tables[name]
        if name == "settings" or not len(table):
            continue
        filled = [c for c in sheet.columns if c.required or bool(table[c.name].notna().any())]
        by_title[sheet.title] = pd.DataFrame(dict(_as_typed(estate, name, column) for column in filled))
    return by_title


def _as_typed(estate: Estate, table: str, column: Column) -> tuple[str, pd.Series[Any]]:
    """Header and cells of a column, in the unit that the estate's own header names."""
    unit, factor = estate.sources[table].units.get(column.name, (column.unit, 1.0))
    values = _points(estate[table][column.name], column)
    return (column.title, values) if factor == 1.0 else (f"{column.header} ({unit})", (values / factor).round(9))


def typed_setting(name: str, value: Any, styles: Styles) -> Any:
    """Value of a setting as a date or a number where the setting is one and the text says one."""
    return _typed(pd.Series([value], dtype=object), settings()[name], styles)[0]


def _typed_frame(sheet: Sheet, frame: pd.DataFrame, styles: Styles) -> pd.DataFrame:
    headers = [str(header) for header in frame.columns]
    headings = read_headers(sheet, headers)
    kept = [position for position, header in enumerate(headers) if header.strip()]
    cells = []
    for position in kept:
        column = headings[position].column
        values = frame.iloc[:, position]
        cells.append(_typed(values, column, styles) if column else _texts(values))
    if sheet.name == "settings":
        cells = _typed_settings([headings[position].column for position in kept], cells, styles)
    table = pd.DataFrame(dict(enumerate(cells)), dtype=object)
    table.columns = pd.Index([headers[position].strip() for position in kept])
    return table.loc[table.notna().any(axis=1).to_numpy()].reset_index(drop=True)


def _typed_settings(named: Sequence[Column | None], cells: list[list[Any]], styles: Styles) -> list[list[Any]]:
    places = {column.name: place for place, column in enumerate(named) if column}
    if set(places) != {"setting", "value"}:
        return cells
    by_title = {setting.title: name for name, setting in settings().items()}
    by_title |= {name: name for name in settings()}
    rows = zip(cells[places["setting"]], cells[places["value"]], strict=True)
    cells[places["value"]] = [
        typed_setting(by_title[title], value, styles) if title in by_title and value is not None else value
        for title, value in rows
    ]
    return cells


def _typed(values: pd.Series[Any], column: Column, styles: Styles) -> list[Any]:
    cells = take_apart(values)
    if column.type == "date":
        days, faults = columns.dates(cells, styles.date_style)
        read = [None if np.isnat(day) else day.astype("datetime64[D]").item() for day in days]
    elif column.type in _NUMBERS:
        # Whatever the column's type, percent points and litres or hectolitres stay as they are in the file.
        numbers, faults = columns.numbers(
            cells, styles.number_style, units=_PERCENT if column.type == "percent" else {}
        )
        read = [None if np.isnan(number) else float(number) for number in numbers]
    else:
        return _texts(values)
    for fault in faults:
        for row in fault.rows:
            read[int(row)] = values.iloc[int(row)]
    return read


def _texts(values: pd.Series[Any]) -> list[Any]:
    blank = values.isna()
    return [
        None if empty or (isinstance(value, str) and not value.strip()) else value
        for value, empty in zip(values, blank, strict=True)
    ]


def _points(values: pd.Series[Any], column: Column) -> pd.Series[Any]:
    if column.type == "percent":
        # 7 % is held as 0.07, and 0.07 * 100 is 7.000000000000001: a float has fifteen sure digits.
        return pd.Series([float(f"{number:.15g}") for number in values * 100.0], index=values.index, dtype=float)
    return values
