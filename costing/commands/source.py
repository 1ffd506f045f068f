"""What every command shares: the estate read once, results by basis, sheets written, what is then said."""

from __future__ import annotations

import argparse
import os
from collections.abc import Sequence
from datetime import date
from functools import cached_property
from pathlib import Path

from costing.errors import CostingError, Finding, InputError
from costing.files import name_as_text
from costing.house import House
from costing.inputs.basis import Basis
from costing.inputs.cells import tidy
from costing.inputs.columns import read_date
from costing.inputs.estate import Estate
from costing.inputs.fingerprint import fingerprint
from costing.inputs.load import read_csv_folder
from costing.model import Runs, loaded
from costing.results.results import Results
from costing.terminal import ADVICE_IS_YOURS, note
from costing.workbook.file.backups import KEPT
from costing.workbook.file.package import Package
from costing.workbook.pages.result_sheet import ResultSheet
from costing.workbook.read import read_workbook
from costing.workbook.update import Written, open_source, write_results

LISTED = 20
_FIRST = ("opening_stock", "deliveries", "pressings", "movements", "tirage", "disgorgements", "pools")
NOTHING_YET = (
    "holds no lot yet, and no other sheet fills one: there is nothing to cost.",
    "Begin with what lies in the cellar: its lots on Opening stock and their cost on Opening costs; or with a harvest:"
    " Deliveries and Pressings. Then 'Valuation date' on Settings.",
)


def day_given(text: str, estate: Estate) -> date:
    """Date of an option, written as dates on Settings are. CostingError says the other reading."""
    day, fault = read_date(tidy(text), estate.settings.date_style)
    if day is None:
        msg = f"--date '{text}' {fault} Write it with the {estate.settings.date_style}, or as 2025-12-31."
        raise CostingError(msg)
    return day


class Source:
    """An estate and where it came from: read once, each basis computed once."""

    def __init__(self, path: Path) -> None:
        self.is_folder = os.path.isdir(path)  # noqa: PTH112, no fault where the name can't be one
        self.path = path.resolve() if self.is_folder else path  # `.` has no name that results could bear
        tables = read_csv_folder(self.path) if self.is_folder else read_workbook(self.package)
        self.inputs = fingerprint(tables)
        self.house = House(loaded(tables), name_as_text(self.path.name))
        if not any(len(self.estate[name]) for name in _FIRST):
            raise InputError([Finding("Opening stock", "", *NOTHING_YET)])

    @cached_property
    def package(self) -> Package:
        """The workbook as it was read; of a folder one with its rows, made when results are to stand in it."""
        return open_source(self.path)

    @property
    def estate(self) -> Estate:
        """The estate, validated."""
        return self.house.estate

    @property
    def runs(self) -> Runs:
        """Its results on every basis."""
        return self.house.runs

    def on(self, basis: Basis) -> Results:
        """Results on a basis."""
        return self.runs.on(basis)

    @property
    def both(self) -> tuple[Results, Results]:
        """Results on the book and on the economic basis."""
        return self.runs.book, self.runs.economic


def write_sheets(options: argparse.Namespace, source: Source, result_sheets: Sequence[ResultSheet]) -> Written:
    """Write result sheets into the workbook, or beside it, and say where they went."""
    written = write_results(
        source.package,
        source.path,
        result_sheets,
        source.inputs,
        beside=options.beside,
        ignore_lock=options.ignore_lock,
        strip=options.blank_old_values,
    )
    note(f"Results written to {written.path}." + (f" Back-up: {written.backup} ({KEPT})." if written.backup else ""))
    if written.typed:
        note(
            "Typed on result sheets, which are written anew: kept in the back-up alone. Use a sheet of your own for"
            " notes:"
        )
        _list([f"{typed.place} {typed.what}" for typed in written.typed])
    if written.old_formulas:
        note("Your formulas that depend on results show old values until the workbook is recalculated:")
        _list([f"{sheet}!{cell} {formula}" for sheet, cell, formula in written.old_formulas])
    note(ADVICE_IS_YOURS)
    return written


def _list(lines: Sequence[str]) -> None:
    """Lines of a list as far as somebody reads them, and how many more there are."""
    for line in lines[:LISTED]:
        note(f"  {line}")
    if len(lines) > LISTED:
        note(f"  and {len(lines) - LISTED:,} more")
