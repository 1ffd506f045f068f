"""The Settings sheet -> Settings: two columns, a setting and its value.

A setting is found by its title or library name; case and accents do not matter. A blank value means the
default. Number and date style are settled first, since the other values may be text in that style.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from costing.errors import Finding
from costing.inputs.cells import Cells, fold, take_apart
from costing.inputs.columns import Styles, read_one
from costing.inputs.estate import Settings
from costing.inputs.headers import did_you_mean, read_headers
from costing.inputs.raw import RawTable
from costing.inputs.schema import Column, settings, sheets

Add = Callable[[Finding], None]


@dataclass(frozen=True, slots=True)
class _Row:
    """One filled row of the sheet: its setting, the cell of its value, and where that stands."""

    setting: Column
    value: Cells
    place: str


def read_settings(raw: Iterable[RawTable], add: Add) -> tuple[Settings, Styles]:
    """Return the settings, defaults where the sheet is silent or a value is wrong, and the styles.

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
    return Settings(**read), styles


def _collect(table: RawTable, rows: dict[str, _Row], add: Add) -> None:
    headers = [str(header) for header in table.frame.columns]
    positions = {
        heading.column.name: position
        for position, heading in enumerate(read_headers(sheets()["settings"], headers))
        if heading.column and not heading.rule
    }
    if "setting" in positions and "value" not in positions and len(table.frame):
        add(Finding(table.sheet, "", "has no column 'Value'.", "Add the column: the value of each setting."))
    if set(positions) != {"setting", "value"}:
        return  # the sheet's own reading says so of 'Setting'
    names, values = (take_apart(table.frame.iloc[:, positions[name]]) for name in ("setting", "value"))
    letters = {name: table.letters.get(headers[position], "") for name, position in positions.items()}
    by_title = {fold(setting.title): setting for setting in settings().values()}
    by_title |= {fold(setting.title.split("(")[0]): setting for setting in settings().values()} | dict(settings())
    for row in np.flatnonzero(names.filled()):
        title, number = names.shown(int(row)), table.row_numbers[row]
        place = f"{table.sheet}!{letters['setting']}{number}"
        setting = by_title.get(fold(title))
        if setting is None:
            titles = [known.title for known in settings().values()]
            remedy = did_you_mean(title, titles, f"Settings are: {', '.join(titles)}.")
            add(Finding(place, title, "is not a setting.", remedy))
        elif setting.name in rows:
            rule = f"is set twice; first at {rows[setting.name].place}."
            add(Finding(place, title, rule, "Keep one of the two rows."))
        else:
            rows[setting.name] = _Row(
                setting, values.take(np.array([row])), f"{table.sheet}!{letters['value']}{number}"
            )


def _read(rows: dict[str, _Row], name: str, styles: Styles, read: dict[str, Any], add: Add) -> None:
    row = rows.get(name)
    if row is None or not row.value.filled()[0]:
        return
    value, faults = read_one(row.setting, row.value, styles)
    for fault in faults:
        add(Finding(row.place, row.value.shown(0), fault.rule, fault.remedy))
    if not faults:
        read[name] = value
