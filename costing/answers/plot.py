"""Charts of an answer drawn by matplotlib, an optional extra, from the same descriptions as those of the workbook.

What it does not do: choose what is drawn, or compute.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from costing.answers.charts import Chart, is_drawable
from costing.answers.palette import COLOURS, FALL, RISE, TOTAL
from costing.errors import CostingError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PANEL_INCHES = (9.0, 4.6)
_THIN = 0.8


def figure_of(charts: Sequence[tuple[Chart, pd.DataFrame]]) -> Figure:
    """One figure, a panel below another for each chart. charts: each with its table, headers as columns.

    CostingError where matplotlib is not installed, or nothing can be drawn.
    """
    try:
        from matplotlib.figure import Figure
    except ImportError as fault:
        msg = "drawing needs matplotlib: pip install 'cuvee-costing[plot]'"
        raise CostingError(msg) from fault
    drawable = [(chart, chart.part(frame)) for chart, frame in charts if is_drawable(chart, frame)]
    if not drawable:
        msg = "this answer has no chart to draw."
        raise CostingError(msg)
    width, height = PANEL_INCHES
    figure = Figure(figsize=(width, height * len(drawable)), layout="constrained")
    panels = figure.subplots(len(drawable), 1, squeeze=False)[:, 0]
    for axes, (chart, frame) in zip(panels, drawable, strict=True):
        axes.set_prop_cycle(color=[TOTAL, RISE, FALL] if chart.kind == "waterfall" else COLOURS)
        _DRAWN[chart.kind](axes, chart, frame)
        axes.set_title(chart.title, loc="left")
        _name_axes(axes, chart)
    return figure


def _name_axes(axes: Axes, chart: Chart) -> None:
    across, up = axes.xaxis, axes.yaxis
    named, valued = (up, across) if chart.kind == "bar" else (across, up)
    named.set_label_text(chart.category_title)
    valued.set_label_text(chart.value_title)
    percent = "%" in chart.number_format
    valued.set_major_formatter(lambda value, _: f"{value:.0%}" if percent else f"{value:,.10g}")
    if len(chart.shown_series) > 1:
        axes.legend(fontsize="small")
    axes.spines[["top", "right"]].set_visible(False)


def _values(chart: Chart, frame: pd.DataFrame, header: str) -> np.ndarray:
    return np.asarray(pd.to_numeric(frame[header], errors="coerce"), dtype=float)


def _names(chart: Chart, frame: pd.DataFrame) -> list[str]:
    return [str(value) for value in frame[chart.category]]


def _columns(axes: Axes, chart: Chart, frame: pd.DataFrame) -> None:
    where = np.arange(len(frame))
    each = _THIN / len(chart.series)
    for step, header in enumerate(chart.series):
        axes.bar(where + (step + 0.5) * each - _THIN / 2, _values(chart, frame, header), each, label=header)
    _stand_names(axes, where, _names(chart, frame))


def _stacked(axes: Axes, chart: Chart, frame: pd.DataFrame) -> None:
    """Positive parts upwards, negative ones downwards."""
    where = np.arange(len(frame))
    above, below = np.zeros(len(frame)), np.zeros(len(frame))
    for header in chart.series:
        values = np.nan_to_num(_values(chart, frame, header))
        axes.bar(where, values, _THIN, np.where(values < 0.0, below, above), label=header)
        above, below = above + values.clip(min=0.0), below + values.clip(max=0.0)
    _stand_names(axes, where, _names(chart, frame))


def _waterfall(axes: Axes, chart: Chart, frame: pd.DataFrame) -> None:
    where, base = np.arange(len(frame)), np.nan_to_num(_values(chart, frame, chart.series[0]))
    for header in chart.shown_series:
        values = np.nan_to_num(_values(chart, frame, header))
        axes.bar(where, values, _THIN, base, label=header)
        base = base + values
    _stand_names(axes, where, _names(chart, frame))


def _bars(axes: Axes, chart: Chart, frame: pd.DataFrame) -> None:
    where = np.arange(len(frame))
    each = _THIN / len(chart.series)
    for step, header in enumerate(chart.series):
        axes.barh(where + (step + 0.5) * each - _THIN / 2, _values(chart, frame, header), each, label=header)
    axes.set_yticks(where, _names(chart, frame))
    axes.invert_yaxis()


def _lines(axes: Axes, chart: Chart, frame: pd.DataFrame) -> None:
    where = np.arange(len(frame))
    for header in chart.series:
        axes.plot(where, _values(chart, frame, header), marker=".", label=header)
    step = max(len(frame) // 12, 1)
    _stand_names(axes, where[::step], _names(chart, frame)[::step])


def _points(axes: Axes, chart: Chart, frame: pd.DataFrame) -> None:
    for header in chart.series:
        axes.plot(frame[chart.category], _values(chart, frame, header), "o", label=header)


def _stand_names(axes: Axes, where: Any, names: list[str]) -> None:
    axes.set_xticks(where, names, rotation=30 if max(map(len, names), default=0) * len(names) > 80 else 0, ha="right")


_DRAWN: dict[str, Callable[[Axes, Chart, pd.DataFrame], None]] = {
    "column": _columns,
    "stacked column": _stacked,
    "bar": _bars,
    "line": _lines,
    "scatter": _points,
    "waterfall": _waterfall,
}
