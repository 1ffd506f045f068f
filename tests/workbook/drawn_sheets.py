"""Result sheets drawn from a seed: every kind of column, short and long texts, totals, links, formulas and charts."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from costing.answers.charts import CHART_KINDS, Chart
from costing.workbook.pages import look
from costing.workbook.pages.result_sheet import ResultSheet, ResultTable

ROWS = (3, 0, 1, 12, 30, 52, 61, 75, 140)
GROUPS = ("decisions", "costs", "front", "audit", "stock")
_WORDS = (
    "racking",
    "wine",
    "reserve of the house",
    "Amblencourt",
    "hold",
    "release in two years or never",
    "a",
    "per L",
)
_FIGURES = (0.0, 0.5, 12.5, -3.25, 1234567.891, 99.999, None, 1e-3, -250000.0, 42.0)


def _text(dice: random.Random, longest: int) -> str:
    return " ".join(dice.choice(_WORDS) for _ in range(dice.randint(1, longest)))


def _cell(dice: random.Random, kind: str, longest: int) -> Any:
    if dice.random() < 0.15:
        return None
    if kind == "date":
        return pd.Timestamp("2024-01-01") + pd.Timedelta(days=dice.randint(0, 900))
    if kind == "place":
        return dice.choice(("Movements!F17", "Costs!4", "Deliveries", "=x", "it's own!B2"))
    if kind == "verdict":
        return dice.choice([word for words in look.VERDICT_FILLS for word in words]) + " " + _text(dice, longest)
    if kind in look.kinds.TEXTS:
        return _text(dice, longest)
    if kind == "percent":
        return dice.choice((0.0, 0.125, 1.0, None, 0.5))
    return dice.choice(_FIGURES)


def _table(dice: random.Random, name: str, rows: int) -> ResultTable:
    kinds = ["text", *dice.choices([*look.CELL_FORMATS], k=dice.choice((2, 5, 9, 14)))]
    longest = dice.choice((1, 3, 12))
    headers, cells = [], {}
    for number, kind in enumerate(kinds):
        header = f"{_text(dice, 4)} {number}".capitalize()
        headers.append(header)
        values = [_cell(dice, kind, longest if number else 2) for _ in range(rows)]
        dtype = "datetime64[s]" if kind == "date" else object if kind in look.kinds.TEXTS else "float64"
        cells[header] = pd.Series(values, dtype=dtype)
    frame, formats = pd.DataFrame(cells), dict(zip(headers, kinds, strict=True))
    figures = [header for header in headers[1:] if formats[header] not in look.kinds.TEXTS | {"date"}]
    formulas = {figures[0]: [f"{{|{figures[-1]}}}+1"] * rows} if figures and dice.random() < 0.3 else {}
    links = {header: header for header in headers if formats[header] == "place"}
    totals = tuple(figures[: dice.randint(0, 3)])
    shown = dice.choice((0, 0, max(2, len(headers) // 2)))
    return ResultTable(name, frame, formats, totals, links, dice.choice(("", _text(dice, 4))), shown, formulas)


def _charts(dice: random.Random, tables: Sequence[ResultTable]) -> list[Chart]:
    charts = []
    for kind in dice.sample(CHART_KINDS, dice.choice((0, 1, 2))):
        table = tables[0]
        figures = [header for header, of in table.formats.items() if of not in look.kinds.TEXTS | {"date"}]
        days = [header for header, of in table.formats.items() if of == "date"]
        category = days[0] if days else (figures[-1] if kind == "scatter" and figures else next(iter(table.formats)))
        if len(figures) >= 2:
            form = dice.choice(("#,##0.00", "0.0%"))
            rows = dice.choice((None, (1, 2)))
            series = tuple(figures[: dice.choice((2, 3))])
            charts.append(Chart(kind, f"{kind} of {table.name}", table.name, category, series, "On", "EUR", form, rows))
    return charts


def drawn_sheets(seed: int) -> list[ResultSheet]:
    """Some result sheets, one of each group and one without a table."""
    dice = random.Random(seed)
    sheets = [ResultSheet("Nothing", "Nothing", says=(_text(dice, 30),))]
    for number, group in enumerate(GROUPS):
        tables = [
            _table(dice, f"t{seed}_{number}_{place}", dice.choice(ROWS)) for place in range(dice.choice((1, 1, 2, 3)))
        ]
        whole = tables[0].frame.columns[-1]
        for place, table in enumerate(tables[1:], 1):
            more = {header: [f"{one}-SUM({{{tables[0].name}|{whole}}})" for one in formulas]
                    for header, formulas in table.formulas.items()}  # fmt: skip
            tables[place] = replace(table, formulas=more)
        texts = [tuple(_text(dice, dice.choice((3, 20, 60))) for _ in range(dice.randint(0, 4))) for _ in "ab"]
        charts = tuple(_charts(dice, tables))
        title = f"Sheet {group}'s"
        sheets.append(
            ResultSheet(title, title, texts[0], tuple(tables), charts, group, hidden=dice.random() < 0.2, says=texts[1])
        )
    return sheets


def charted() -> list[ResultSheet]:
    """A sheet of charts of every kind over small figures that stand apart from nought, below it and at a whole."""
    ways = {
        "near": [90.0, 95.0, 99.0],
        "far": [1.0, 50.0, 99.0],
        "below": [-5.0, 10.0, np.nan],
        "parts": [0.5, 0.3, 0.1],
        "more": [0.5, 0.5, 0.905],
        "steps": [5.0, 5.0, 3.0],
    }
    names, days = ["one", "two", None], pd.date_range("2025-01-01", periods=3)
    frame = pd.DataFrame({"Name": names, "Day": days, **ways})
    table = ResultTable("charted", frame, {"Day": "date", **dict.fromkeys(ways, "number")})
    pairs = [("near", "steps"), ("far", "steps"), ("below", "far"), ("parts", "more"), ("more", "parts"), ("far",)]
    charts = [
        Chart(kind, f"{kind} {'+'.join(series)} {by}", "charted", by, series, "On", "EUR", form, message=message)
        for kind in CHART_KINDS
        for series, form, message in zip(pairs, ["#,##0"] * 3 + ["0.0%"] * 2 + ["0%"], ["", "x"] * 3, strict=True)
        for by in ("Name", "Day")
        if len(series) > (kind == "waterfall") and (kind != "scatter" or by == "Day")
    ]
    return [ResultSheet("Charts", "Charts", tables=(table,), charts=tuple(charts), group="costs")]
