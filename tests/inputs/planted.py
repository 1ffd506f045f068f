"""A small invented estate (`small_estate/`), all text, and the findings when cells of it are changed."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from costing.errors import Finding, InputError
from costing.inputs.estate import Estate
from costing.inputs.load import load, read_frames
from costing.inputs.raw import RawTable
from costing.inputs.schema import sheets
from costing.model import loaded, trace

FOLDER = Path(__file__).parent / "small_estate"


@cache
def _sheets() -> dict[str, pd.DataFrame]:
    return {
        sheets()[path.stem].title: pd.read_csv(path, sep=";", dtype=object, keep_default_na=False)
        for path in sorted(FOLDER.glob("*.csv"))
    }


def frames() -> dict[str, pd.DataFrame]:
    """The estate, all of it text."""
    return {title: frame.copy() for title, frame in _sheets().items()}


def planted(cells: Mapping[str, Any], without: tuple[str, ...] = ()) -> dict[str, pd.DataFrame]:
    """The estate with some cells changed, in tables of its own."""
    return {title: frame.copy() for title, frame in _changed(cells, without).items()}


@cache
def _raw(title: str) -> RawTable:
    """A sheet of the estate as it stands."""
    (table,) = read_frames({title: _sheets()[title]})
    return table


def raw(cells: Mapping[str, Any], without: tuple[str, ...] = ()) -> list[RawTable]:
    """The estate with some cells changed, ready to be read: sheets without a change are the same each time."""
    tables = _changed(cells, without)
    return [
        _raw(title) if frame is _sheets()[title] else read_frames({title: frame})[0] for title, frame in tables.items()
    ]


def _changed(cells: Mapping[str, Any], without: tuple[str, ...]) -> dict[str, pd.DataFrame]:
    """Its sheets, those with a change made anew.

    Places are `Sheet!C4`; row 1 holds the headers, the row after the last is added. Where the number style is
    set to comma, the numbers of the estate have one.
    """
    tables = {title: frame for title, frame in _sheets().items() if title not in without}
    if any(isinstance(value, str) and value == "comma" for value in cells.values()):
        tables = {title: frame.replace(r"^(\d+)\.(\d+)$", r"\1,\2", regex=True) for title, frame in tables.items()}
    for place, value in cells.items():
        title, letters, number = re.fullmatch(r"(.+)!([A-Z]+)(\d+)", place).groups()  # type: ignore[union-attr]
        frame, position, row = tables[title], ord(letters) - ord("A"), int(number) - 2
        if row < 0:
            headers = list(frame.columns)
            headers[position] = value
            tables[title] = frame.set_axis(headers, axis=1)
            continue
        whole = frame.to_numpy(dtype=object).copy()
        if row == len(frame):
            whole = np.vstack([whole, np.full(frame.shape[1], None)])
        whole[row, position] = value
        tables[title] = pd.DataFrame(whole, columns=frame.columns)
    return tables


def estate_of(cells: Mapping[str, Any] | None = None, without: tuple[str, ...] = ()) -> Estate:
    """Estate with some cells changed; raises if that is an error."""
    return load(raw(cells or {}, without), settings_required=False)


def findings_of(cells: Mapping[str, Any], without: tuple[str, ...] = ()) -> list[Finding]:
    """Everything said about the sheets with some cells changed, errors and cautions."""
    try:
        return list(estate_of(cells, without).cautions)
    except InputError as refused:
        return refused.findings


def findings_in_all(cells: Mapping[str, Any]) -> list[Finding]:
    """The same, and what is found once wine is followed from row to row: all that a person is told at once."""
    try:
        estate = loaded(raw(cells), settings_required=False)
        return [*estate.cautions, *trace(estate).cautions]
    except InputError as refused:
        return refused.findings


def only(cells: Mapping[str, Any], without: tuple[str, ...] = ()) -> Finding:
    """The one finding about the estate with some cells changed."""
    found = findings_of(cells, without)
    assert len(found) == 1, "\n".join(str(finding) for finding in found) or "nothing found"
    return found[0]
