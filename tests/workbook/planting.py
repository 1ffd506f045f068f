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
from costing.workbook.package import read_package
from costing.workbook.read import read_workbook
from costing.workbook.sheets import read_book

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


def _pick(choose: random.Random, filled: list[FilledSheet], *names: str) -> FilledSheet:
    return choose.choice([one for one in filled if one.name in names])


def _header(choose: random.Random, parts: Parts, filled: list[FilledSheet], new: Callable[[str], str]) -> str:
    sheet = choose.choice(filled)
    required = [letter for letter, column in sheet.columns.items() if column.required]
    letter = choose.choice(required)
    place = f"{letter}{sheet.header_row}"
    cell = new(sheet.columns[letter].header)
    parts[sheet.part] = with_cell(parts[sheet.part], place, text_cell(cell) if cell else BLANK)
    return sheet.title


def _header_gone(choose: random.Random, parts: Parts, filled: list[FilledSheet]) -> str:
    return _header(choose, parts, filled, lambda _: "")


def _header_misspelt(choose: random.Random, parts: Parts, filled: list[FilledSheet]) -> str:
    return _header(choose, parts, filled, lambda header: header[:-1] if len(header) > 4 else header + "xx")


def _row_over_the_next(choose: random.Random, parts: Parts, filled: list[FilledSheet]) -> str:
    """A row typed over its neighbour: one row twice, another gone."""
    sheet = _pick(choose, filled, "movements", "disgorgements", "tirage", "pressings", "deliveries", "dispatches")
    row = choose.choice(sheet.rows[:-1])
    xml = parts[sheet.part]
    for letter in sheet.columns:
        source = re.search(rb'<c r="%s%d"([^>]*?)(/>|>.*?</c>)' % (letter.encode(), row), xml, re.DOTALL)
        assert source
        xml = with_cell(xml, f"{letter}{row + 1}", (source[1] + source[2]).decode(), style=None)
    parts[sheet.part] = xml
    return ""


def _new_name_misspelt(choose: random.Random, parts: Parts, filled: list[FilledSheet]) -> str:
    """Where a lot, cuvée, channel or terms code is first named: every row that uses it says so."""
    sheets_with = [one for one in filled if any(column.introduces for column in one.columns.values())]
    sheet = choose.choice(sheets_with)
    letter = choose.choice([letter for letter, column in sheet.columns.items() if column.introduces])
    places = [row for row in sheet.rows if isinstance(sheet.values[letter, row], str)]
    if not places:
        return _dates_swapped(choose, parts, filled)
    wrong = text_cell("NOBODY-KNOWS")
    parts[sheet.part] = with_cell(parts[sheet.part], f"{letter}{choose.choice(places)}", wrong)
    return ""


def _dates_swapped(choose: random.Random, parts: Parts, filled: list[FilledSheet]) -> str:
    sheet = _pick(choose, filled, "movements", "disgorgements", "tirage", "dispatches", "stocktakes")
    letter = next(letter for letter, column in sheet.columns.items() if column.name == "on_date")
    one, two = choose.sample(sheet.rows, 2)
    xml = parts[sheet.part]
    cells = []
    for row in (one, two):
        found = re.search(rb'<c r="%s%d"[^>]*>(.*?)</c>' % (letter.encode(), row), xml, re.DOTALL)
        assert found
        cells.append(f">{found[1].decode()}</c>")
    xml = with_cell(xml, f"{letter}{one}", cells[1])
    parts[sheet.part] = with_cell(xml, f"{letter}{two}", cells[0])
    return ""


def _overdrawn(choose: random.Random, parts: Parts, filled: list[FilledSheet]) -> str:
    """A hundred times what was there: some row must break, this one or a later one of the same lot."""
    wanted = {"movements": "out_l", "disgorgements": "bottles_in", "dispatches": "bottles", "tirage": "wine_l"}
    sheet = _pick(choose, filled, *wanted)
    letter = next(letter for letter, column in sheet.columns.items() if column.name == wanted[sheet.name])
    rows = [row for row in sheet.rows if isinstance(sheet.values[letter, row], float)]
    if not rows:
        return _dates_swapped(choose, parts, filled)
    row = choose.choice(rows)
    amount = number_cell(100.0 * sheet.values[letter, row] + 1e6)
    parts[sheet.part] = with_cell(parts[sheet.part], f"{letter}{row}", amount)
    return "!"


def _text_number(choose: random.Random, parts: Parts, filled: list[FilledSheet]) -> str:
    """A number as a text in the declared style: read, and the run goes through."""
    sheet = _pick(choose, filled, "movements", "deliveries", "dispatches")
    letters = [letter for letter, column in sheet.columns.items() if column.type == "number"]
    places = [(letter, row) for letter in letters for row in sheet.rows if isinstance(sheet.values[letter, row], float)]
    letter, row = choose.choice(places)
    cell = text_cell(f"{sheet.values[letter, row]:,}")
    parts[sheet.part] = with_cell(parts[sheet.part], f"{letter}{row}", cell)
    return ""


def _renamed(parts: Parts, old: str, new: str) -> None:
    xml = parts["xl/workbook.xml"].decode()
    assert f'name="{old}"' in xml
    parts["xl/workbook.xml"] = xml.replace(f'name="{old}"', f'name="{new}"').encode()


def _sheet_copied(choose: random.Random, parts: Parts, _: list[FilledSheet]) -> str:
    title = choose.choice(["Movements (2)", "Dispatches copy", "Tirage_2"])
    _renamed(parts, "Recipes", title)
    return title


def _sheet_misspelt(choose: random.Random, parts: Parts, _: list[FilledSheet]) -> str:
    title = choose.choice(["Movments", "Operation rate", "Deliverys"])
    _renamed(parts, {"M": "Movements", "O": "Operation rates", "D": "Deliveries"}[title[0]], title)
    return title


def _setting_wrong(choose: random.Random, parts: Parts, filled: list[FilledSheet]) -> str:
    sheet = next(one for one in filled if one.name == "settings")
    wrong = {"Valuation date": "soon", "Default split method": "by eye", "Ageing step (months)": "a few"}
    name = choose.choice(list(wrong))
    row = next(row for row in sheet.rows if sheet.values["A", row] == name)
    parts[sheet.part] = with_cell(parts[sheet.part], f"B{row}", text_cell(wrong[name]))
    return f"Settings!B{row}"


def _stray_cell(choose: random.Random, parts: Parts, filled: list[FilledSheet]) -> str:
    sheet = choose.choice(filled)
    stray = b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData>'
    parts[sheet.part] = parts[sheet.part].replace(b"</sheetData>", stray)
    return f"{sheet.title}!XFD1048576"


SHEET_FAULTS: dict[str, Callable[[random.Random, Parts, list[FilledSheet]], str]] = {
    "header gone": _header_gone,
    "header misspelt": _header_misspelt,
    "row twice, another gone": _row_over_the_next,
    "dates swapped": _dates_swapped,
    "new name misspelt": _new_name_misspelt,
    "overdrawn": _overdrawn,
    "number as text": _text_number,
    "sheet copied": _sheet_copied,
    "title misspelt": _sheet_misspelt,
    "setting wrong": _setting_wrong,
    "stray cell": _stray_cell,
}


def plant_in_sheet(choose: random.Random, parts: Parts, filled: list[FilledSheet]) -> Planted:
    """Plant one fault that is more than a wrong cell; what a finding's place must begin with, `!` for any."""
    kind = choose.choice(list(SHEET_FAULTS))
    return Planted(kind, SHEET_FAULTS[kind](choose, parts, filled))
