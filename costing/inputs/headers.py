"""Which sheet and which column a title names, and in which unit.

Sheets and columns are found by their titles, never by position; case, accents and spaces do not matter,
spelling does. The unit in brackets decides: `Must (hl)` is read in hectolitres. `Movements 2026` is more rows
of Movements; a copy of a sheet is refused. A title that is close to a known one and not it is a finding, any
other unknown title is left alone.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np

from costing.array_types import Ints
from costing.inputs.cells import fold
from costing.inputs.raw import RawTable
from costing.inputs.schema import Column, Sheet, sheets

# Units that a header may name instead of the schema's own, and what one of them is in it.
FACTORS: dict[str, dict[str, float]] = {
    "L": {"l": 1.0, "litres": 1.0, "liters": 1.0, "litre": 1.0, "hl": 100.0},
    "kg": {"kg": 1.0, "t": 1000.0, "tonnes": 1000.0},
    "% vol": {"% vol": 1.0, "%vol": 1.0, "%": 1.0},
}
_NEAR = 0.75
_SIGNS = 64  # signs that share a count make the bound higher, never lower
_COMPARED = 200
IN_BRACKETS = re.compile(r"^(.*?)\s*[(\[]\s*([^()\[\]]*?)\s*[)\]]\s*$", re.DOTALL)
_COPY = re.compile(r"(?: ?\(\d+\)| ?[-_] ?(?:copy|copie|kopie)(?: ?\(?\d+\)?)?| copy(?: \d+)?|_\d{1,3})$")


@dataclass(frozen=True, slots=True)
class Heading:
    """What one header means: the column, its unit and the factor to the schema's, or what is wrong with it."""

    column: Column | None = None
    factor: float = 1.0
    rule: str = ""
    remedy: str = ""
    unit: str = ""


def closest(word: str, known: Iterable[str], cutoff: float = _NEAR) -> str:
    """Known spelling closest to `word`, or an empty string."""
    by_folded = {fold(name): name for name in known}
    close = difflib.get_close_matches(fold(word), list(by_folded), n=1, cutoff=cutoff)
    return by_folded[close[0]] if close else ""


def did_you_mean(word: str, known: Iterable[str], otherwise: str, cutoff: float = 0.6) -> str:
    """Remedy for a word that is not known: the nearest that is, or what else to do."""
    near = closest(word, known, cutoff)
    return f"Did you mean '{near}'?" if near else otherwise


class KnownNames:
    """Known spellings, folded once, that are asked for the nearest again and again.

    Only the most likely are compared sign by sign: an upper bound of the likeness (signs in common, in any order)
    is taken over all names at once.
    """

    def __init__(self, known: Iterable[str]) -> None:
        self._by_folded = {fold(name): name for name in known}
        self._words = list(self._by_folded)
        self._sizes = np.array([len(word) for word in self._words], dtype=np.int64)
        self._signs = np.array([_signs(word) for word in self._words], dtype=np.int64).reshape(-1, _SIGNS)

    def closest(self, word: str, cutoff: float = _NEAR) -> str:
        """Known spelling closest to `word`, or an empty string."""
        folded = fold(word)
        shared = np.minimum(self._signs, _signs(folded)).sum(axis=1)
        bound = 2.0 * shared / np.maximum(self._sizes + len(folded), 1)
        likely = np.argsort(-bound, kind="stable")[:_COMPARED]
        words = [self._words[place] for place in likely.tolist() if bound[place] >= cutoff]
        close = difflib.get_close_matches(folded, words, n=1, cutoff=cutoff)
        return self._by_folded[close[0]] if close else ""


def _signs(word: str) -> Ints:
    return np.bincount([ord(sign) % _SIGNS for sign in word], minlength=_SIGNS)


@cache
def _titles() -> dict[str, str]:
    titles = {fold(sheet.title): name for name, sheet in sheets().items()}
    return titles | {fold(name.replace("_", " ")): name for name in sheets()} | {name: name for name in sheets()}


@lru_cache(maxsize=1024)
def sheet_name(title: str) -> tuple[str, str, str]:
    """Title of a sheet or file -> (library name or "", rule, remedy); a rule says why it is not read.

    A copied sheet gives its library name and a rule: it must not be passed over.
    """
    plain = fold(title)
    yearly = re.fullmatch(r"(.+?)[ _]\d{4}", plain)
    for candidate in (plain, yearly[1] if yearly else ""):
        if candidate in _titles():
            return _titles()[candidate], "", ""
    copied = _COPY.sub("", plain).removeprefix("copy of ")
    if copied in _titles():
        name = _titles()[copied]
        own = sheets()[name].title
        rule = f"looks like a copy of the sheet '{own}': its rows would count twice."
        return (
            name,
            rule,
            f"Delete it, or rename it to '{own} 2026' (title and year) if its rows are further ones.",
        )
    near = closest(yearly[1] if yearly else title, (sheet.title for sheet in sheets().values()), 0.8)
    if near:
        return (
            "",
            "is no sheet of the library, and close to one.",
            f"Rename it to '{near}' if it was meant to be read.",
        )
    return "", "", ""


def readable_name(title: str) -> str:
    """Library name of the sheet that a title names, empty where it is not read."""
    name, rule, _ = sheet_name(title)
    return "" if rule else name


def read_as(table: RawTable) -> tuple[str, str, str]:
    """As `sheet_name`, of a sheet that was read: one that is linked is what its links say."""
    return (table.linked.name, "", "") if table.linked else sheet_name(table.sheet)


def sheet_title(title: str) -> str:
    """Title as a workbook has it, year kept: `movements_2026` -> `Movements 2026`; unknown ones unchanged."""
    plain = fold(title)
    yearly = re.fullmatch(r"(.+?)[ _](\d{4})", plain)
    if plain in _titles():
        return sheets()[_titles()[plain]].title
    if yearly and yearly[1] in _titles():
        return f"{sheets()[_titles()[yearly[1]]].title} {yearly[2]}"
    return title


def read_headers(sheet: Sheet, headers: Sequence[str]) -> list[Heading]:
    """Headers in order -> their meaning; unknown ones have no column; only near misses have a rule."""
    headings = [_read_header(sheet, header) for header in headers]
    present = {heading.column.name for heading in headings if heading.column}
    missing = [column for column in sheet.columns if column.name not in present]
    taken: set[str] = set()
    for position, (header, heading) in enumerate(zip(headers, headings, strict=True)):
        if heading.column is None and not heading.rule:
            near = closest(_split(header)[0], (column.header for column in missing))
            if near and fold(header):
                title = next(column.title for column in missing if column.header == near)
                rule = f"is no column of '{sheet.title}', and close to one."
                headings[position] = Heading(rule=rule, remedy=f"Did you mean '{title}'?")
        elif heading.column is not None and not heading.rule:
            if heading.column.name in taken:
                headings[position] = Heading(
                    heading.column, rule="is the second column of that name.", remedy="Keep one of the two."
                )
            taken.add(heading.column.name)
    return headings


def _split(header: str) -> tuple[str, str | None]:
    bracketed = IN_BRACKETS.match(header)
    return (fold(bracketed[1]), fold(bracketed[2])) if bracketed else (fold(header), None)


def _short(column: Column, unit: str) -> str:
    """The usual sign of a unit that a header spells out."""
    return next((sign for sign in _allowed(column) if factors(column).get(fold(sign)) == factors(column)[unit]), unit)


def factors(column: Column) -> dict[str, float]:
    """Units that a figure of the column may be in, folded, and what one of each is in the schema's."""
    return FACTORS.get(column.unit, {fold(column.unit): 1.0})


def _read_header(sheet: Sheet, header: str) -> Heading:
    for column in sheet.columns:
        if fold(header) == fold(column.title) or (header == column.name and "%" not in column.unit):
            return Heading(column)
        if not column.unit and fold(header) == column.name.replace("_", " "):  # an earlier header
            return Heading(column)
    base, unit = _split(header)
    named = [column for column in sheet.columns if fold(column.header) == base]
    if not named:
        return Heading()
    if unit is not None:
        for column in named:
            if unit in factors(column):
                return Heading(column, factors(column)[unit], unit=_short(column, unit))
        if all(not column.unit for column in named):  # a remark in brackets, such as a currency
            return Heading(named[0])
    elif len(named) == 1 and len(set(factors(named[0]).values())) == 1 and "%" not in named[0].unit:
        return Heading(named[0])
    allowed = ", ".join(f"'{column.header} ({word})'" for column in named for word in _allowed(column))
    rule = "names no unit." if unit is None else "names a unit that is not known here."
    return Heading(named[0], rule=rule, remedy=f"Write {allowed}.")


def _allowed(column: Column) -> list[str]:
    return {"L": ["L", "hl"], "kg": ["kg", "t"]}.get(column.unit, [column.unit])
