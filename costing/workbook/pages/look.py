"""How sheets look: colours, number formats, column widths, for the blank workbook and the result sheets.

Conventions: cells to fill in lie on a warm ground under a slate header; computed cells are white under a
    wine-red header. A dark header means that the column must be filled, a light one that it may stay blank.
    Number formats are those of the file format (ECMA-376 part 1, 18.8.30), which are the same in every
    language. Widths are in characters of the default font (18.3.1.13), with room for a font that runs
    wider.
What it does not do: it writes nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from costing.answers import kinds
from costing.inputs.schema import Column

INK, FAINT = "#2B2B2B", "#6B6B6B"
SLATE, SLATE_LIGHT = "#3D4F5C", "#DCE3E7"
INPUT_GROUND, INPUT_LINE = "#FFFBEF", "#E3DCC8"
WINE, WINE_LIGHT, RESULT_LINE = "#6E3B47", "#F3ECEE", "#D9D0D3"
WARNING_INK = "#9A4B00"
RESULT_TABS = {"front": WINE, "decisions": WINE, "costs": "#A0717C", "stock": "#A0717C", "audit": "#C9BCC0"}
"""Colour of a result tab by its group."""
VERDICT_FILLS = {
    ("hold", "keep", "fill", "pass", "in doubt", "does not pay", "none"): SLATE_LIGHT,
    ("release", "disgorge", "sell", "use", "raise", "buy", "pays", "cheapest"): "#F2E3C9",
    ("differs", "breaks"): "#F4D3C8",
}
"""Fill of what to do by its first word."""
CELL_FORMATS = kinds.NUMBER_FORMATS | {
    "money": "#,##0.00",
    "money4": "#,##0.0000",
    "percent": "0.0%",
    "integer": "#,##0",
}
TAB_COLOURS = {
    "Start": SLATE,
    "Opening": "#A9844F",
    "Grapes and cellar": "#7A8F5A",
    "Costs": "#C08A3E",
    "Sales": "#7FA3B5",
    "Money": "#5F8F88",
    "Trials": "#9C8FA8",
    "Closed years": "#9AA0A4",
}
_NARROWEST, WIDEST, WRAPPED, INDENT, DEFAULT_WIDTH = 9.0, 48.0, 36.0, 1.5, 8.43
_ONE_LINE, _TWO_LINES = 12, 22
_GLYPHS = {
    glyph: width
    for width, glyphs in ((0.5, " 'ijlI.,:;`·"), (0.65, "()[]{}-f!Jtr"), (0.86, "szcLx/\""), (1.0, "0123456789–e"),
                          (1.25, "ADGHNUV"), (1.45, "%&OQw"), (1.77, "mMW@"))
    for glyph in glyphs
}  # fmt: skip
_OTHER, _BOLD, _SLIM = 1.06, 1.03, 0.93
"""Widths of glyphs in Carlito, which are those of Calibri, by that of a digit; measured, in groups, never too small.
Bold ones are as much wider, and no text is narrower than the last of these says.
"""
_CLEAR, _BUTTON = 1.5, 6.0
"""What a header leaves free of its column, so that it does not touch its neighbour; what its filter button and the
space before it take.
"""
_MONEY = ("amount", "price", "cost", "value", "proceeds", "credit", "premium")


def input_format(column: Column) -> str:
    """Return the number format of an input column.

    Percent points stay in the general format: only there does a spreadsheet program note that "1.5%" was
    typed, by giving the cell a percent format, and so tell 1.5 % from 0.015 % (common practice, no
    source).
    """
    if column.type == "date":
        return CELL_FORMATS["date"]
    if column.type == "integer":
        return "0"
    if column.type != "number":
        return "General"
    if column.unit in ("L", "kg") or column.name == "quantity":
        return "#,##0.0"
    if column.unit == "bottles":
        return "#,##0"
    words = column.name.split("_")
    if any(word in words for word in _MONEY):
        return "#,##0.00##" if {"price", "per", "unit"} & set(words) else "#,##0.00"
    return "General"


def text_width(text: str) -> float:
    """Width of a line of text in that of a digit."""
    return sum([_GLYPHS.get(glyph, _OTHER) for glyph in text])


def shown_length(value: Any, number_format: str) -> float:
    """Digits that a cell takes as much room as, under one of the formats of this module."""
    if value is None or (isinstance(value, float) and math.isnan(value)) or value is pd.NaT:
        return 0
    if isinstance(value, str):
        return max(map(text_width, value.split("\n")), default=0)
    is_number = isinstance(value, (int, float, np.integer, np.floating)) and not isinstance(value, bool)
    if not is_number or number_format == CELL_FORMATS["date"]:
        return 10
    number = float(value)
    if number_format == "General":
        return min(len(f"{number:.10g}"), 12)
    number_format = number_format.partition(";")[0]
    decimals = len(number_format.partition(".")[2].rstrip("%"))
    percent = number_format.endswith("%")
    return len(f"{number * (100 if percent else 1):,.{decimals}f}") + percent


def column_width(
    header: str,
    values: Iterable[Any],
    number_format: str,
    *,
    button: bool = True,
    widest: float = WIDEST,
    lines: int = 2,
) -> float:
    """Width that shows numbers whole, text up to `widest`, the header in so many lines (with its button)."""
    longest = _longest(values, number_format)
    aside = _BUTTON if button else 2.5
    shown = longest + 2.0 if number_format == "General" else 1.12 * longest + 2.5
    return min(max(_NARROWEST, shown, _wrapped(header, lines) + aside), widest)


@lru_cache(maxsize=1024)
def clear_width(header: str, width: float, *, button: bool = True) -> float:
    """The width, or the least above it at which no line of the header reaches to the column beside it."""
    aside = _BUTTON if button else 0.0
    while (fullest := max(_lines(header, width - aside, _SLIM)) / _SLIM) + aside + _CLEAR > width:
        width = fullest + aside + _CLEAR
    return width


def heading_lines(header: str) -> int:
    """Lines that a header of a result table is to be set in: short ones in one, long ones in three."""
    return 1 if len(header) <= _ONE_LINE else 2 if len(header) <= _TWO_LINES else 3


def text_lines(text: str, width: float) -> int:
    """Lines that a text takes where it is wrapped in a column of that width."""
    room = max(1.0, width - 0.5)
    return sum(max(1, math.ceil(part / room)) for line in text.split("\n") for part in _lines(line, room, 1.0))


def header_lines(header: str, width: float, *, button: bool = True) -> int:
    """Lines that a wrapped header takes in a column of that width, beside its filter button if it has one."""
    return len(_lines(header, width - (_BUTTON if button else 0.5)))


def _lines(text: str, room: float, weight: float = _BOLD) -> list[float]:
    """Width of each line of a text that is wrapped in so much room. weight: of its glyphs, by that of plain ones."""
    lines: list[float] = []
    for word in text.split():
        needed = weight * text_width(word)
        if lines and (more := lines[-1] + weight * _GLYPHS[" "] + needed) <= room:
            lines[-1] = more
        else:
            lines.append(needed)
    return lines or [0.0]


def _longest(values: Iterable[Any], number_format: str) -> float:
    if number_format not in ("General", CELL_FORMATS["date"]) and isinstance(values, list) and len(values) > 2:
        # With fixed decimals the least and the greatest number are the longest ones.
        numbers = [value for value in values if type(value) is float]
        others = [value for value in values if type(value) is not float]
        values = [*others, *([min(numbers), max(numbers)] if numbers else ())]
    return max((shown_length(value, number_format) for value in set(values)), default=0)


@lru_cache(maxsize=1024)
def _wrapped(header: str, lines: int) -> float:
    """Least width of a line of a header set in that many lines."""
    width = max(_lines(header, 0.0))
    while len(found := _lines(header, width)) > lines:
        width += 0.5
    return max(found)
