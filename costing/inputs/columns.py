"""One column of raw cells -> one typed column and the faults in it.

Each part of a column (numbers, dates, texts, TRUE/FALSE) is read as a whole, and every distinct text is read
once. Conventions: a text number follows the declared number style and a text date the declared date style; a
date with a four-digit year in front is read the same under every style; percentages arrive in percent points
and leave as fractions; names are stripped and inner runs of spaces become one; whole numbers in a column of
names are text without a decimal part. Nothing is guessed: what does not read under the declared style is a
fault that shows the other reading.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from costing.array_types import Flags, Floats
from costing.errors import nearest
from costing.inputs.cells import Cells, any_begins, fold, number_text, take_apart
from costing.inputs.headers import factors
from costing.inputs.schema import Column, lists, operations
from costing.inputs.translations import spellings

ERROR_TEXTS = frozenset(
    (
        *("#N/A", "#REF!", "#NAME?", "#VALUE!", "#DIV/0!", "#NUM!", "#NULL!", "#SPILL!", "#CALC!", "#FIELD!"),
        *("#BLOCKED!", "#CONNECT!", "#GETTING_DATA"),
    )
)
_ERRORS_BEGIN = ("#", "e")
FIRST_YEAR, LAST_YEAR = 1900, 2200
_SERIAL_ZERO = date(1899, 12, 30)
_DECIMAL_SIGN = {"point": ".", "comma": ","}
_TIME = r"(?:[T ]\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?Z?)?"
_YEAR_FIRST = re.compile(rf"(\d{{4}})([-/. ])(\d{{1,2}})\2(\d{{1,2}}){_TIME}")
_YEAR_LAST = re.compile(rf"(\d{{1,2}})([-/. ])(\d{{1,2}})\2(\d{{4}}){_TIME}")
_NUMBER_AND_UNIT = re.compile(r"([+-−]? ?\d[\d .,'’]*?) ?([^\W\d_eE][^\d]*|[%€$£°].*|[eE][^\d+-][^\d]*)")
NO_UNITS: Mapping[str, float] = {}
_SHORT_YEAR = re.compile(r"\d{1,2}[-/. ]\d{1,2}[-/. ]\d{2}")


GREATEST = 1e15  # a spreadsheet keeps fifteen digits; a few such figures multiplied still are numbers


@dataclass(frozen=True, slots=True)
class Styles:
    """How numbers and dates that are written as text are read."""

    number_style: str = "point"
    date_style: str = "day first"


@dataclass(frozen=True, slots=True)
class Fault:
    """Cells of one column that break one rule: positions in the column, the rule and the remedy."""

    rows: NDArray[np.intp]
    rule: str
    remedy: str


def read_number(text: str, style: str) -> tuple[float, str]:
    """Text -> (number, "") under number style `point` or `comma`, or (NaN, what is wrong, both readings)."""
    signs = text.replace("−", "-")
    number = _reading(signs, _DECIMAL_SIGN[style])
    if number is not None:
        return number, ""
    other = "comma" if style == "point" else "point"
    number = _reading(signs, _DECIMAL_SIGN[other])
    if number is None:
        return math.nan, "is not a number."
    return (
        math.nan,
        f"is not a number with a decimal {style}; with a decimal {other} it is {number_text(number)}.",
    )


def _reading(text: str, decimal_sign: str) -> float | None:
    grouping = "," if decimal_sign == "." else "."
    whole = rf"(\d+|\d{{1,3}}([ '’{grouping}])\d{{3}}(\2\d{{3}})*)"
    shape = rf"[+-]? ?{whole}?({re.escape(decimal_sign)}\d*)?([eE][+-]?\d+)?"
    if not re.fullmatch(shape, text) or not any(sign.isdigit() for sign in text):
        return None
    number = float(re.sub(rf"[ '’{grouping}]", "", text).replace(decimal_sign, "."))
    return number if math.isfinite(number) else None


def read_date(text: str, style: str) -> tuple[date | None, str]:
    """Text -> (date, "") under date style `day first`, `month first` or `year first`, or (None, why not)."""
    match = _YEAR_FIRST.fullmatch(text)
    if match:
        day = _calendar(int(match[1]), int(match[3]), int(match[4]))
        return day, "" if day else "is not a day of the calendar."
    match = _YEAR_LAST.fullmatch(text)
    if not match:
        short = "has a year of two digits." if _SHORT_YEAR.fullmatch(text) else "is not a date."
        return None, _serial_reading(text) or short
    first, second, year = int(match[1]), int(match[3]), int(match[4])
    readings = {"day first": _calendar(year, second, first), "month first": _calendar(year, first, second)}
    if readings.get(style):
        return readings[style], ""
    shown = " and ".join(f"{order} it is {day}" for order, day in readings.items() if day)
    if not shown:
        return None, "is not a day of the calendar."
    return None, f"is not a date with the {style}; with the {shown.replace('and ', 'and with the ')}."


def _calendar(year: int, month: int, day: int) -> date | None:
    try:
        return date(year, month, day)
    except ValueError:
        return None


def _serial_reading(text: str) -> str:
    number = _reading(text, ".")
    if number is None:
        return ""
    return f"is a number, not a date{serial_hint(number)}."


def serial_hint(number: float) -> str:
    """Say which date a number would be as a spreadsheet's day number; empty if that is no likely date."""
    first, last = (date(year, 1, 1) - _SERIAL_ZERO for year in (1950, LAST_YEAR))
    if not first.days <= number < last.days:
        return ""
    return f"; as a spreadsheet's day number it would be {_SERIAL_ZERO + timedelta(days=int(number))}"


def _spread(cells: Cells, faulty: dict[int, tuple[str, str]]) -> list[Fault]:
    """Faults of distinct texts -> the rows that hold them."""
    if cells.codes is None or not faulty:
        return []
    rows_at_fault = [(np.flatnonzero(cells.codes == code), *reason) for code, reason in faulty.items()]
    return [Fault(rows, rule, remedy) for rows, rule, remedy in rows_at_fault if len(rows)]


def _sorts(cells: Cells, expected: str, *, dates: str = "") -> list[Fault]:
    """Faults of cells that are of the wrong sort altogether."""
    faults = []
    if cells.flags is not None and cells.flags.any():
        faults.append(Fault(np.flatnonzero(cells.flags), f"is not {expected}.", f"Enter {expected}."))
    if dates and cells.dates is not None:
        rows = np.flatnonzero(~np.isnat(cells.dates))
        if len(rows):
            faults.append(Fault(rows, f"is a date, not {expected}.", dates))
    return faults


def _error_text(text: str) -> tuple[str, str] | None:
    if text[:1].lower() in _ERRORS_BEGIN and (text in ERROR_TEXTS or re.fullmatch(r"Err:\d{3}", text)):
        return "is an error, not a value.", "Mend the formula, or type the value."
    return None


Read = tuple[NDArray[Any], list[Fault]]


def numbers(
    cells: Cells,
    style: str,
    factor: float = 1.0,
    units: Mapping[str, float] = NO_UNITS,
    words: Collection[str] = (),
) -> Read:
    """Column of numbers × `factor` (the header's unit). A text such as "150 hl" or "12 %" is read where its unit is
    one of `units`: what one of each is in the schema's unit. One of `words` stands for all that is left: infinity.
    """
    if words and cells.codes is not None:
        rest = np.append([fold(text) in words for text in cells.texts], False)[cells.codes].astype(bool)
        values, faults = numbers(replace(cells, codes=np.where(rest, -1, cells.codes)), style, factor, units)
        return np.where(rest, np.inf, values), faults
    values = np.full(cells.size, np.nan) if cells.numbers is None else cells.numbers * factor
    faults = _sorts(cells, "a number", dates="Type the number again and format the cell as a number.")
    if cells.codes is not None:
        read, faulty = _text_numbers(cells.texts, style, factor, units)
        rows = np.flatnonzero(cells.codes >= 0)
        values[rows] = read[cells.codes[rows]]
        faults += _spread(cells, faulty)
    beyond = np.flatnonzero(np.abs(values) > GREATEST)
    if len(beyond):
        values[beyond] = np.nan
        faults.append(Fault(beyond, "is beyond any figure of an estate.", "Enter the number again."))
    return values, faults


def _text_numbers(
    texts: Sequence[str], style: str, factor: float, units: Mapping[str, float]
) -> tuple[Floats, dict[int, tuple[str, str]]]:
    plain = [text if style == "point" else text.replace(".", "?").replace(",", ".") for text in texts]
    read = pd.to_numeric(pd.Series(plain, dtype=object), errors="coerce").to_numpy(dtype=np.float64) * factor
    faulty: dict[int, tuple[str, str]] = {}
    for code in np.flatnonzero(~np.isfinite(read)).tolist():
        text = texts[code]
        error = _error_text(text)
        bare, unit = _with_unit(text)
        fits = fold(unit) in units
        number, rule = read_number(bare if fits else text, style)
        read[code] = number * (units[fold(unit)] if fits else factor)
        if error:
            faulty[code] = error
        elif rule:
            faulty[code] = _no_number(text, unit if not fits and read_number(bare, style)[1] == "" else "", rule, style)
    return read, faulty


def _no_number(text: str, unit: str, rule: str, style: str) -> tuple[str, str]:
    """Rule and remedy of a text that is no number: in a unit that does not fit, in the other style, or none."""
    other = "comma" if style == "point" else "point"
    if text.endswith("%"):
        return "is a percentage in a column of plain numbers.", "Enter the number."
    if unit:
        return f"is in {unit}, no unit of this column.", "Enter the number alone, in the unit of the header."
    if " with a decimal " in rule:
        return rule, f"Write the number with a decimal {style}, or set 'Number style' on Settings to {other}."
    return rule, "Enter a number."


def _with_unit(text: str) -> tuple[str, str]:
    """Text -> what stands before its unit, and the unit: "150 hl" is "150" and "hl"."""
    match = _NUMBER_AND_UNIT.fullmatch(text)
    return (match[1], match[2]) if match else (text, "")


def integers(cells: Cells, style: str, units: Mapping[str, float] = NO_UNITS) -> Read:
    """Column of whole numbers."""
    values, faults = numbers(cells, style, units=units)
    broken = np.flatnonzero(np.mod(values, 1) > 0)
    if len(broken):
        values[broken] = np.nan
        faults.append(Fault(broken, "is not a whole number.", "Enter a whole number."))
    return values, faults


def percentages(cells: Cells, style: str, fractions: Flags | None = None) -> Read:
    """Column of percent points -> fractions; `fractions` marks cells that hold a fraction already."""
    points, faults = numbers(cells, style, units={"%": 1.0})
    if fractions is None:
        return points / 100.0, faults
    typed = fractions if cells.codes is None else fractions & (cells.codes < 0)
    return np.where(typed, points, points / 100.0), faults


def dates(cells: Cells, style: str) -> Read:
    """Column of dates, whole days between 1900 and 2200."""
    values = np.full(cells.size, np.datetime64("NaT", "s")) if cells.dates is None else cells.dates.copy()
    faults = _sorts(cells, "a date")
    if cells.numbers is not None:
        for number in np.unique(cells.numbers[~np.isnan(cells.numbers)]):
            rule = f"is a number, not a date{serial_hint(float(number))}."
            rows = np.flatnonzero(cells.numbers == number)
            faults.append(Fault(rows, rule, "Enter the date, and format the cell as a date."))
    if cells.codes is not None:
        read = np.full(len(cells.texts), np.datetime64("NaT", "s"))
        faulty: dict[int, tuple[str, str]] = {}
        for code, text in enumerate(cells.texts):
            error = _error_text(text)
            day, rule = read_date(text, style)
            if error or day is None:
                remedy = "Enter a date such as 2024-09-12"
                remedy += ", or change 'Date style' on Settings." if " it is " in rule else "."
                faulty[code] = error or (rule, remedy)
            else:
                read[code] = np.datetime64(day, "s")
        rows = np.flatnonzero(cells.codes >= 0)
        values[rows] = read[cells.codes[rows]]
        faults += _spread(cells, faulty)
    early, late = np.datetime64(f"{FIRST_YEAR}-01-01", "s"), np.datetime64(f"{LAST_YEAR + 1}-01-01", "s")
    outside = np.flatnonzero(~np.isnat(values) & ((values < early) | (values >= late)))
    if len(outside):
        values[outside] = np.datetime64("NaT", "s")
        faults.append(Fault(outside, f"is outside the years {FIRST_YEAR} to {LAST_YEAR}.", "Correct the date."))
    return values, faults


def words(cells: Cells, column: Column, known: Iterable[str] = ()) -> tuple[pd.Categorical, list[Fault]]:
    """Column of names -> categorical strings.

    A choice outside its list is a fault; a word of the open list `known` takes its spelling.
    """
    if column.name == "value":  # of a setting or recipe: may be anything, and is read again by its own type
        cells, faults = _as_texts(cells), []
    else:
        faults = _sorts(cells, "a name", dates="Type the name again and format the cell as text.")
    spelt = {fold(word): word for word in (column.choices or known)}
    places: dict[str, int] = {}
    faulty: dict[int, tuple[str, str]] = {}
    codes = np.full(cells.size, -1, dtype=np.intp)

    def place(texts: Iterable[str]) -> list[int]:
        names = [spelt.get(fold(text), text) for text in texts] if spelt else list(texts)
        if not spelt and not places:  # texts are distinct
            places.update(zip(names, range(len(names)), strict=True))
            return list(range(len(names)))
        return [places.setdefault(name, len(places)) for name in names]

    if cells.codes is not None:
        doubtful = column.choices or any_begins(cells.texts, _ERRORS_BEGIN)
        for code, text in enumerate(cells.texts if doubtful else ()):
            problem = _error_text(text) or _choice_fault(text, column, spelt)
            if problem:
                faulty[code] = problem
        table = np.array([*place(cells.texts), -1])
        table[list(faulty)] = -1
        codes = table[cells.codes]
        faults += _spread(cells, faulty)
    if cells.numbers is not None and not np.isnan(cells.numbers).all():
        rows = np.flatnonzero(~np.isnan(cells.numbers))
        distinct, inverse = np.unique(cells.numbers[rows], return_inverse=True)
        table = np.full(len(distinct), -1, dtype=np.intp)
        for code, number in enumerate(distinct):
            problem = _choice_fault(number_text(float(number)), column, spelt)
            if problem:
                faults.append(Fault(rows[inverse == code], *problem))
            else:
                (table[code],) = place([number_text(float(number))])
        codes[rows] = table[inverse]
    return categorical(codes, list(places)), faults


def _as_texts(cells: Cells) -> Cells:
    return take_apart(pd.Series([cells.shown(row) for row in range(cells.size)], dtype=object))


def _choice_fault(text: str, column: Column, spelt: dict[str, str]) -> tuple[str, str] | None:
    if not column.choices or fold(text) in spelt:
        return None
    hint = nearest(text, column.choices)
    return (
        f"is not in the list for '{column.header}'.",
        hint or f"Choose one of: {', '.join(column.choices)}.",
    )


def categorical(codes: NDArray[np.intp], categories: list[str]) -> pd.Categorical:
    """Codes into `categories` (-1: blank) -> categorical strings that hold the used categories alone."""
    used = np.flatnonzero(np.bincount(codes[codes >= 0], minlength=len(categories)))
    fresh = np.full(len(categories) + 1, -1, dtype=np.intp)
    fresh[used] = np.arange(len(used))
    kept = pd.Index([categories[code] for code in used.tolist()], dtype=object)
    return pd.Categorical.from_codes(fresh[codes], categories=kept, validate=False)


def outside(column: Column, values: Floats) -> list[Fault]:
    """Cells outside the bounds of the column; `values` in the unit of its header (percentages in points)."""
    faults = []
    unit = f" {column.unit}" if column.unit else ""
    if column.lower is not None:
        rows = np.flatnonzero(values < column.lower)
        if len(rows):
            lowest = f"{number_text(column.lower)}{unit}"
            faults.append(Fault(rows, f"is below the least allowed, {lowest}.", f"Enter {lowest} or more."))
    if column.upper is not None:
        rows = np.flatnonzero(values > column.upper)
        if len(rows):
            highest = f"{number_text(column.upper)}{unit}"
            faults.append(Fault(rows, f"is above the most allowed, {highest}.", f"Enter {highest} or less."))
    return faults


def read(
    column: Column, cells: Cells, styles: Styles, factor: float = 1.0, fractions: Flags | None = None
) -> tuple[Any, list[Fault]]:
    """Cells of a column as the schema describes it, and what is wrong with them."""
    if column.type == "date":
        return dates(cells, styles.date_style)
    if column.type in ("text", "code", "choice"):
        return words(cells, column, _open_list(column))
    if column.type == "percent":
        values, faults = percentages(cells, styles.number_style, fractions)
        return values, faults + outside(column, values * 100.0)
    if column.type == "integer":
        values, faults = integers(cells, styles.number_style, factors(column))
    else:
        values, faults = numbers(cells, styles.number_style, factor, factors(column), spellings(column.words))
    return values, faults + outside(column, values)


def read_one(column: Column, cell: Cells, styles: Styles) -> tuple[Any, list[Fault]]:
    """The value of a single cell, None where it is blank, and what is wrong with it."""
    values, faults = read(column, cell, styles)
    if faults or pd.isna(values[0]):
        return None, faults
    if column.type == "date":
        return pd.Timestamp(values[0]).date(), []
    return {"integer": int, "number": float, "percent": float}.get(column.type, str)(values[0]), []


def _open_list(column: Column) -> tuple[str, ...]:
    if column.refers == "element":
        return lists()["element"]
    return (*operations(), *lists()["stage"]) if column.refers == "operation or stage" else ()
