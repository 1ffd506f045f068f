"""Faults planted into a filled workbook that are more than a wrong cell: headers, rows, sheets, own columns."""

from __future__ import annotations

import random
import re
from collections.abc import Callable

from costing.inputs.raw import column_letter
from costing.workbook.file.scan import column_number
from tests.workbook.planting import (
    BLANK,
    NEVER_CALCULATED,
    FilledSheet,
    Parts,
    Planted,
    number_cell,
    text_cell,
    with_cell,
    with_new_cell,
)


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


def _beside(choose: random.Random, sheet: FilledSheet) -> str:
    """A column of the user's own: right beside the table, or further off."""
    last = max(column_number(letter) for letter in sheet.columns)
    return column_letter(last + choose.choice([0, 1, 5]))


def _formula_without_value(choose: random.Random, parts: Parts, filled: list[FilledSheet]) -> str:
    """As any program that does not calculate saves it, in a cell that is not read."""
    sheet = choose.choice(filled)
    cell = choose.choice([NEVER_CALCULATED, "><f>1+1</f><v></v></c>", "><f>1+1</f><v/></c>", "><v></v></c>"])
    place = f"{_beside(choose, sheet)}{choose.choice(sheet.rows)}"
    parts[sheet.part] = with_new_cell(parts[sheet.part], place, cell)
    return ""


def _helper_column_error(choose: random.Random, parts: Parts, filled: list[FilledSheet]) -> str:
    sheet = choose.choice(filled)
    letter = _beside(choose, sheet)
    xml = with_new_cell(parts[sheet.part], f"{letter}{sheet.header_row}", text_cell("of my own"))
    for row in choose.sample(sheet.rows, min(3, len(sheet.rows))):
        xml = with_new_cell(xml, f"{letter}{row}", f' t="e"><f>1/0</f><v>{choose.choice(["#N/A", "#DIV/0!"])}</v></c>')
    parts[sheet.part] = xml
    return ""


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
    "formula without a value": _formula_without_value,
    "error in a helper column": _helper_column_error,
}


def plant_in_sheet(choose: random.Random, parts: Parts, filled: list[FilledSheet]) -> Planted:
    """Plant one fault that is more than a wrong cell; what a finding's place must begin with, `!` for any."""
    kind = choose.choice(list(SHEET_FAULTS))
    return Planted(kind, SHEET_FAULTS[kind](choose, parts, filled))
