"""Seeded human typing habits over an estate's sheets: the same rows as people keep them, in a workbook of their own.

Each habit is one that a spreadsheet invites (common practice, no source): spelling of headers and words, units in
headers and cells, dates and decimal signs as text, totals rows, notes beside tables, titles in merged cells, columns
of one's own, sorted and filtered rows, blank lines, sheets by year. None of them changes what is meant.
"""

from __future__ import annotations

import datetime as dt
import io
import random
import unicodedata
from collections.abc import Mapping
from typing import Any

import pandas as pd
import xlsxwriter

from costing.inputs.schema import Column, sheets

LARGER = {"L": ("hl", 100.0), "kg": ("t", 1000.0)}
NUMERIC = ("number", "integer", "percent")


class Typist:
    """One person's hand: what is typed, cell by cell."""

    def __init__(self, seed: int) -> None:
        self.dice = random.Random(seed)
        self.comma = self.dice.random() < 0.5
        self.done: set[str] = set()

    def has(self, habit: str, chance: float) -> bool:
        """Whether a habit shows here; it is noted."""
        shows = self.dice.random() < chance
        if shows:
            self.done.add(habit)
        return shows

    def workbook(self, frames: Mapping[str, pd.DataFrame]) -> bytes:
        """The estate as this person keeps it."""
        content = io.BytesIO()
        book = xlsxwriter.Workbook(content, {"in_memory": True, "strings_to_numbers": False})
        formats = {"date": book.add_format({"num_format": "dd/mm/yy"}), "%": book.add_format({"num_format": "0.0%"})}
        for name, frame in frames.items():
            if name == "settings":
                self._settings(book, frame, formats)
                continue
            title, dated = sheets()[name].title, "on_date" in frame
            if dated and len(frame) > 4 and self.has("sheets by year", 0.3):
                half = len(frame) // 2
                self._sheet(book, title, name, frame.iloc[:half], formats)
                self._sheet(book, f"{title} 2026", name, frame.iloc[half:], formats)
            else:
                self._sheet(book, title, name, frame, formats)
        book.close()
        return content.getvalue()

    def _settings(self, book: Any, frame: pd.DataFrame, formats: Mapping[str, Any]) -> None:
        sheet = book.add_worksheet("Settings")
        sheet.write_row(0, 0, ["Setting", "Value"])
        told = dict(zip(frame["setting"], frame["value"], strict=True))
        told |= {"Number style": "comma" if self.comma else "point", "Date style": "day first"}
        for row, (setting, value) in enumerate(told.items(), 1):
            sheet.write(row, 0, self._word(setting))
            if isinstance(value, dt.date):
                sheet.write_datetime(row, 1, value, formats["date"])
            elif value is not None and value == value:
                sheet.write(row, 1, value)

    def _sheet(self, book: Any, title: str, name: str, frame: pd.DataFrame, formats: Mapping[str, Any]) -> None:
        sheet, columns = book.add_worksheet(title), [sheets()[name].column(column) for column in frame.columns]
        if self.has("columns in another order", 0.3):
            self.dice.shuffle(columns)
        rows = list(range(len(frame)))
        if self.has("sorted rows", 0.3):
            rows.sort(key=lambda row: str(frame[columns[0].name].iloc[row]))
        own = self.dice.randrange(len(columns) + 1) if self.has("own column", 0.3) else None
        top = self.dice.randrange(1, 4) if self.has("title above", 0.3) else 0
        if top:
            sheet.merge_range(0, 0, 0, max(len(columns) - 1, 1), f"{title} of our house")
        larger = {column.name: self._unit(column) for column in columns}
        places = [position + (own is not None and position >= own) for position in range(len(columns))]
        for position, column in zip(places, columns, strict=True):
            sheet.write(top, position, self._header(column, larger[column.name][0]))
        if own is not None:
            sheet.write(top, own, "Who wrote it")
        line = top + 1
        for row in rows:
            if self.has("blank line", 0.01):
                line += 1
            for position, column in zip(places, columns, strict=True):
                typed = self._typed(column, frame[column.name].iloc[row], larger[column.name])
                _write(sheet, line, position, typed, formats)
            if own is not None:
                sheet.write(line, own, "Anna")
            if self.has("hidden by a filter", 0.05):
                sheet.set_row(line, None, None, {"hidden": True})
            line += 1
        self._around(sheet, frame, columns, places, (top, line), larger)

    def _around(
        self,
        sheet: Any,
        frame: pd.DataFrame,
        columns: list[Column],
        places: list[int],
        edges: tuple[int, int],
        larger: Any,
    ) -> None:
        """A totals row, and notes beside the table."""
        top, line = edges
        summed = [at for at, one in enumerate(columns) if one.type == "number" and one.unit in ("L", "kg", "bottles")]
        worded = [at for at, one in enumerate(columns) if one.type in ("code", "text", "choice")]
        if summed and worded and self.has("totals row", 0.4):
            label = self.dice.choice(["Total", "TOTAL", "Somme", "Summe", "Totale", "total:"])
            sheet.write(line, places[worded[0]], label)
            for at in summed:
                column = columns[at]
                sheet.write(line, places[at], float(frame[column.name].sum()) / larger[column.name][1])
        if self.has("note beside", 0.3):
            sheet.write(top + 2, max(places) + 3, "ask Paul about this one")

    def _unit(self, column: Column) -> tuple[str, float]:
        if column.unit in LARGER and column.type == "number" and self.has("larger unit", 0.4):
            return LARGER[column.unit]
        return column.unit, 1.0

    def _header(self, column: Column, unit: str) -> str:
        text = self._word(column.header)
        if not unit:
            return text
        return f"{text} [{unit}]" if self.has("square brackets", 0.2) else f"{text} ({unit})"

    def _word(self, text: str) -> str:
        """A header or a word of a list, in another spelling that is plainly the same."""
        if self.has("capitals", 0.1):
            text = text.upper()
        if self.has("no accents", 0.1):
            text = "".join(sign for sign in unicodedata.normalize("NFD", text) if not unicodedata.combining(sign))
        return text

    def _name(self, text: str) -> str:
        """A name, with the blanks that nobody sees."""
        if " " in text and self.has("two blanks", 0.05):
            text = text.replace(" ", self.dice.choice(["  ", "\u00a0"]), 1)
        return f"{text} " if self.has("blank at the end", 0.05) else text

    def _typed(self, column: Column, value: Any, unit: tuple[str, float]) -> Any:
        """What is typed for a value of a column whose figures stand in a unit; None for an empty cell."""
        if value is None or value != value or value is pd.NaT:
            return None
        if column.type == "date":
            day = value.to_pydatetime()
            if not self.has("date as text", 0.15):
                return day
            return f"{day:%d}{(sign := self.dice.choice('./-'))}{day:%m}{sign}{day:%Y}"
        if column.type == "percent" and self.has("shown as a percentage", 0.1):
            return Percentage(float(value))
        if column.type in NUMERIC:
            return self._figure(float(value) / unit[1], unit[0])
        if column.type == "choice":
            return self._word(str(value)) if column.name != "unit" else str(value)
        return self._name(str(value))

    def _figure(self, figure: float, unit: str) -> float | str:
        """A figure as a number or, with the person's own signs, as text."""
        if not self.has("number as text", 0.15):
            return figure
        text = f"{figure:,.9f}".rstrip("0").rstrip(".").replace(",", " " if self.comma else "")
        text = text.replace(".", ",") if self.comma else text
        return f"{text} {unit}" if unit in ("hl", "L") and self.has("unit in the cell", 0.3) else text


class Percentage(float):
    """Percent points that stand in the cell as a fraction, shown as a percentage."""


def _write(sheet: Any, row: int, position: int, typed: Any, formats: Mapping[str, Any]) -> None:
    """Put what was typed into a cell."""
    if isinstance(typed, str):
        sheet.write_string(row, position, typed)
    elif isinstance(typed, dt.datetime):
        sheet.write_datetime(row, position, typed, formats["date"])
    elif isinstance(typed, Percentage):
        sheet.write_number(row, position, typed / 100.0, formats["%"])
    elif typed is not None:
        sheet.write_number(row, position, typed)
