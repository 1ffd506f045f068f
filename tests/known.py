"""Estates that a test run has met: what commands ask of the same inputs is computed once, and a sheet is read once.

Rule: two readings with the same cells in the same places are the same estate, and answers are pure functions of it
    (`costing.model.Runs`). Files are read, results written and lines printed anew by every command all the same.
"""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from collections.abc import Iterable
from functools import cached_property

import pandas as pd
import pytest

from costing import house, model
from costing.commands import records, source
from costing.house import House
from costing.inputs import frames, load
from costing.inputs.columns import Styles
from costing.inputs.estate import Estate, EstateTable, Sources
from costing.inputs.frames import frames_of
from costing.inputs.raw import RawTable
from costing.inputs.schema import Sheet
from costing.model import Runs, loaded
from costing.once import asked_once

KEPT, SHEETS_KEPT = 8, 500


class Known:
    """The latest estates by what was read, each with its results."""

    def __init__(self) -> None:
        self._runs: OrderedDict[str, Runs] = OrderedDict()
        self._always: set[str] = set()
        self._sheets: OrderedDict[tuple[str, str, str], tuple[pd.DataFrame, Sources]] = OrderedDict()

    def estate(self, raw: Iterable[RawTable], *, always: bool = False) -> Estate:
        """The estate of these tables; the same object for the same tables. always: kept however many come after."""
        tables = list(raw)
        key = _digest(tables)
        if key not in self._runs:
            self._runs[key] = Runs(loaded(tables))
        self._runs.move_to_end(key)
        self._always |= {key} if always else set()
        for oldest in [other for other in self._runs if other not in self._always][:-KEPT]:
            del self._runs[oldest]
        return self._runs[key].estate

    def sheet(
        self, sheet: Sheet, raw: RawTable, styles: Styles, reading: load._Reading
    ) -> tuple[pd.DataFrame, Sources]:
        """A sheet as it was read before of the same cells, its columns made once for all estates that hold it; one on
        which something is wrong is read again.
        """
        key = sheet.name, str(styles), _digest([raw])
        if key not in self._sheets:
            before = _found(reading)
            read = _READ_SHEET(sheet, raw, styles, reading)
            if raw.faulty or _found(reading) != before:
                return read
            self._sheets[key] = EstateTable(read[0]), read[1]
            if len(self._sheets) > SHEETS_KEPT:
                self._sheets.popitem(last=False)
        self._sheets.move_to_end(key)
        return self._sheets[key]

    def runs(self, estate: Estate, chain: model.Chain | None = None) -> Runs:
        """Its results: those kept for an estate that was read here, or new ones."""
        kept = (runs for runs in self._runs.values() if runs.estate is estate)
        return next(kept, None) or Runs(estate, chain)

    def installed(self, patch: pytest.MonkeyPatch) -> None:
        """Have commands and houses ask here."""
        runs = cached_property(lambda opened: self.runs(opened.estate))
        runs.__set_name__(House, "runs")
        patch.setattr(house.House, "runs", runs)
        patch.setattr(source, "loaded", self.estate)
        patch.setattr(records, "loaded", self.estate)
        patch.setattr(records, "Runs", self.runs)
        patch.setattr(frames, "frames_of", _frames_copied)
        patch.setattr(load, "_read_sheet", self.sheet)


_READ_SHEET = load._read_sheet


def _found(reading: load._Reading) -> tuple[int, ...]:
    """How much is wrong so far."""
    spoilt = reading.spoilt_cells, reading.spoilt_tables, reading.spoilt_titles
    return len(reading.findings), *map(len, spoilt)


@asked_once
def _frames(estate: Estate) -> dict[str, pd.DataFrame]:
    return frames_of(estate)


def _frames_copied(estate: Estate) -> dict[str, pd.DataFrame]:
    """Its tables as they would be typed, to be changed by whoever asks."""
    return {name: frame.copy() for name, frame in _frames(estate).items()}


def _digest(tables: Iterable[RawTable]) -> str:
    whole = hashlib.sha256()
    for table in tables:
        shown = [(header, cells.tolist()) for header, cells in table.percent_formatted.items()]
        faulty, linked = sorted(table.faulty), table.linked
        parts = (table.sheet, dict(table.letters), table.findings, shown, table.header_row, faulty, linked)
        whole.update(repr((parts, list(table.frame.columns), table.row_numbers.tolist())).encode("utf-8", "replace"))
        whole.update(repr(table.frame.to_numpy(dtype=object).tolist()).encode("utf-8", "replace"))
    return whole.hexdigest()
