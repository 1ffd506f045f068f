"""A result sheet as it is to be written: its tables, its charts, the stamp of its run."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import pandas as pd

import costing
from costing.answers.charts import Chart
from costing.workbook.pages import look

BASES = "book and economic"
"""The bases of every result sheet, as its stamp names them."""


@dataclass(frozen=True)
class ResultTable:
    """One table of a result sheet.

    name: of the spreadsheet table, fixed for good; frame: its rows, headers as columns; formats: column
    -> a key of `look.NUMBER_FORMATS` (text where silent); total_columns: summed in a totals row; links:
    column -> the column that holds the place it leads to; title: a line above the table; shown: how many columns stand
    open, the others behind a + (0: all); formulas: column -> formula of each row, as `sums` spells them.
    """

    name: str
    frame: pd.DataFrame
    formats: Mapping[str, str] = field(default_factory=dict)
    total_columns: tuple[str, ...] = ()
    links: Mapping[str, str] = field(default_factory=dict)
    title: str = ""
    shown: int = 0
    formulas: Mapping[str, Sequence[str]] = field(default_factory=dict)


@dataclass(frozen=True)
class ResultSheet:
    """One result sheet: tab name, title, notes below its tables, tables from the top, charts beside them, group of its
    tab: `front` prints on one page, `audit` stands behind; hidden: only the library reads it; says: what it answers,
    above its tables.
    """

    name: str
    title: str
    notes: tuple[str, ...] = ()
    tables: tuple[ResultTable, ...] = ()
    charts: tuple[Chart, ...] = ()
    group: str = "decisions"
    hidden: bool = False
    says: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class RunStamp:
    """When, by which version, on which basis and from which inputs a run was made."""

    when: dt.datetime
    version: str
    basis: str
    fingerprint: str

    @classmethod
    def now(cls, inputs: str) -> RunStamp:
        """The stamp of a run that is made now. inputs: their fingerprint."""
        return cls(dt.datetime.now(), costing.__version__, BASES, inputs)

    def __str__(self) -> str:
        """One line, as it stands on each sheet."""
        when = f"{self.when:%Y-%m-%d %H:%M}"
        return f"Run {when} · version {self.version} · basis {self.basis} · inputs {self.fingerprint}"


def check_sheets(sheets: Sequence[ResultSheet]) -> None:
    """Raise ValueError where a description contradicts its frame, or names a table twice."""
    names = [table.name for sheet in sheets for table in sheet.tables]
    if len({name.casefold() for name in names}) < len(names):
        msg = f"two result tables have one name: {', '.join(names)}"
        raise ValueError(msg)
    for sheet in sheets:
        for chart in sheet.charts:
            if chart.table not in names:
                msg = f"chart '{chart.title}' draws '{chart.table}', which isn't on any sheet"
                raise ValueError(msg)
        for table in sheet.tables:
            headers = [str(header) for header in table.frame.columns]
            if len({header.casefold() for header in headers}) < len(headers) or not all(headers):
                msg = f"table '{table.name}' needs different, filled headers: {', '.join(headers)}"
                raise ValueError(msg)
            named = {*table.formats, *table.total_columns, *table.links, *table.links.values(), *table.formulas}
            if unknown := sorted(named - set(headers)):
                msg = f"table '{table.name}' has no column {', '.join(unknown)}"
                raise ValueError(msg)
            if wrong := sorted(set(table.formats.values()) - set(look.CELL_FORMATS)):
                msg = f"table '{table.name}' has no format {', '.join(wrong)}"
                raise ValueError(msg)
