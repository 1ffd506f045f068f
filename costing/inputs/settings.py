"""The Settings sheet -> Settings: two columns, a setting and its value.

A setting is found by its title or library name; case and accents do not matter. A blank value means the
default. Number and date style are settled first, since the other values may be text in that style.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from pydantic import ValidationError

from costing.errors import Finding
from costing.inputs import columns
from costing.inputs.cells import Cells, fold, take_apart
from costing.inputs.estate import Settings
from costing.inputs.headers import closest, read_headers
from costing.inputs.raw import RawTable
from costing.inputs.schema import Column, Setting, settings, sheets

Add = Callable[[Finding], None]


@dataclass(frozen=True, slots=True)
class Styles:
    """How numbers and dates that are written as text are read."""

    number_style: str = "point"
    date_style: str = "day first"


@dataclass(frozen=True, slots=True)
class _Row:
    """One filled row of the sheet: its setting, the cell of its value, and where that stands."""

    setting: Setting
    value: Cells
    place: str


def read_settings(raw: Iterable[RawTable], add: Add) -> tuple[Settings | None, Styles]:
    """Return the settings, defaults where the sheet is silent (None if a value is wrong), and the styles.

    Each finding goes to `add` with the cell of the value.
    """
    rows: dict[str, _Row] = {}
    for table in raw:
        _collect(table, rows, add)
    read: dict[str, Any] = {}
    styles = Styles()
    for name in ("number_style", "date_style"):
        _read(rows, name, styles, read, add)
    styles = Styles(read.get("number_style", "point"), read.get("date_style", "day first"))
    for name in rows:
        if name not in ("number_style", "date_style"):
            _read(rows, name, styles, read, add)
    try:
        return Settings(**read), styles
    except ValidationError as problem:
        for error in problem.errors():
            name = str(error["loc"][0])
            add(Finding(rows[name].place, rows[name].value.shown(0), f"{error['msg']}.", "Correct the value."))
        return None, styles


def _collect(table: RawTable, rows: dict[str, _Row], add: Add) -> None:
    headers = [str(header) for header in table.frame.columns]
    found = {
        heading.column.name: position
        for position, heading in enumerate(read_headers(sheets()["settings"], headers))
        if heading.column and not heading.rule
    }
    if "setting" in found and "value" not in found and len(table.frame):
        add(Finding(table.sheet, "", "has no column 'Value'.", "Add the column: the value of each setting."))
    if set(found) != {"setting", "value"}:
        return  # the sheet's own reading says so of 'Setting'
    names, values = (take_apart(table.frame.iloc[:, found[name]]) for name in ("setting", "value"))
    letters = {name: table.letters.get(headers[position], "") for name, position in found.items()}
    by_title = {fold(setting.title): setting for setting in settings().values()}
    by_title |= {fold(setting.title.split("(")[0]): setting for setting in settings().values()} | dict(settings())
    for row in np.flatnonzero(names.filled()):
        title, number = names.shown(int(row)), table.row_numbers[row]
        place = f"{table.sheet}!{letters['setting']}{number}"
        setting = by_title.get(fold(title))
        if setting is None:
            near = closest(title, (known.title for known in settings().values()), 0.6)
            titles = ", ".join(known.title for known in settings().values())
            add(
                Finding(
                    place,
                    title,
                    "is not a setting.",
                    f"Did you mean '{near}'?" if near else f"Settings are: {titles}.",
                )
            )
        elif setting.name in rows:
            add(
                Finding(
                    place,
                    title,
                    f"is set twice; first at {rows[setting.name].place}.",
                    "Keep one of the two rows.",
                )
            )
        else:
            rows[setting.name] = _Row(
                setting, values.take(np.array([row])), f"{table.sheet}!{letters['value']}{number}"
            )


def _read(rows: dict[str, _Row], name: str, styles: Styles, read: dict[str, Any], add: Add) -> None:
    row = rows.get(name)
    if row is None or not row.value.filled()[0]:
        return
    setting = row.setting
    values: Any
    column = Column(
        name,
        setting.title,
        setting.type,
        "",
        False,
        "",
        setting.lower,
        setting.upper,
        setting.choices,
        "",
        False,
        "",
        "",
    )
    if setting.type == "date":
        values, faults = columns.dates(row.value, styles.date_style)
    elif setting.type in ("number", "integer"):
        reader = columns.integers if setting.type == "integer" else columns.numbers
        values, faults = reader(row.value, styles.number_style)
        faults = faults + columns.outside(column, values)
    else:
        values, faults = columns.words(row.value, column)
    for fault in faults:
        add(Finding(row.place, row.value.shown(0), fault.rule, fault.remedy))
    if not faults:
        read[name] = _plain(values[0], setting.type)


def _plain(value: Any, kind: str) -> Any:
    if kind == "date":
        return pd.Timestamp(value).date() if not pd.isna(value) else None
    if kind in ("number", "integer"):
        return int(value) if kind == "integer" and not math.isnan(value) else float(value)
    return str(value)
