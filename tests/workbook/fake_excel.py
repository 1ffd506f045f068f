"""An Excel of the tests' own: an xlwings engine over cells in memory.

It stands for what Excel does that the live link leans on, from memory of Excel's behaviour, since none runs
here: values set as if typed (a number, truth or formula in a text counts as such unless an apostrophe comes
first), links that outlive a cell's content, rows put in inside a table, tables that can't be resized with their
totals row on, under another header row, or over one another. Formulas: SUBTOTAL and HYPERLINK are calculated,
any other shows an empty text. Excel refuses calls while a cell is edited (`App.busy`); xlwings 0.37.8
(`_xlwindows.py`) makes a refused call again, `N_COM_ATTEMPTS` times, or for ever where that is 0, as it is at first.
"""

from __future__ import annotations

import datetime as dt
import itertools
import os
import re
import sys
from collections.abc import Iterator
from types import ModuleType, SimpleNamespace
from typing import Any

import xlwings

Place = tuple[int, int]
FOR_EVER = 100_000
_numbers = itertools.count(1_000_000_000 + 1_000 * os.getpid())  # other runs of the tests share the temporary folder


def windows_module() -> ModuleType:
    """What the link touches of the module by which xlwings reaches Excel on Windows."""
    module: Any = ModuleType("xlwings._xlwindows")
    module.N_COM_ATTEMPTS = 0
    module.cleanup = lambda: print("other processes of Excel are ended")
    return module


class Engine:
    """What `xlwings.Engine(impl=...)` asks for."""

    name = "excel of the tests"
    type = "desktop"

    def __init__(self, *books: Book) -> None:
        self.app = App(list(books))
        self.app.engine = self
        for book in books:
            book.app = self.app
        self.apps = [self.app] if books else []

    @staticmethod
    def prepare_xl_data_element(value: Any, _: Any) -> Any:
        return value

    @staticmethod
    def clean_value_data(data: Any, *_: Any) -> Any:
        return [[None if cell == "" else cell for cell in row] for row in data]


class App:
    version = "16.0"

    def __init__(self, books: list[Book]) -> None:
        self.books = Collection(books)
        self.engine: Any = None
        self.pid = next(_numbers)
        self.busy = 0.0
        """How many calls will be refused."""
        self._modes: dict[str, Any] = {"screen_updating": True, "calculation": "automatic"}

    def call(self) -> None:
        """One call, as xlwings makes it."""
        attempts = sys.modules["xlwings._xlwindows"].N_COM_ATTEMPTS
        for attempt in range(1, FOR_EVER):
            if self.busy <= 0:
                return
            self.busy -= 1
            if attempts and attempt >= attempts:
                raise OSError(-2147418111, "Call was rejected by callee.\nmore")
        msg = "xlwings tries for ever"
        raise AssertionError(msg)

    @property
    def screen_updating(self) -> bool:
        return self._modes["screen_updating"]

    @screen_updating.setter
    def screen_updating(self, value: bool) -> None:
        self.call()
        self._modes["screen_updating"] = value

    @property
    def calculation(self) -> str:
        self.call()
        return self._modes["calculation"]

    @calculation.setter
    def calculation(self, value: str) -> None:
        self.call()
        assert value in ("automatic", "manual", "semiautomatic")
        self._modes["calculation"] = value

    def activate(self, steal_focus: bool = False) -> None:
        assert not steal_focus


class Collection:
    """A collection of xlwings: by number from 1 or by name."""

    def __init__(self, items: list[Any]) -> None:
        self.items = items

    def __call__(self, key: Any) -> Any:
        if isinstance(key, int):
            return self.items[key - 1]
        return next(item for item in self.items if item.name == key)

    def __len__(self) -> int:
        return len(self.items)

    def __iter__(self) -> Iterator[Any]:
        return iter(self.items)

    def __contains__(self, key: Any) -> bool:
        return any(item.name == key for item in self.items)


class Sheets(Collection):
    def __init__(self, book: Book, items: list[Any]) -> None:
        super().__init__(items)
        self.book = book
        self.active = items[0]

    def add(self, before: Any, after: Sheet, name: str) -> Sheet:
        assert before is None
        sheet = Sheet(self.book, name)
        self.items.insert(self.items.index(after) + 1, sheet)
        self.active = sheet
        return sheet


class Book:
    def __init__(self, fullname: str, *names: str) -> None:
        self._fullname = fullname
        self.name = fullname.rpartition("/")[2]
        self.app: Any = None
        self.api = SimpleNamespace()
        self.sheets = Sheets(self, [Sheet(self, name) for name in names])
        self.saved = 0

    @property
    def fullname(self) -> str:
        """Path, or the fault of xlwings where an address of the web leads to no folder of this computer."""
        if "://" in self._fullname:
            raise xlwings.XlwingsError("Couldn't find the local OneDrive folder")
        return self._fullname

    @fullname.setter
    def fullname(self, value: str) -> None:
        self._fullname = value

    def activate(self) -> None:
        """The tests look at the sheet in front alone."""

    def save(self, *_: Any) -> None:
        self.saved += 1


class Names(Collection):
    def snapshot(self) -> list[tuple[str, Any]]:
        return [(item.name, item) for item in self.items]

    def add(self, name: str, refers_to: str) -> Any:
        self.items.append(SimpleNamespace(name=f"'Sheet'!{name}", refers_to=refers_to, api=SimpleNamespace()))
        return self.items[-1]


class Tables(Collection):
    def __init__(self, sheet: Sheet) -> None:
        super().__init__([])
        self.sheet = sheet

    def add(self, *, source: Any, name: str, has_headers: bool, **_: Any) -> Table:
        assert has_headers
        area = source.impl
        table = Table(self.sheet, name, area.row, area.column, *area.shape)
        assert all(other.name != name for sheet in self.sheet.book.sheets for other in sheet.tables), "name taken"
        table.check_alone()
        for column in range(table.column, table.column + table.width):
            self.sheet.values.setdefault((table.row, column), f"Column{column}")
        self.items.append(table)
        return table


class Table:
    def __init__(self, sheet: Sheet, name: str, row: int, column: int, height: int, width: int) -> None:
        self.sheet, self.name = sheet, name
        self.row, self.column, self.height, self.width = row, column, height, width
        self.show_headers, self.totals, self._style = True, False, "TableStyleMedium2"

    @property
    def table_style(self) -> str:
        return self._style

    @table_style.setter
    def table_style(self, value: str) -> None:
        assert isinstance(value, str), "Excel knows no style of that name; an empty name is none"
        self._style = value

    @property
    def range(self) -> Range:
        return Range(self.sheet, self.row, self.column, self.height, self.width)

    @property
    def show_totals(self) -> bool:
        return self.totals

    @show_totals.setter
    def show_totals(self, value: bool) -> None:
        if value != self.totals:
            self.height += 1 if value else -1
            self.totals = value
            self.check_alone()

    def resize(self, area: Any) -> None:
        new = area.impl
        assert not self.totals, "a table with totals can't be resized"
        assert new.row == self.row, "the header row must stay"
        self.column, (self.height, self.width) = new.column, new.shape
        self.check_alone()

    def check_alone(self) -> None:
        for other in self.sheet.tables:
            apart = self.row + self.height <= other.row or other.row + other.height <= self.row
            assert other is self or apart, f"{self.name} overlaps {other.name}"


class Sheet:
    def __init__(self, book: Book, name: str) -> None:
        self.book, self.name = book, name
        self.values: dict[Place, Any] = {}
        self.formulas: dict[Place, str] = {}
        self.formats: dict[Place, str] = {}
        self.links: set[Place] = set()
        self.sizes: dict[str, float] = {}
        self.fonts: dict[Place, Any] = {}
        self.fills: dict[Place, Any] = {}
        self.wrapped: dict[Place, Any] = {}
        self.tables = Tables(self)
        self.names = Names([])
        self.api = SimpleNamespace()

    def activate(self) -> None:
        self.book.sheets.active = self

    @property
    def used_range(self) -> Range:
        places = [*self.values, *self.formulas, *self.formats] or [(1, 1)]
        rows, columns = zip(*places, strict=True)
        return Range(self, min(rows), min(columns), max(rows) - min(rows) + 1, max(columns) - min(columns) + 1)

    def range(self, first: Any, last: Any = None) -> Range:
        if isinstance(first, str):
            top, bottom = map(int, first.split(":"))
            return Range(self, top, 1, bottom - top + 1, 16_384)
        if isinstance(first, Range):
            first = (first.row, first.column)
        if isinstance(last, Range):
            last = (last.row, last.column)
        last = last or first
        return Range(self, first[0], first[1], last[0] - first[0] + 1, last[1] - first[1] + 1)

    def type(self, place: Place, value: Any) -> None:
        """Set a cell as Excel does with what is typed or assigned."""
        if self.book.app:
            self.book.app.call()
        self.values.pop(place, None)
        self.formulas.pop(place, None)
        if value is None or value == "":
            return
        if isinstance(value, str):
            if value.startswith("'"):
                value = value[1:]
            elif value.startswith("="):
                self.formulas[place] = value
                return
            elif value.casefold() in ("true", "false"):
                value = value.casefold() == "true"
            elif re.fullmatch(r"[+-]?\d+([.,]\d+)?%?", value):
                value = float(value.rstrip("%").replace(",", "."))
            elif re.fullmatch(r"\d{1,2}[-/]\d{1,2}", value):
                value = dt.datetime(2025, 1, 2)
        self.values[place] = value

    def value(self, place: Place) -> Any:
        formula = self.formulas.get(place)
        if formula is None:
            return self.values.get(place)
        total = re.fullmatch(r"=SUBTOTAL\(109,([A-Z]+)(\d+):\1(\d+)\)", formula)
        if total:
            column = ord(total[1]) - 64
            cells = [self.value((row, column)) for row in range(int(total[2]), int(total[3]) + 1)]
            return sum(cell for cell in cells if isinstance(cell, float))
        label = re.fullmatch(r'=HYPERLINK\("[^"]*","((?:[^"]|"")*)"\)', formula)
        return label[1].replace('""', '"') if label else ""

    def move_rows(self, first: int, count: int) -> None:
        """Put rows in before `first`, or take them out from there on."""

        def moved(row: int) -> int | None:
            if count < 0 and first <= row < first - count:
                return None
            return row + count if row >= first else row

        for kept in (self.values, self.formulas, self.formats, self.fonts, self.fills, self.wrapped):
            old = dict(kept)
            kept.clear()
            kept |= {(new, column): value for (row, column), value in old.items() if (new := moved(row)) is not None}
        self.links = {(new, column) for row, column in self.links if (new := moved(row)) is not None}
        for table in self.tables:
            last = table.row + table.height - 1
            assert count > 0 or not first <= table.row < first - count, "a header row is deleted"
            if first <= table.row:
                table.row += count
            elif first <= last:
                table.height += count
                if count > 0:
                    for row in range(first, first + count):
                        for (above, column), form in list(self.formats.items()):
                            if above == first - 1:
                                self.formats[row, column] = form


class Range:
    max_cells_per_read = max_cells_per_write = None

    def __init__(self, sheet: Sheet, row: int, column: int, height: int, width: int) -> None:
        self.sheet, self.row, self.column, self.shape = sheet, row, column, (height, width)
        self.options: Any = {}
        self.api = True

    def __len__(self) -> int:
        return self.shape[0] * self.shape[1]

    def __call__(self, row: int, column: int) -> Range:
        return Range(self.sheet, self.row + row - 1, self.column + column - 1, 1, 1)

    def places(self) -> list[list[Place]]:
        rows = range(self.row, self.row + self.shape[0])
        return [[(row, column) for column in range(self.column, self.column + self.shape[1])] for row in rows]

    @property
    def raw_value(self) -> Any:
        return [[self.sheet.value(place) for place in row] for row in self.places()]

    @raw_value.setter
    def raw_value(self, data: Any) -> None:
        for row, cells in zip(self.places(), data, strict=True):
            for place, value in zip(row, cells, strict=True):
                self.sheet.type(place, value)

    @property
    def formula(self) -> Any:
        rows = [[self.sheet.formulas.get(p, _shown(self.sheet.values.get(p))) for p in row] for row in self.places()]
        return rows[0][0] if len(self) == 1 else tuple(map(tuple, rows))

    @formula.setter
    def formula(self, data: Any) -> None:
        self.raw_value = [[data]] if isinstance(data, str) else data

    def _set(self, kept: dict[Place, Any], value: Any) -> None:
        for row in self.places():
            kept |= dict.fromkeys(row, value)

    @property
    def number_format(self) -> str | None:
        found = {self.sheet.formats.get(place, "General") for row in self.places() for place in row}
        return found.pop() if len(found) == 1 else None

    @number_format.setter
    def number_format(self, value: str) -> None:
        self._set(self.sheet.formats, value)

    @property
    def font(self) -> Any:
        kept: Any = SimpleNamespace()
        self._set(self.sheet.fonts, kept)
        return kept

    def __setattr__(self, name: str, value: Any) -> None:
        if name in ("column_width", "row_height"):
            self.sheet.sizes[f"{name} {self.row} {self.column}"] = value
        elif name in ("color", "wrap_text"):
            self._set(self.sheet.fills if name == "color" else self.sheet.wrapped, value)
        else:
            super().__setattr__(name, value)

    def clear_contents(self) -> None:
        for row in self.places():
            for place in row:
                self.sheet.type(place, None)

    def clear(self) -> None:
        self.clear_contents()
        for row in self.places():
            self.sheet.links -= set(row)
            for place in row:
                for kept in (self.sheet.formats, self.sheet.fonts, self.sheet.fills, self.sheet.wrapped):
                    kept.pop(place, None)

    def insert(self, shift: str, _: str) -> None:
        assert (shift, self.shape[1]) == ("down", 16_384)
        self.sheet.move_rows(self.row, self.shape[0])

    def delete(self, shift: str) -> None:
        assert (shift, self.shape[1]) == ("up", 16_384)
        self.sheet.move_rows(self.row, -self.shape[0])


def fill(sheet: Sheet, rows: list[list[Any]]) -> None:
    """Type rows from A1 on."""
    for row, cells in enumerate(rows, 1):
        for column, cell in enumerate(cells, 1):
            sheet.type((row, column), cell)


def add_table(sheet: Sheet, name: str, first: Place, last: Place) -> Table:
    """Make a table of cells."""
    return sheet.tables.add(source=SimpleNamespace(impl=sheet.range(first, last)), name=name, has_headers=True)


def _shown(value: Any) -> str:
    return "" if value is None else str(value)
