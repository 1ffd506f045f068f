"""Charts as data: which columns of a result table are drawn, as what, with which words on the axes.

Rule: a chart draws a table that exists already; nothing is computed here. Who draws it (the workbook
writer, the report) reads the same description, so every chart is the same figure twice.

Conventions: axis titles carry their units ("EUR per bottle"). Number formats are those of spreadsheets. A
waterfall is a stack whose first series is the invisible base that the steps stand on, so its table holds
that base as a column. A bar chart lies on its side, first row on top.

What it does not do: it knows no drawing library and no colours.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

CHART_KINDS = ("column", "stacked column", "bar", "line", "scatter", "waterfall")


@dataclass(frozen=True, slots=True)
class Chart:
    """One chart of one table.

    kind: one of `CHART_KINDS`; table: name of the result table; category: its column along the category axis
    (of numbers or dates for `scatter`); series: its columns that are drawn, for `waterfall` the invisible
    base first. category_title, value_title: words on the axes, with units; number_format: of the value
    axis; rows: first row and number of rows that it draws (None: all); message: what it shows, with its figure;
    sheet: on which it stands.
    """

    kind: str
    title: str
    table: str
    category: str
    series: tuple[str, ...]
    category_title: str
    value_title: str
    number_format: str = "#,##0.00"
    rows: tuple[int, int] | None = None
    message: str = ""
    sheet: str = ""

    def __post_init__(self) -> None:
        """Refuse a description that nobody could draw."""
        if self.kind not in CHART_KINDS:
            msg = f"no chart of kind '{self.kind}'; kinds are {', '.join(CHART_KINDS)}"
            raise ValueError(msg)
        least = 2 if self.kind == "waterfall" else 1
        if len(self.series) < least or not self.value_title or not self.title:
            msg = f"chart '{self.title}' needs a title, a title of its value axis and {least} series or more"
            raise ValueError(msg)

    @property
    def shown_series(self) -> tuple[str, ...]:
        """Series that are seen: all, less the base of a waterfall."""
        return self.series[1:] if self.kind == "waterfall" else self.series

    def part(self, frame: pd.DataFrame) -> pd.DataFrame:
        """The rows that it draws."""
        return frame if self.rows is None else frame.iloc[self.rows[0] : sum(self.rows)]


def is_drawable(chart: Chart, frame: pd.DataFrame) -> bool:
    """Whether the chart would show anything: some row has a category and a number in a series that is seen.

    KeyError where the frame lacks a column of the chart.
    """
    frame = chart.part(frame)
    named, series = frame[chart.category].notna().to_numpy(), frame[list(dict.fromkeys(chart.shown_series))]
    return any(bool((named & pd.to_numeric(series[name], errors="coerce").notna().to_numpy()).any()) for name in series)
