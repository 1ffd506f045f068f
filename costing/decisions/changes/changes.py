"""Named changes to the estate's figures: which cells of which sheet, and what happens to each.

    set: the value itself      add: figure + value      multiply: figure × value

Sheet and column are named as in the workbook, unit in brackets, or by their library names. `Where` is blank
(all rows), a row number of the sheet, or `column=value` pairs joined by commas: `Variety=Chardonnay,
Year=2025`. Values of a percent column are percent points; a column named with another unit of its kind
(`Must (hl)`) takes values in that unit. A blank cell stays blank unless it is set. Nothing is changed in place:
the answer is another estate.

What it does not do: rows added or taken away, dates, names, settings; to compare two whole estates, see
`decisions.changes.why`. It does not move wine: `decisions.changes.replay` lets the later rows follow.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from costing.array_types import Flags, Floats, Ints
from costing.errors import Finding, InputError, caution
from costing.inputs.cuvee_bounds import PAIRS
from costing.inputs.estate import Estate
from costing.inputs.headers import closest, did_you_mean, read_headers, readable_name
from costing.inputs.schema import Column, Sheet, sheets

NUMERIC = ("number", "integer", "percent")
_ROWS = re.compile(r"^(?:rows?\s*)?(\d+)(?:\s*-\s*(\d+))?$", re.IGNORECASE)


@dataclass(frozen=True, eq=False)
class ChangedCells:
    """Cells that a change touches: table and column by library name, rows by position in the table; factor: of
    a value as written to a value as held.
    """

    table: str
    column: str
    rows: Ints
    factor: float


@dataclass(frozen=True, eq=False)
class Change:
    """What happens to the cells of a target. value: as held (percent as a fraction)."""

    target: ChangedCells
    how: str
    value: float


def changed_values(values: Floats, how: str, value: float) -> Floats:
    """Figures after a change."""
    if how == "multiply":
        return values * value
    return values + value if how == "add" else np.full(len(values), value)


def outside_bounds(column: Column, values: Floats) -> Flags:
    """Whether each value, as held, is outside the bounds of its column (blank: no)."""
    shown = values * (100.0 if column.type == "percent" else 1.0)
    least, most = (bound if bound is not None else np.nan for bound in (column.lower, column.upper))
    return np.asarray((shown < least) | (shown > most))


def beyond_bounds(column: Column, values: Floats) -> tuple[float, str, float] | None:
    """The furthest of the values, as held, that leaves the bounds of their column, on which side, and the bound."""
    shown = values * (100.0 if column.type == "percent" else 1.0)
    if column.lower is not None and (least := float(np.nanmin(shown, initial=np.inf))) < column.lower:
        return least, "below", column.lower
    if column.upper is not None and (most := float(np.nanmax(shown, initial=-np.inf))) > column.upper:
        return most, "above", column.upper
    return None


def apply_changes(estate: Estate, changes: Iterable[Change]) -> Estate:
    """The estate with the changes made, one after the other. InputError where a figure leaves its bounds."""
    tables = dict(estate.tables)
    for change in changes:
        target = change.target
        frame = tables[target.table].copy()
        column = frame[target.column].to_numpy(dtype=np.float64, copy=True)
        column[target.rows] = changed_values(column[target.rows], change.how, change.value)
        if beyond := beyond_bounds(sheets()[target.table].column(target.column), column[target.rows]):
            place = estate.place(target.table, int(target.rows[0]), target.column)
            rule = f"is {beyond[1]} {beyond[2]:g} once changed."
            raise InputError([Finding(place, f"{beyond[0]:g}", rule, "Change it less.")])
        frame[target.column] = column
        tables[target.table] = frame
    return replace(estate, tables=tables)


def read_change(estate: Estate, row: int) -> tuple[Change | None, list[Finding]]:
    """Change that one row of Scenarios asks for, or what is wrong with it."""
    line = estate["scenarios"].iloc[row]
    target, findings = read_target(estate, "scenarios", row)
    how, value = str(line["how"]), float(line["value"])
    if target is None:
        return None, findings
    amount = value if how == "multiply" else value * target.factor
    findings += _bounds(estate, row, Change(target, how, amount))
    return (None if findings else Change(target, how, amount)), findings


def read_target(estate: Estate, sheet: str, row: int) -> tuple[ChangedCells | None, list[Finding]]:
    """Cells that one row of Scenarios or Uncertainty names, or what is wrong with it; a caution alone where its sheet
    holds no rows yet, as in a workbook just opened.
    """
    line = estate[sheet].iloc[row]

    def wrong(column: str, value: str, rule: str, remedy: str) -> tuple[None, list[Finding]]:
        return None, [Finding(estate.place(sheet, row, column), value, rule, remedy)]

    title = _text(line["sheet"])
    name = readable_name(title)
    if not name or not _figures(sheets()[name]):
        known = [listed.title for listed in sheets().values() if _figures(listed)]
        hint = did_you_mean(title, known, f"Sheets with figures: {', '.join(known)}.", 0.5)
        return wrong("sheet", title, "is no sheet whose figures can be changed.", hint)
    column, factor, rule, remedy = _column(sheets()[name], _text(line["column"]))
    if column is None:
        return wrong("column", _text(line["column"]), rule, remedy)
    if not len(estate[name]):
        rule = f"speaks of '{sheets()[name].title}', which holds no rows yet: it changes nothing."
        return None, [caution(estate.place(sheet, row, "where"), _text(line["where"]), rule, "Fill that sheet first.")]
    rows, rule, remedy = _rows(estate, name, _text(line["where"]))
    if rule:
        return wrong("where", _text(line["where"]), rule, remedy)
    filled = rows[~np.isnan(estate[name][column.name].to_numpy(dtype=np.float64)[rows])]
    how = _text(line["how"])
    if how != "set" and not len(filled):
        rule = f"names rows in which '{column.title}' is blank: nothing would change."
        return wrong("where" if _text(line["where"]) else "column", _text(line["where"]), rule, "Name other rows.")
    return ChangedCells(name, column.name, rows if how == "set" else filled, factor), []


def _text(value: Any) -> str:
    return "" if value is None or pd.isna(value) else str(value).strip()


def _figures(sheet: Sheet) -> list[str]:
    changeable = sheet.owner == "user" and sheet.name not in ("settings", "links", "scenarios", "uncertainty")
    return [column.title for column in sheet.columns if column.type in NUMERIC] if changeable else []


def _column(sheet: Sheet, title: str) -> tuple[Column | None, float, str, str]:
    """Column of a title and the factor of its values, or a rule and a remedy."""
    heading = read_headers(sheet, [title])[0]
    named = next((column for column in sheet.columns if title == column.name), heading.column)
    known = _figures(sheet)
    if named is None or (heading.rule and title != named.name):
        hint = did_you_mean(title, known, f"Its figures: {', '.join(known)}.")
        return None, 1.0, f"names no column of '{sheet.title}'.", heading.remedy or hint
    if named.type not in NUMERIC:
        return None, 1.0, "holds no figures.", f"Figures of '{sheet.title}': {', '.join(known)}."
    return named, heading.factor * (0.01 if named.type == "percent" else 1.0), "", ""


def _rows(estate: Estate, name: str, where: str) -> tuple[Ints, str, str]:
    """Rows of a table that `Where` names, or a rule and a remedy."""
    frame, sheet = estate[name], sheets()[name]
    none = np.zeros(0, dtype=np.int64)
    if not where:
        return np.arange(len(frame)), "", ""
    numbered = _ROWS.match(where)
    if numbered:
        first, last = int(numbered[1]), int(numbered[2] or numbered[1])
        rows = np.flatnonzero((estate.sources[name].row >= first) & (estate.sources[name].row <= last))
        rule = f"is no filled row of '{sheet.title}'."
        return (rows, "", "") if len(rows) else (none, rule, "Name a row by the number beside it in the sheet.")
    kept = np.ones(len(frame), dtype=bool)
    for pair in PAIRS.split(where):
        key, equals, value = (part.strip() for part in pair.partition("="))
        by_name = {column.name: column for column in sheet.columns}
        column = by_name.get(key) or read_headers(sheet, [key])[0].column
        if column is None or not equals:
            titles = [listed.title for listed in sheet.columns]
            near = closest(key, titles, 0.6)
            hint = f"Did you mean '{near}={value}'?" if near else f"Columns of it: {', '.join(titles)}."
            return none, "is neither a row number nor pairs of column=value.", hint
        fits, known = _equal(frame[column.name], column, value)
        if not fits.any():
            hint = did_you_mean(value, known, f"Values there: {', '.join(known[:12])}.", 0.5)
            return none, f"fits no row: '{column.title}' is nowhere '{value}'.", hint
        kept &= fits
    rows = np.flatnonzero(kept)
    rule = "fits no row: each pair is found, but never together."
    return (rows, "", "") if len(rows) else (none, rule, "Take one of the pairs away.")


def _equal(values: pd.Series, column: Column, wanted: str) -> tuple[np.ndarray, list[str]]:
    """Whether each value equals the text, and the values that there are."""
    if column.type == "date":
        text = values.dt.strftime("%Y-%m-%d").fillna("").to_numpy(dtype=object)
    elif column.type in NUMERIC:
        scale = 100.0 if column.type == "percent" else 1.0
        try:
            number = float(wanted.replace(",", "."))
        except ValueError:
            number = np.nan
        known = [f"{known_value:g}" for known_value in np.unique(values.dropna().to_numpy() * scale)]
        blank = values.isna().to_numpy() & (wanted == "")
        return np.isclose(values.to_numpy() * scale, number, rtol=1e-12) | blank, known
    else:
        text = values.astype(object).where(values.notna(), "").astype(str).to_numpy(dtype=object)
    known = sorted({str(known_value) for known_value in text if known_value})
    return np.array([str(known_value).casefold() == wanted.casefold() for known_value in text], dtype=bool), known


def _bounds(estate: Estate, row: int, change: Change) -> list[Finding]:
    """Finding where a change leads out of the bounds that its column has."""
    target = change.target
    if np.isnan(change.value):
        place, rule = estate.place("scenarios", row, "value"), "is missing: nothing says by how much."
        return [Finding(place, "", rule, "Enter the value, or delete the row.")]
    described = sheets()[target.table].column(target.column)
    present = estate[target.table][target.column].to_numpy(dtype=np.float64)[target.rows]
    beyond = beyond_bounds(described, changed_values(present, change.how, change.value))
    if beyond is None:
        return []
    figure = f"'{described.title}' of '{sheets()[target.table].title}'"
    rule = f"would bring {figure} to {beyond[0]:g}, {beyond[1]} {beyond[2]:g}."
    value = f"{estate['scenarios']['value'].iloc[row]:g}"
    return [Finding(estate.place("scenarios", row, "value"), value, rule, "Enter a smaller change.")]
