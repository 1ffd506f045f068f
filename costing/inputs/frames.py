"""Tables of an estate as a person would type them: what `frames_of` gives, `load.read_estate` takes.

Conventions: sheets and columns by their library names, percentages in percent points, text as text, blank columns
left out unless they must be filled.

What it does not do: keep where a row came from.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.inputs.estate import Estate
from costing.inputs.owners import both_sides
from costing.inputs.schema import settings, sheets


def as_entered(sheet: str, rows: pd.DataFrame) -> pd.DataFrame:
    """Rows of a sheet as they would be typed; row numbers start again."""
    entered = {}
    for column in sheets()[sheet].columns:
        values = rows[column.name]
        given = values.notna()
        if not (column.required or given.any()):
            continue
        if column.type == "percent":
            points = [np.nan if pd.isna(part) else float(f"{part * 100.0:.15g}") for part in values]
            values = pd.Series(points, rows.index, dtype="float64")
        elif column.type not in ("number", "integer", "date"):
            values = values.astype(object).where(given, None)
        entered[column.name] = values
    return pd.DataFrame(entered, rows.index).reset_index(drop=True)


def settings_frame(estate: Estate) -> pd.DataFrame:
    """The Settings sheet: setting and value."""
    chosen = {setting.title: getattr(estate.settings, name) for name, setting in settings().items()}
    return pd.DataFrame({"setting": list(chosen), "value": pd.Series(list(chosen.values()), dtype=object)})


def frames_of(estate: Estate) -> dict[str, pd.DataFrame]:
    """Settings and every filled table, by library name."""
    filled = {name: as_entered(name, table) for name, table in both_sides(estate).tables.items() if len(table)}
    return {"settings": settings_frame(estate), **{name: frame for name, frame in filled.items() if name != "settings"}}
