"""Neutral charts -> native charts of an XlsxWriter workbook.

Conventions: colours in a fixed order; both axes named; type large enough to be read when a page is printed; the value
axis in the number format of the chart; legend below, and none where one series says what the axis says already.
The values that a chart draws are stored with it.

What it does not do: it decides nothing about what is drawn.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import pandas as pd

from costing.answers.charts import Chart
from costing.answers.palette import COLOURS, FALL, RISE, TOTAL
from costing.inputs.raw import column_letter
from costing.workbook.pages import look
from costing.workbook.pages.cells import cell_values

CHART_POINTS, CHART_COLUMNS, GAP = 255.0, 8, 2.0
CHART_CHARACTERS = GAP + 8.43 * CHART_COLUMNS
"""Height of a chart, columns that it stands in, width of the column before it, and of all of them in characters."""
_SIZE = {"width": 500, "height": 325}
_STEP_COLOURS = (COLOURS[0], TOTAL, RISE, FALL)
"""Colours of a waterfall, after its invisible base."""
_TYPE = 11  # points: 7 are left where a page is printed as small as it may be
_PIXELS = 96 / 72  # in a point
_TYPES = {
    "column": {"type": "column"},
    "stacked column": {"type": "column", "subtype": "stacked"},
    "bar": {"type": "bar"},
    "line": {"type": "line"},
    "scatter": {"type": "scatter"},
    "waterfall": {"type": "column", "subtype": "stacked"},
}


@dataclass(frozen=True, eq=False)
class ChartedTable:
    """A table that charts may draw: its sheet, its first row of data (counted from 0), its rows, its frame."""

    sheet: str
    first: int
    rows: int
    frame: pd.DataFrame

    def cell(self, header: str, row: int) -> str:
        """Cell of a column in a row of the sheet, counted from 0."""
        return f"{column_letter(list(self.frame.columns).index(header))}{row + 1}"

    def area(self, header: str) -> str:
        """All cells of a column, with the sheet."""
        sheet, last = self.sheet.replace("'", "''"), self.first + self.rows - 1
        return f"'{sheet}'!{self.cell(header, self.first)}:{self.cell(header, last)}"


def draw_chart(workbook: Any, worksheet: Any, chart: Chart, table: ChartedTable, place: tuple[int, int, float]) -> None:
    """Insert a chart of a table. place: row and column of the corner, and how many points below that row it begins."""
    sheet, first, rows, frame = table.sheet, table.first, table.rows, table.frame
    drawing = workbook.add_chart(_TYPES[chart.kind])
    headers, header_row = list(frame.columns), first - 1
    date_1904 = bool(getattr(workbook, "date_1904", False))
    if chart.rows is not None:
        first, rows = first + chart.rows[0], chart.rows[1]
        frame = chart.part(frame)

    def area(header: str) -> list[Any]:
        column = headers.index(header)
        return [sheet, first, column, first + rows - 1, column]

    for count, header in enumerate(chart.series):
        colours = _STEP_COLOURS if chart.kind == "waterfall" else COLOURS
        colour = colours[count % len(colours)]
        series: dict[str, Any] = {
            "name": [sheet, header_row, headers.index(header)],
            "categories": area(chart.category),
            "values": area(header),
            "categories_data": _stored(frame[chart.category], date_1904),
            "values_data": _stored(frame[header], date_1904),
        }
        if chart.kind == "waterfall" and count == 0:
            series |= {"fill": {"none": True}, "border": {"none": True}}
        elif chart.kind in ("line", "scatter"):
            series |= {"line": {"color": colour, "width": 2}, "marker": _marker(colour)}
        else:
            series |= {"fill": {"color": colour}, "border": {"none": True}, "gap": 60}
            series |= {"overlap": 100} if _TYPES[chart.kind].get("subtype") else {}
        drawing.add_series(series)
    drawing.set_title({"name": chart.title, "overlay": False, "name_font": {"size": 12, "color": look.INK}})
    _set_axes(drawing, chart, frame)
    hidden = [0] if chart.kind == "waterfall" else []
    alone = len(chart.shown_series) == 1
    drawing.set_legend(
        {"none": True} if alone else {"position": "bottom", "delete_series": hidden, "font": {"size": _TYPE}}
    )
    drawing.set_size(_SIZE)
    drawing.show_blanks_as("span" if chart.kind == "scatter" else "gap")
    drawing.show_hidden_data()
    row, column, points = place
    options = {"object_position": 2, "description": chart.message or chart.title, "x_offset": 5}
    options["y_offset"] = round(points * _PIXELS) + 5
    worksheet.insert_chart(row, column, drawing, options)


def _set_axes(drawing: Any, chart: Chart, frame: pd.DataFrame) -> None:
    font = {"size": _TYPE, "color": look.INK}
    titled = {"name_font": {"size": _TYPE, "bold": False, "color": look.FAINT}, "num_font": font}
    line = {"color": look.RESULT_LINE}
    category: dict[str, Any] = {"name": chart.category_title, **titled, "line": line}
    if pd.api.types.is_datetime64_any_dtype(frame[chart.category]):
        category |= {"num_format": look.CELL_FORMATS["date"]}
        category |= {} if chart.kind == "scatter" else {"date_axis": True}
    elif chart.kind != "scatter":
        category |= {"label_position": "low"}
    value: dict[str, Any] = {
        "name": chart.value_title,
        **titled,
        "num_format": chart.number_format,
        "line": {"none": True},
        "major_gridlines": {"visible": True, "line": {"color": look.RESULT_LINE, "width": 0.5}},
    }
    # A bar means its length, so the axis begins at nought unless something lies below it; a waterfall is about its
    # steps, so that its axis begins below the lowest of them, and says so.
    if chart.kind == "waterfall" and (least := _below_steps(chart, frame)):
        value |= {"min": least, "name": f"{chart.value_title} (axis begins at {least:,g})"}
    elif chart.kind not in ("line", "scatter") and not (frame[list(chart.series)].min() < 0).any():
        value |= {"min": 0}
    if chart.number_format.endswith("%") and (drawn := _highest(chart, frame)) <= 1.005 and drawn > 0.9:
        value |= {"max": 1}  # parts of a whole, rounded each, end at the whole
    if chart.kind == "bar":
        # XlsxWriter calls the lying axis x. Reversed, the first row is on top; then the values would be, too.
        drawing.set_x_axis({**value, "label_position": "high"})
        drawing.set_y_axis({**category, "reverse": True, "interval_unit": 1})
    else:
        drawing.set_x_axis(category)
        drawing.set_y_axis(value)


def _below_steps(chart: Chart, frame: pd.DataFrame) -> float:
    """A round figure below the steps of a waterfall; 0 where they reach down to the ground, or nearly so."""
    base, *heights = (pd.to_numeric(frame[name], errors="coerce") for name in chart.series)
    top = (base + pd.concat(heights, axis=1).sum(axis=1)).max()
    low = base[base != 0].min()
    if not low > 0.5 * top:
        return 0.0
    unit = 10.0 ** math.floor(math.log10(top))
    return float(math.floor((low - 0.3 * (top - low)) / unit * 10) / 10 * unit)


def _highest(chart: Chart, frame: pd.DataFrame) -> float:
    shown = frame[list(chart.shown_series)].apply(pd.to_numeric, errors="coerce")
    is_stack = bool(_TYPES[chart.kind].get("subtype"))
    return float((shown.sum(axis=1) if is_stack else shown.max(axis=1)).max())


def _marker(colour: str) -> dict[str, Any]:
    return {"type": "circle", "size": 5, "fill": {"color": colour}, "border": {"color": colour}}


def _stored(values: pd.Series[Any], date_1904: bool) -> list[Any]:
    """Values as the chart keeps them: numbers (days of the workbook's date system), texts, or an empty text."""
    if pd.api.types.is_datetime64_any_dtype(values):
        return ["" if day is None else day for day in cell_values(values, "date", date_1904=date_1904)]
    return [_stored_value(value) for value in values.astype(object).tolist()]


def _stored_value(value: Any) -> Any:
    if value is None or value != value:
        return ""
    return int(value) if isinstance(value, float) and value.is_integer() else value
