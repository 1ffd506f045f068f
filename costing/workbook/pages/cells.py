"""Columns of a frame as cells of a sheet: blank, text, truth or number; days as numbers of its date system."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pandas as pd

_DAYS_TO_1904 = 1_462  # between the two date systems (ECMA-376 part 1, 18.17.4.1)
_DAY_ZERO = np.datetime64("1899-12-30", "s")
_UNFIT = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff\ud800-\udfff]")
_PLACE = re.compile(r"(.+?)(?:!(\$?[A-Za-z]{0,3}\$?\d*))?")


def cell_values(values: pd.Series[Any], kind: str, *, date_1904: bool = False) -> list[Any]:
    """Column of a frame as cells, days as numbers of the workbook's date system (see `_cell_values`)."""
    cells = _cell_values(values, kind)
    if date_1904 and (kind == "date" or pd.api.types.is_datetime64_any_dtype(values)):
        return [day - _DAYS_TO_1904 if isinstance(day, float) else day for day in cells]
    return cells


def _cell_values(values: pd.Series[Any], kind: str) -> list[Any]:
    """Column of a frame as cells: None, text, truth, or number; dates as day numbers.

    kind: a key of `look.NUMBER_FORMATS`; under `text` a date or number stays what it is.
    """
    if pd.api.types.is_datetime64_any_dtype(values):
        moments = values.to_numpy().astype("datetime64[s]")
        days = (moments - _DAY_ZERO) / np.timedelta64(86_400, "s")
        return [None if blank else day for day, blank in zip(days.tolist(), np.isnat(moments), strict=True)]
    if pd.api.types.is_bool_dtype(values):
        return [bool(value) for value in values]
    if pd.api.types.is_numeric_dtype(values):
        return [number if number - number == 0 else None for number in values.astype(float).tolist()]
    entered = values.astype(object).tolist()
    texts = {value: fit_text(value) for value in {value for value in entered if type(value) is str}}
    return [texts[value] if type(value) is str else _cell_value(value, kind) for value in entered]


def _cell_value(value: Any, kind: str) -> Any:
    if value is None or value is pd.NaT or value is pd.NA or value != value:
        return None
    if isinstance(value, str):
        return fit_text(value)
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, (int, float, np.integer, np.floating)):
        return float(value) if np.isfinite(value) else None
    if kind == "date":
        return float((np.datetime64(pd.Timestamp(value), "s") - _DAY_ZERO) / np.timedelta64(86_400, "s"))
    return fit_text(str(value))


def fit_text(text: str) -> str:
    """Text of a cell: without control characters, at most 32,767 characters (Excel's limit)."""
    return _UNFIT.sub("", text)[:32_767]


def link_location(place: Any) -> str | None:
    """`Movements!F17`, `Movements!17` or `Movements` -> `'Movements'!F17`; None where it is no place."""
    if not isinstance(place, str) or not (match := _PLACE.fullmatch(place.strip())):
        return None
    sheet, cell = match[1].strip("'").replace("'", "''"), match[2] or ""
    if not re.fullmatch(r"\$?[A-Za-z]+\$?\d+", cell):
        cell = f"A{cell}" if cell.isdigit() else "A1"
    return f"'{sheet}'!{cell}"
