"""Records that the cellar cannot have: one row of an estate at a time draws too much, comes too early, has day and
month exchanged, counts too much or names another lot. What is said is kept
(`python -m tests.graph.test_wrong_records_as_kept` keeps it anew; read what changes before).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path

import pandas as pd
import pytest

from costing import Estate, InputError, trace
from costing.errors import Finding
from tests import kept_lines
from tests.golden.questions import ESTATES

KEPT = Path(__file__).with_name("wrong_records_as_kept")
_ROWS = 3
_LOTS = ("from_lot", "wine_lot", "release_lot", "liqueur_lot")
_QUANTITIES = ("out_l", "out_bottles", "wine_l", "bottles_in", "weight_kg", "bottles", "quantity")
_SHEETS = ("movements", "pressings", "tirage", "disgorgements", "dispatches", "stocktakes")


def _with(estate: Estate, table: str, row: int, column: str, value: object) -> Estate:
    frame = estate[table].copy()
    if isinstance(frame[column].dtype, pd.CategoricalDtype):
        frame[column] = frame[column].cat.add_categories([value] if value not in frame[column].cat.categories else [])
    frame.loc[row, column] = value
    return replace(estate, tables={**estate.tables, table: frame})


def _wrong(day: pd.Timestamp) -> Iterator[pd.Timestamp]:
    yield day - pd.Timedelta(days=700)
    yield day + pd.Timedelta(days=300)
    if day.day <= 12:
        yield day.replace(month=day.day, day=day.month)


def wrong_records(estate: Estate) -> Iterator[tuple[str, Estate]]:
    """Each wrong record in words, and the estate with it."""
    for table in _SHEETS:
        frame = estate[table]
        for row in range(0, len(frame), max(len(frame) // _ROWS, 1)):
            for name in (name for name in _QUANTITIES if name in frame and frame[name].iloc[row] > 0):
                for factor in (1.001, 3.0, -1.0) if table == "dispatches" else (1.001, 3.0):
                    value = frame[name].iloc[row] * factor
                    yield f"{table} {row} {name} {value:g}", _with(estate, table, row, name, value)
            for value in _wrong(frame["on_date"].iloc[row]):
                yield f"{table} {row} on {value.date()}", _with(estate, table, row, "on_date", value)
            for name in (name for name in _LOTS if name in frame and isinstance(frame[name].iloc[row], str)):
                for value in (f"{frame[name].iloc[row][:-1]}X", frame[name].dropna().astype(str).min()):
                    yield f"{table} {row} {name} {value}", _with(estate, table, row, name, value)


def said(estate: Estate) -> list[Finding]:
    """What tracing says of the records: errors, or else cautions."""
    try:
        return list(trace(estate).cautions)
    except InputError as refused:
        return list(refused.findings)


def _lines(name: str) -> Iterator[str]:
    sound = ESTATES[name]()
    for words, estate in wrong_records(sound):
        for found in said(estate):
            if found not in sound.cautions:
                yield f"{words}: {found.severity} {found}"


SECTIONS = {name: partial(_lines, name) for name in ("drawn_11", "each_kind_of_work", "works_for_others")}


@pytest.mark.parametrize("name", SECTIONS)
def test_what_is_said_of_wrong_records_is_as_kept(name: str) -> None:
    assert kept_lines.found(SECTIONS, name) == kept_lines.kept(KEPT, name)


if __name__ == "__main__":
    kept_lines.keep(KEPT, SECTIONS)
