"""What a cell of an input sheet accepts, as data validation of the spreadsheet program.

Rule: closed lists, dates and bounds of the schema are enforced as the loader enforces them. A name that
should exist already is questioned and may be kept, since the row that introduces it may come later. A
column that may introduce a name offers the known ones and questions nothing.

Conventions: ECMA-376 part 1, 18.3.1.32 (`dataValidation`); a formula is accepted where its result is.

What it does not do: pasted cells are not checked by spreadsheet programs; the loader checks every cell.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

from costing.inputs.schema import Column, Sheet, settings
from costing.workbook.blank.lists import source_of

_FIRST_DAY, _LAST_DAY = dt.date(1900, 1, 1), dt.date(2200, 12, 31)
_LARGEST = 1e12


def check_column(worksheet: Any, position: int, last_row: int, sheet: Sheet, column: Column) -> None:
    """Add the validation of a schema column to rows 2 to last_row + 1 of an XlsxWriter worksheet."""
    if sheet.name != "settings":
        _check(worksheet, (1, position, last_row, position), column)


def check_setting(worksheet: Any, row: int, title: str) -> None:
    """Add the validation of one setting to its value, the second cell of its row; a row of no setting gets none."""
    setting = next((known for known in settings().values() if known.title == title), None)
    if setting:
        _check(worksheet, (row, 1, row, 1), setting)


def _check(worksheet: Any, area: tuple[int, int, int, int], column: Column) -> None:
    source = source_of(column)
    rule: dict[str, Any] | None
    if column.choices:
        rule = _closed(source, column.header)
    elif source:
        rule = {
            "validate": "list",
            "source": source,
            "error_type": "warning",
            "error_title": "Not known yet",
            "error_message": "It is not in the list. Check the spelling; keep it if it is new.",
            "show_error": not column.introduces,
        }
    else:
        rule = _bounded(column.type, column.title, column.lower, column.upper)
    if rule and column.words:  # a word may stand instead, in any of the languages: warned of, not refused
        rule |= {"error_type": "warning", "error_message": f"{rule['error_message']} Or: {', '.join(column.words)}."}
    if rule:
        worksheet.data_validation(*area, {"ignore_blank": True, **rule})


def _closed(source: str, header: str) -> dict[str, Any]:
    return {
        "validate": "list",
        "source": source,
        "error_title": "Not in the list",
        "error_message": f"Choose one of the words in the list ({header}).",
    }


def _bounded(kind: str, title: str, lower: float | None, upper: float | None) -> dict[str, Any] | None:
    if kind == "date":
        return {
            "validate": "date",
            "criteria": "between",
            "minimum": _FIRST_DAY,
            "maximum": _LAST_DAY,
            "error_title": "Not a date",
            "error_message": "Enter a date, such as 2024-09-12.",
        }
    if kind not in ("number", "integer", "percent"):
        return None
    least = -_LARGEST if lower is None else lower
    most = _LARGEST if upper is None else upper
    what = "a whole number" if kind == "integer" else "a number"
    limits = " and ".join(
        f"{words} {bound:g}" for words, bound in (("at least", lower), ("at most", upper)) if bound is not None
    )
    return {
        "validate": "integer" if kind == "integer" else "decimal",
        "criteria": "between",
        "minimum": least,
        "maximum": most,
        "error_title": "Out of bounds" if limits else "Not a number",
        "error_message": f"{title}: enter {what}{', ' if limits else ''}{limits}.",
    }
