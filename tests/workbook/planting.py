"""Faults planted into a filled workbook by changing the bytes of its parts: quick, and nothing else moves."""

from __future__ import annotations

import html
import io
import random
import re
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from costing.inputs.headers import read_headers, sheet_name
from costing.inputs.schema import Column, sheets
from costing.workbook.file.package import read_package
from costing.workbook.file.sheets import read_book
from costing.workbook.read import read_workbook

Parts = dict[str, bytes]
_NAMED = {"lot", "cuvee", "terms", "channel"}
_NUMBERS = ("number", "integer", "percent")


@dataclass(frozen=True)
class FilledSheet:
    """An input sheet: its title, its part, the column of each letter, and the rows with their values."""

    name: str
    title: str
    part: str
    columns: Mapping[str, Column]
    rows: tuple[int, ...]
    values: Mapping[tuple[str, int], Any]

    @property
    def header_row(self) -> int:
        return min(self.rows) - 1


@dataclass(frozen=True)
class Planted:
    """A fault: its kind, and the place that a finding must name (empty where none must)."""

    kind: str
    place: str


def filled_sheets(content: bytes) -> list[FilledSheet]:
    """Every input sheet of the workbook with at least one row."""
    book = read_book(read_package(content, "demo.xlsx"))
    found = []
    for table in read_workbook(content):
        name = sheet_name(table.sheet)[0]
        tab = book.sheet(table.sheet)
        assert tab
        headings = dict(zip(table.letters, read_headers(sheets()[name], list(table.letters)), strict=True))
        columns = {table.letters[header]: one.column for header, one in headings.items() if one.column}
        rows = tuple(int(number) for number in table.row_numbers)
        values = {
            (table.letters[header], row): None if pd.isna(value) else value
            for header in table.frame
            for row, value in zip(rows, table.frame[header].astype(object), strict=True)
        }
        if rows:
            found.append(FilledSheet(name, table.sheet, tab.part, columns, rows, values))
    return found


def parts_of(content: bytes) -> Parts:
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def packed(parts: Parts) -> bytes:
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", zipfile.ZIP_STORED) as archive:
        for name, part in parts.items():
            archive.writestr(name, part)
    return content.getvalue()


def text_cell(text: str) -> str:
    return f' t="inlineStr"><is><t xml:space="preserve">{html.escape(text)}</t></is></c>'


def number_cell(number: float) -> str:
    return f"><v>{number!r}</v></c>"


BLANK = "/>"
TRUTH = ' t="b"><v>1</v></c>'
NEVER_CALCULATED = "><f>1+1</f></c>"


def with_cell(xml: bytes, place: str, cell: str, *, style: str | None = "") -> bytes:
    """Content of a sheet with one cell replaced; style: "" keeps the cell's own, None drops it."""
    found = re.search(rb'<c r="%s"((?: [a-z]+="[^"]*")*)\s*(?:/>|>.*?</c>)' % place.encode(), xml, re.DOTALL)
    assert found, place
    own = re.search(rb' s="\d+"', found[1])
    kept = own[0].decode() if own and style == "" else style or ""
    return xml[: found.start()] + f'<c r="{place}"{kept}{cell}'.encode() + xml[found.end() :]


def with_new_cell(xml: bytes, place: str, cell: str) -> bytes:
    """Content of a sheet with one cell more, at the end of a row that is there."""
    row = re.search(r"\d+", place)
    assert row
    found = re.search(rb'<row r="%s"[^>]*>.*?(?=</row>)' % row[0].encode(), xml, re.DOTALL)
    assert found, place
    return xml[: found.end()] + f'<c r="{place}"{cell}'.encode() + xml[found.end() :]


Kind = Callable[[random.Random, Column, Any, set[str]], str | None]


def _text_for_number(_: random.Random, column: Column, __: Any, ___: set[str]) -> str | None:
    return text_cell("twelve") if column.type in _NUMBERS else None


def _other_number_style(_: random.Random, column: Column, __: Any, ___: set[str]) -> str | None:
    return text_cell("1.234,5") if column.type in _NUMBERS else None


def _text_for_date(_: random.Random, column: Column, __: Any, ___: set[str]) -> str | None:
    return text_cell("at harvest") if column.type == "date" else None


def _impossible_date(_: random.Random, column: Column, __: Any, ___: set[str]) -> str | None:
    return text_cell("2024-02-30") if column.type == "date" else None


def _short_year(_: random.Random, column: Column, __: Any, ___: set[str]) -> str | None:
    return text_cell("03/04/24") if column.type == "date" else None


def _below_least(choose: random.Random, column: Column, _: Any, __: set[str]) -> str | None:
    if column.lower is None or column.type not in _NUMBERS:
        return None
    return number_cell(column.lower - choose.choice([0.001, 1.0, 5000.0]))


def _above_most(choose: random.Random, column: Column, _: Any, __: set[str]) -> str | None:
    if column.upper is None or column.type not in _NUMBERS:
        return None
    return number_cell(column.upper + choose.choice([0.001, 1.0, 5000.0]))


def _broken_integer(_: random.Random, column: Column, __: Any, ___: set[str]) -> str | None:
    return number_cell(2024.5) if column.type == "integer" else None


def _not_in_the_list(_: random.Random, column: Column, __: Any, ___: set[str]) -> str | None:
    return text_cell("nonsense") if column.type == "choice" and column.choices else None


def _unknown_name(_: random.Random, column: Column, __: Any, ___: set[str]) -> str | None:
    return text_cell("NOBODY-KNOWS") if _refers(column) else None


def _refers(column: Column) -> bool:
    """Whether a name must be known: one that may be new is right by itself, and wrong where it is used."""
    return column.refers in _NAMED and not column.introduces


def _misspelt_name(choose: random.Random, column: Column, value: Any, known: set[str]) -> str | None:
    if not _refers(column) or not isinstance(value, str) or len(value) < 4:
        return None
    place = choose.randrange(len(value))
    wrong = value[:place] + value[place + 1 :]
    return text_cell(wrong) if wrong not in known else None


def _error_value(choose: random.Random, _: Column, __: Any, ___: set[str]) -> str | None:
    text = choose.choice(["#N/A", "#REF!", "#DIV/0!", "#VALUE!", "#NAME?"])
    formula = choose.choice(["", "<f>VLOOKUP(1,Z1:Z2,1)</f>"])
    return f' t="e">{formula}<v>{text}</v></c>'


def _never_calculated(_: random.Random, __: Column, ___: Any, ____: set[str]) -> str | None:
    return NEVER_CALCULATED


def _truth(_: random.Random, column: Column, __: Any, ___: set[str]) -> str | None:
    return TRUTH if column.type in (*_NUMBERS, "date", "code") else None


def _blank(_: random.Random, column: Column, value: Any, __: set[str]) -> str | None:
    return BLANK if column.required and value is not None and not column.default else None


def _infinite(_: random.Random, column: Column, __: Any, ___: set[str]) -> str | None:
    return text_cell("1e999") if column.type in _NUMBERS else None


CELL_FAULTS: dict[str, Kind] = {
    "text for a number": _text_for_number,
    "number in the other style": _other_number_style,
    "text for a date": _text_for_date,
    "day that isn't": _impossible_date,
    "year of two digits": _short_year,
    "below the least": _below_least,
    "above the most": _above_most,
    "broken whole number": _broken_integer,
    "word not in the list": _not_in_the_list,
    "unknown name": _unknown_name,
    "misspelt name": _misspelt_name,
    "error value": _error_value,
    "formula never calculated": _never_calculated,
    "TRUE": _truth,
    "required cell blank": _blank,
    "infinite number": _infinite,
}


def plant_cells(
    choose: random.Random, parts: Parts, filled: list[FilledSheet], count: int, known: set[str]
) -> list[Planted]:
    """Change `count` cells in different rows, each in one way; return what was planted."""
    planted: list[Planted] = []
    rows: set[tuple[str, int]] = set()
    grounds = [one for one in filled if one.name != "settings"]
    while len(planted) < count:
        kind = choose.choice(list(CELL_FAULTS))
        # The kind first, then a cell that can take it: rare kinds are as frequent as those that fit anywhere.
        cell = None
        while cell is None:
            sheet = choose.choice(grounds)
            row, letter = choose.choice(sheet.rows), choose.choice(list(sheet.columns))
            if (sheet.name, row) not in rows:
                cell = CELL_FAULTS[kind](choose, sheet.columns[letter], sheet.values[letter, row], known)
        rows.add((sheet.name, row))
        parts[sheet.part] = with_cell(parts[sheet.part], f"{letter}{row}", cell)
        planted.append(Planted(kind, f"{sheet.title}!{letter}{row}"))
    return planted
