"""What a header of a person's own sheet may mean: column of ours, how surely, and the unit that it names.

Rule: the unit is what stands in brackets, last, or in a row of its own below; the rest is looked up among the
translations, of two rows of headers the lower, both together, or the upper. A spelling that is near counts less.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from functools import cache, lru_cache

from costing.inputs.headers import IN_BRACKETS
from costing.inputs.schema import Column, Sheet, sheets
from costing.inputs.translations import header_spellings, is_currency, plain, unit_factor, unit_of
from costing.workbook.linked import Header

EXACT, NEAR, MISFIT = 1.0, 0.7, 0.5
_NEAR, _LONGEST = 0.87, 40
_LAST = re.compile(r"^(.*?)[\s,]+(?:(?:en|in|a|à)\s+)?(\S+)$", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Meaning:
    """A column that a header may mean. unit: what the header names, blank for none; strength: how surely."""

    column: Column
    unit: str
    strength: float


def meanings(sheet: Sheet, header: Header) -> tuple[Meaning, ...]:
    """Columns of a sheet that a header may mean, the surest first."""
    return _meanings(sheet.name, header.below, header.above)


@lru_cache(maxsize=65_536)
def _meanings(name: str, below: str, above: str) -> tuple[Meaning, ...]:
    sheet = sheets()[name]
    by_column: dict[str, Meaning] = {}
    for text, unit, worth in _readings(Header(1, below, above, 1)):
        for name, strength in _named(sheet, text):
            column = sheet.column(name)
            fits = not unit or is_currency(unit) or unit_factor(sheet, column, unit) is not None
            named = "" if is_currency(unit) else unit_of(unit) or unit
            meaning = Meaning(column, named, worth * strength * (1.0 if fits else MISFIT))
            if name not in by_column or by_column[name].strength < meaning.strength:
                by_column[name] = meaning
    return tuple(sorted(by_column.values(), key=lambda meaning_found: -meaning_found.strength))


def _readings(header: Header) -> list[tuple[str, str, float]]:
    """Texts that may name the column, each with its unit and what it is worth."""
    if not header.below or not header.above:
        return [(text, unit, EXACT) for text, unit in _split(header.below or header.above)]
    if unit_of(header.below) or is_currency(header.below):
        unit_below = [(text, unit or header.below, EXACT) for text, unit in _split(header.above)]
        return [*unit_below, (header.below, "", 0.9)]  # `Day` is a unit, and a column
    below = _split(header.below)
    both = [(f"{header.above} {text}", unit, EXACT) for text, unit in below]
    upper = [(header.above, unit, 0.8) for _, unit in below]
    return [*both, *((text, unit, 0.95) for text, unit in below), *upper]


def _split(text: str) -> list[tuple[str, str]]:
    """Text without and with its unit: `Volume (hl)`, `Volume hl` and `Volume en hl` are Volume and hl."""
    bracketed = IN_BRACKETS.match(text)
    if bracketed:
        return [(bracketed[1], bracketed[2])]
    last = _LAST.match(text)
    if last and last[1].strip() and (unit_of(last[2]) or is_currency(last[2])):
        return [(text, ""), (last[1], last[2])]
    return [(text, "")]


def _named(sheet: Sheet, text: str) -> list[tuple[str, float]]:
    spellings = header_spellings(sheet.name)
    words = plain(text)
    if words in spellings:
        return [(name, EXACT) for name in spellings[words]]
    near = next((spelling for spelling in _near(words) if spelling in spellings), None)
    return [(name, NEAR) for name in spellings[near]] if near else []


@lru_cache(maxsize=65_536)
def _near(words: str) -> tuple[str, ...]:
    """Spellings of any sheet's headers that are like these words, the nearest first."""
    if not 4 < len(words) < _LONGEST:
        return ()
    known = _all_spellings()
    return tuple(difflib.get_close_matches(words, known, n=len(known), cutoff=_NEAR))


@cache
def _all_spellings() -> tuple[str, ...]:
    return tuple(sorted({spelling for name in sheets() for spelling in header_spellings(name)}))
