"""An answer: tables with declared columns, what is doubtful, what they say, and their charts.

Rule: every decision gives one `Answer`, and every reader (terminal, JSON, CSV, sheet, page, notebook) is made from
it. A column without an entry in `columns.csv`, or a table without one in `tables.csv`, is refused when the answer is
made.

Conventions: frames hold unrounded figures under the names of `columns.csv`. `facts` fill the words in braces of
titles and notes: currency, day and what else an answer knows.

What it does not do: compute, or round.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from costing.answers import catalogue
from costing.answers.charts import Chart
from costing.answers.kinds import NUMBER_FORMATS, written
from costing.answers.page import html_table
from costing.answers.palette import COLOURS
from costing.errors import Finding
from costing.files import FileKind, write_file

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ROWS_IN_NOTEBOOK = 20
_DIGITS = 12
"""Significant digits of a figure in JSON: beyond them stands what rounding left."""
MOST_SERIES, MOST_ROWS, MOST_PANELS = len(COLOURS), 40, 8
"""What one chart can show, and charts of one table; the title says what is left out."""
ONE_BY_ONE = ("column", "stacked column", "bar", "waterfall")
"""Kinds of chart that name every row on their axis."""


@dataclass(frozen=True, eq=False)
class Answer:
    """What one decision found.

    tables: name -> frame, in order, the one that answers first; findings: what is wrong or doubtful; says: its
    sentences; facts: word -> what stands for it in titles; empty: what is said where the first table has no rows;
    messages: table (and panel) -> what its chart shows, in a sentence with its figure; formulas: table -> formulas of
    some of its columns, which a sheet computes anew (see `sums`); says_on: sheet -> what it says instead of `says`,
    where it answers another question.
    """

    tables: Mapping[str, pd.DataFrame]
    findings: tuple[Finding, ...] = ()
    says: tuple[str, ...] = ()
    facts: Mapping[str, str] = field(default_factory=dict)
    empty: str = "Nothing to show."
    messages: Mapping[str, str] = field(default_factory=dict)
    formulas: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    says_on: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Put columns in their declared order, and take the sign from what is zero. KeyError for a column or table that
        is not declared.
        """
        ordered = {name: _ordered(name, frame) for name, frame in self.tables.items()}
        object.__setattr__(self, "tables", ordered)

    @property
    def main(self) -> pd.DataFrame:
        """The table that answers; without rows where it has none."""
        return next(iter(self.tables.values()), pd.DataFrame())

    def __getitem__(self, name: str) -> pd.DataFrame:
        """The table of that name. KeyError with the nearest name."""
        if name not in self.tables:
            catalogue.table(name)
            msg = f"this answer has no table '{name}'; it has {', '.join(self.tables)}"
            raise KeyError(msg)
        return self.tables[name]

    @cached_property
    def charts(self) -> tuple[Chart, ...]:
        """Charts of its tables, under the headers that a reader sees."""
        plans = [plan for plan in catalogue.charts() if len(self.tables.get(plan.table, ()))]
        return tuple(chart for plan in plans for chart in self._drawn(plan, self.tables[plan.table]))

    def _drawn(self, plan: catalogue.ChartPlan, frame: pd.DataFrame) -> Iterator[Chart]:
        series = catalogue.in_order(plan.series, list(frame.columns))
        if len(series) < (2 if plan.kind == "waterfall" else 1):
            return
        panels: list[tuple[str, int, int]] = [("", 0, len(frame))]
        if plan.panel:
            named = frame[plan.panel].astype(str).to_numpy()
            begins = np.flatnonzero(np.r_[True, named[1:] != named[:-1]])
            sizes = np.diff(np.r_[begins, len(frame)])
            panels = [(str(named[begin]), int(begin), int(size)) for begin, size in zip(begins, sizes, strict=True)]
        shown = _largest(frame, series, plan.kind)
        for panel, first, size in panels[:MOST_PANELS]:
            count = min(size, MOST_ROWS) if plan.kind in ONE_BY_ONE else size
            part = frame.iloc[first : first + count]
            title = self.filled(plan.title, panel=panel) + _left_out(len(shown), len(series), count, size)
            yield Chart(
                plan.kind,
                title,
                plan.table,
                catalogue.column(plan.category).header,
                tuple(catalogue.column(chart_of).header for chart_of in shown),
                self.filled(plan.category_title),
                self.filled(plan.value_title),
                NUMBER_FORMATS[catalogue.column(series[-1]).kind],
                (first, count),
                self.messages.get(f"{plan.table} {panel}".strip(), "") or _message(title, part, plan, shown),
                plan.sheet,
            )

    def under_headers(self, table: str) -> pd.DataFrame:
        """One of its tables under the headers that a reader sees, as its charts name them."""
        frame = self[table]
        return frame.set_axis([catalogue.column(str(name)).header for name in frame.columns], axis=1)

    def plot(self, table: str | None = None) -> Figure:
        """Its charts as one matplotlib figure, which a notebook shows. table: those of one table alone.

        CostingError where matplotlib, an optional extra, is not installed or nothing can be drawn.
        """
        from costing.answers.plot import figure_of

        wanted = [chart for chart in self.charts if table in (None, chart.table)]
        return figure_of([(chart, self.under_headers(chart.table)) for chart in wanted])

    def filled(self, text: str, **more: str) -> str:
        """A title or note with its words in braces filled in."""
        return text.format_map(_Words({**self.facts, **more}))

    def title(self, table: str) -> str:
        """Title of one of its tables."""
        return self.filled(catalogue.table(table).title)

    def __repr__(self) -> str:
        """Three lines at most: its tables, its first sentence, its findings."""
        sizes = ", ".join(f"{name} ({len(frame):,})" for name, frame in self.tables.items())
        lines = [f"Answer: {sizes}", *self.says[:1]]
        if self.findings:
            lines.append(f"{len(self.findings)} finding{'s' if len(self.findings) > 1 else ''}")
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        name = next(iter(self.tables), "")
        table = html_table(name, self.main, caption=self.title(name), rows=ROWS_IN_NOTEBOOK) if len(self.main) else ""
        return (table or f"<p>{escape(self.empty)}</p>") + "".join(f"<p>{escape(each)}</p>" for each in self.says)

    def to_dict(self) -> dict[str, Any]:
        """All tables as lists of rows, with its sentences and findings."""
        rows: dict[str, Any] = {name: rows_of(frame) for name, frame in self.tables.items()}
        return {**rows, "says": list(self.says), "findings": [finding.as_dict() for finding in self.findings]}

    def to_json(self) -> str:
        """The same as JSON, dates as 2025-12-31."""
        return json.dumps(self.to_dict(), ensure_ascii=False, indent=1)

    def to_csv(self, folder: str | Path) -> list[Path]:
        """Write one file a table into a folder, under the names of `columns.csv`; return their paths."""
        paths = [Path(folder) / f"{name}.csv" for name in self.tables]
        for path, frame in zip(paths, self.tables.values(), strict=True):
            text = frame.map(_safe).to_csv(index=False, date_format="%Y-%m-%d")
            write_file(path, text.encode(), FileKind((".csv",), b""))
        return paths


def _largest(frame: pd.DataFrame, series: list[str], kind: str) -> list[str]:
    """The series with most in them, in their order, as many as a chart can show."""
    if kind == "waterfall" or len(series) <= MOST_SERIES:
        return series
    sums = frame[series].apply(pd.to_numeric, errors="coerce").abs().sum()
    kept = set(sums.nlargest(MOST_SERIES).index)
    return [column for column in series if column in kept]


def _left_out(series: int, of_series: int, rows: int, of_rows: int) -> str:
    words = [f"{series} of {of_series} series"] if series < of_series else []
    words += [f"first {rows} of {of_rows}"] if rows < of_rows else []
    return f" ({', '.join(words)})" if words else ""


def _message(title: str, part: pd.DataFrame, plan: catalogue.ChartPlan, series: list[str]) -> str:
    """What a chart shows, for those who do not see it: its title and its largest figure."""
    seen = series[1:] if plan.kind == "waterfall" else series
    sizes = np.column_stack([np.abs(pd.to_numeric(part[name], errors="coerce").to_numpy(dtype=float)) for name in seen])
    if np.isnan(sizes).all():
        return title
    row, place = divmod(int(np.nanargmax(sizes)), len(seen))
    name = seen[place]
    column = catalogue.column(name)
    category = written(part[plan.category].iloc[row], catalogue.column(plan.category).kind)
    figure = written(part[name].iloc[row], column.kind, column.decimals)
    return f"{title}. Largest: {column.header} of {category}, {figure}."


class _Words(dict[str, str]):
    """Words in braces; one that nobody gave stays as it is."""

    def __missing__(self, word: str) -> str:
        return "{" + word + "}"


def _ordered(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    declared = catalogue.table(name)
    present = [str(column) for column in frame.columns]
    for column in present:
        catalogue.column(column)
    ordered = catalogue.in_order(declared.columns, present)
    if strangers := [column for column in present if column not in ordered]:
        msg = f"result table '{name}' has no column {', '.join(strangers)} in answers/tables.csv"
        raise KeyError(msg)
    kept = frame.copy(deep=False) if ordered == present else frame[ordered]  # what a reader does to it is theirs
    below_zero = {name: kept[name] + 0.0 for name in ordered if _holds_minus_zero(kept[name])}
    return kept.assign(**below_zero) if below_zero else kept


def _holds_minus_zero(column: pd.Series[Any]) -> bool:
    if column.dtype.kind != "f":
        return False
    values = column.to_numpy()
    return bool((np.signbit(values) & (values == 0.0)).any())


def _safe(value: Any) -> Any:
    """Text that a spreadsheet would take for a formula is marked as text."""
    return f"'{value}" if isinstance(value, str) and value[:1] in "=+-@" and value[:1] else value


def rows_of(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows of a frame as plain values: dates as text, blanks as None, figures of `_DIGITS` significant digits."""
    shown = frame.copy(deep=False)
    for column in shown.columns:
        if pd.api.types.is_datetime64_any_dtype(shown[column]):
            shown[column] = shown[column].dt.strftime("%Y-%m-%d")
        elif pd.api.types.is_float_dtype(shown[column]):
            shown[column] = shown[column].astype(object).map(_shortened)
    text = shown.to_json(orient="records", double_precision=15, force_ascii=False)
    rows: list[dict[str, Any]] = json.loads(text)
    return rows


def _shortened(figure: float) -> float:
    """The figure without the noise of its last bits."""
    return float(f"{figure:.{_DIGITS}g}")


def joined_answers(answers: Sequence[Answer]) -> Answer:
    """Several answers as one, in their order."""
    tables: dict[str, pd.DataFrame] = {}
    facts: dict[str, str] = {}
    messages: dict[str, str] = {}
    for answer in answers:
        tables |= answer.tables
        facts |= answer.facts
        messages |= answer.messages
    findings = tuple(dict.fromkeys(finding for answer in answers for finding in answer.findings))
    says = tuple(dict.fromkeys(sentence for answer in answers for sentence in answer.says))
    return Answer(tables, findings, says, facts, answers[0].empty if answers else "", messages)
