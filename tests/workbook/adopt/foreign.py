"""Seeded workbooks as estates keep them: the demo's rows under headers, units, words and layouts of their own.

A layout draws, by sheet: names for title and headers in one language, an order of columns, lines above the headers, a
blank column, units in brackets or in a row of their own, hectolitres and tonnes, a spreadsheet table or none, dates as
dates or texts, decimal commas in texts, words in the language, columns and sheets of the estate's own, a totals row.
"""

from __future__ import annotations

import io
import random
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache
from typing import Any

import pandas as pd
import xlsxwriter

from costing.inputs.frames import frames_of
from costing.inputs.schema import Column, Sheet, sheets
from costing.inputs.translations import LANGUAGES, header_spellings, names_of, plain, title_spellings
from costing.packaged import packaged_rows
from costing.workbook.adopt.understand import linkable
from tests.form import chosen

REMARK = {"en": "Remarks", "fr": "Remarques", "de": "Bemerkung", "es": "Observaciones", "it": "Note"}
TOTAL = {"en": "Total", "fr": "Total", "de": "Summe", "es": "Total", "it": "Totale"}
LARGER = {"L": ("hl", 100.0), "kg": ("t", 1000.0)}


@dataclass(frozen=True)
class Layout:
    """How one estate keeps its books."""

    language: str
    seed: int


_LAYOUTS = chosen(full=4, short=1)
LAYOUTS = tuple(Layout(language, seed) for language in LANGUAGES for seed in range(_LAYOUTS))


def kept_frames(estate: Any) -> dict[str, pd.DataFrame]:
    """Tables of an estate that a person keeps under names of their own: filled columns that have translations."""
    found = {}
    for name, frame in frames_of(estate).items():
        if name in linkable() and name != "channels":  # most of their terms are this library's own
            sheet = sheets()[name]
            known = [one for one in frame.columns if names_of("column", one, name) and frame[one].notna().any()]
            known = [one for one in known if one != "currency"]  # whose rate stands on Channels
            if all(one.name in known for one in sheet.columns if one.required):
                found[name] = frame[known]
    return found


def foreign_book(frames: Mapping[str, pd.DataFrame], layout: Layout) -> bytes:
    """A workbook of these tables in a layout."""
    draw = random.Random(f"{layout.language} {layout.seed}")
    content = io.BytesIO()
    book = xlsxwriter.Workbook(content, {"in_memory": True, "strings_to_numbers": False, "strings_to_formulas": False})
    names = [*frames]
    draw.shuffle(names)
    commas = draw.random() < 0.5
    for name in names:
        _write(book, sheets()[name], frames[name], layout.language, draw, commas=commas)
    own = book.add_worksheet(
        {"en": "Wages", "fr": "Salaires", "de": "Lohnliste", "es": "Nóminas", "it": "Paghe"}[layout.language]
    )
    own.write_row(0, 0, ["A", "B"])
    own.write_formula(1, 0, "=1+1", None, 2)
    own.insert_textbox(3, 1, "kept")
    book.close()
    return content.getvalue()


def _title(sheet: Sheet, language: str, draw: random.Random) -> str:
    known = [one for one in _in(language, "sheet", sheet.name) if title_spellings().get(plain(one)) == sheet.name]
    title = draw.choice(known or [sheet.title])
    return f"{title} 2025"[:31] if draw.random() < 0.3 else title


def _in(language: str, of: str, name: str, sheet: str = "") -> list[str]:
    from costing.inputs.translations import _rows

    rows = [row for row in _rows() if (row["of"], row["name"]) == (of, name) and row["sheet"] in ("", sheet)]
    own = [row for row in rows if row["sheet"]] or rows
    return [one for row in own for one in row[language].split("|") if one]


def _header(sheet: Sheet, column: Column, language: str, draw: random.Random) -> str:
    """A name that means this column and no other of the sheet, but for one that the unit tells apart."""
    spellings = header_spellings(sheet.name)
    twins = {one.name for one in sheet.columns if one.header == column.header}
    own = [one for one in _in(language, "column", column.name, sheet.name) if set(spellings[plain(one)]) <= twins]
    return draw.choice(own or [column.header])


def _write(book: Any, sheet: Sheet, frame: pd.DataFrame, language: str, draw: random.Random, *, commas: bool) -> None:
    columns = [sheet.column(name) for name in frame.columns]
    draw.shuffle(columns)
    page = book.add_worksheet(_title(sheet, language, draw))
    above, left = draw.randint(0, 4), draw.randint(0, 1)
    two_rows, is_table = draw.random() < 0.4, draw.random() < 0.35
    texts = draw.random() < 0.3
    if above:
        page.write_string(0, left, "Domaine inventé")
    if above > 2:
        page.write_string(1, left + 1, "2025")
    headers, factors = [], {}
    for column in columns:
        unit = column.unit
        if unit in LARGER and draw.random() < 0.5:
            unit, factors[column.name] = LARGER[unit]
        headers.append((_header(sheet, column, language, draw), unit))
    date_form = book.add_format({"num_format": "dd/mm/yyyy"})
    first = above + 1 + (two_rows and not is_table)
    for place, (header, unit) in enumerate(headers, left):
        if two_rows and not is_table:
            page.write_string(above, place, header)
            page.write_string(above + 1, place, unit)
        else:
            page.write_string(above, place, f"{header} ({unit})" if unit else header)
    page.write_string(first - 1, left + len(columns), REMARK[language])
    for row, values in enumerate(frame[[one.name for one in columns]].itertuples(index=False), first):
        for place, (column, value) in enumerate(zip(columns, values, strict=True), left):
            shown = _typed(column, value, language, factors.get(column.name, 1.0), texts=texts, commas=commas)
            if isinstance(shown, (date, datetime)):
                page.write_datetime(row, place, shown, date_form)
            elif shown is not None:
                page.write(row, place, shown)
    last = first + len(frame) - 1
    if is_table:
        names = [f"{header} ({unit})" if unit else header for header, unit in headers]
        names.append(REMARK[language])
        if len({one.casefold() for one in names}) == len(names):
            described = [{"header": name} for name in names]
            page.add_table(above, left, last, left + len(columns), {"columns": described, "style": None})
    elif draw.random() < 0.5:
        page.write_string(last + 1, left + len(columns), TOTAL[language])


@cache
def in_language(of: str, name: str, language: str) -> str:
    """First translation of a word or unit in one language; blank where there is none."""
    rows = packaged_rows("costing.inputs.schema", "translations")
    found = [row for row in rows if (row["of"], row["name"], row["sheet"]) == (of, name, "")]
    return next((row[language].split("|")[0] for row in found), "")


def _typed(column: Column, value: Any, language: str, factor: float, *, texts: bool, commas: bool) -> Any:
    if value is None or pd.isna(value):
        return None
    if isinstance(value, (pd.Timestamp, datetime)):
        return f"{value:%d.%m.%Y}" if texts else value.to_pydatetime()
    if isinstance(value, (int, float)):
        number = value / factor
        return f"{number:.15g}".replace(".", ",") if texts and commas and number != int(number) else number
    word = in_language("word", str(value), language) if column.choices or column.refers == "element" else ""
    if column.name == "unit":
        word = in_language("unit", str(value), language)
    return word or str(value)
