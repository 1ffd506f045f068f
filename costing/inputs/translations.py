"""What sheets, columns, words and units are called in the languages of estates.

Rule: `schema/translations.csv` holds, for each, its names in English, French, German, Spanish and Italian; a name is
met when it is spelt alike but for case, accents, punctuation and spaces. Its own name counts as well. A row without a
sheet holds for every sheet that has the column.

What it does not do: it guesses at no spelling, and translates no name of a lot, cuvée or person.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from functools import cache, lru_cache

from costing.inputs.cells import fold
from costing.inputs.headers import FACTORS
from costing.inputs.schema import Column, Sheet, lists, operations, sheets
from costing.packaged import packaged_rows

LANGUAGES = ("en", "fr", "de", "es", "it")
_PER = re.compile(r"(?:.*/|(?:.*\b)?(?:per|par|pro|je|por|al|au|a la|alla|le)\b)\s*(.+)")
_CURRENCY = re.compile(r"(?:€|eur|euros?|\$|£|usd|gbp|chf|fr\.?|ht|net|k?€ ?ht|eur ht)")


@cache
def _rows() -> list[dict[str, str]]:
    return packaged_rows("costing.inputs.schema", "translations")


def plain(text: str) -> str:
    """Spelling without case, accents or signs between words: `N° de lot` and `n. de lot` are one."""
    return " ".join(re.sub(r"[^\w%/€$£²³]+", " ", fold(text).replace("º", "").replace("°", " ")).split())


def names_of(of: str, name: str, sheet: str = "") -> tuple[str, ...]:
    """Every translation of a sheet, column, word or unit; a column's own sheet goes before all sheets."""
    rows = [row for row in _rows() if (row["of"], row["name"]) == (of, name) and row["sheet"] in ("", sheet)]
    own = [row for row in rows if row["sheet"]] or rows
    return tuple(
        name_there for row in own for language in LANGUAGES for name_there in row[language].split("|") if name_there
    )


@cache
def spellings(words: tuple[str, ...]) -> frozenset[str]:
    """Words in every language, as `fold` spells them."""
    return frozenset(fold(spelling) for word in words for spelling in (word, *names_of("word", word)))


@cache
def title_spellings() -> dict[str, str]:
    """Plain spelling of a sheet's title -> library name."""
    by_spelling = {plain(spelling): name for name in sheets() for spelling in names_of("sheet", name)}
    return by_spelling | {plain(sheet.title): name for name, sheet in sheets().items()}


@cache
def header_spellings(sheet: str) -> dict[str, tuple[str, ...]]:
    """Plain spelling of a header -> library names of the columns of a sheet that it may mean, in schema order."""
    by_spelling: dict[str, list[str]] = {}
    for column in sheets()[sheet].columns:
        for text_spelt in dict.fromkeys(
            plain(text) for text in (column.header, *names_of("column", column.name, sheet))
        ):
            by_spelling.setdefault(text_spelt, []).append(column.name)
    return {spelling: tuple(names) for spelling, names in by_spelling.items()}


@cache
def _unit_spellings() -> dict[str, str]:
    units = [row["name"] for row in _rows() if row["of"] == "unit"]
    return {plain(spelling): unit for unit in units for spelling in (unit, *names_of("unit", unit))}


def unit_of(text: str) -> str:
    """Unit that a text names, in the library's spelling; `per kg` for a price of one; blank where it is none."""
    words = plain(text)
    if not words:
        return "% vol" if text.strip() == "°" else ""
    if unit := _unit_spellings().get(words, ""):
        return unit
    per = _PER.fullmatch(words)
    unit = _unit_spellings().get(per[1], "") if per else ""
    return f"per {unit}" if unit else ""


def is_currency(text: str) -> bool:
    """Whether a text names money."""
    return _CURRENCY.fullmatch(fold(text)) is not None


def unit_factor(sheet: Sheet, column: Column, text: str) -> float | None:
    """What one of a unit is in the column's own unit; None where it does not fit the column.

    A quantity whose unit stands in a column of its own is in kg, L or bottles; so is what a price is for.
    """
    unit = unit_of(text)
    measures = [*({"L", "hl"}, {"kg", "t", "q"}, {"bottles"})]
    sizes = {"hl": 100.0, "t": 1000.0, "q": 100.0}
    if column.type == "percent":
        return {"%": 1.0, "% vol": 1.0, "fraction": 100.0}.get(unit)
    if column.type not in ("number", "integer"):
        return None
    own = column.unit or ("" if column.name != "quantity" else unit)
    if own:
        fits = unit == own or any({unit, own} <= group for group in measures)
        return sizes.get(unit, 1.0) if fits and unit else None  # our own units are the least of their kind
    if unit.startswith("per "):
        for_one = unit.removeprefix("per ")
        bases = {"kg": "kg", "l": "L", "bottle": "bottles"}
        base = bases.get(column.name.rpartition("_per_")[2], for_one if "price" in column.name else "")
        fits = for_one == base or any({for_one, base} <= group for group in measures)
        return 1.0 / sizes.get(for_one, 1.0) if fits else None
    return 1.0 if is_currency(text) else None


def units_of(column: Column) -> tuple[str, ...]:
    """Units that a column's figures may be in; none for one that has no unit."""
    if column.type == "percent":
        return ("%", "fraction")
    if column.name == "quantity" and not column.unit:
        return ("L", "hl", "kg", "t", "q", "bottles")
    return {"L": ("L", "hl"), "kg": ("kg", "t", "q")}.get(column.unit, (column.unit,) if column.unit else ())


def needs_unit(column: Column) -> bool:
    """Whether a column's figures may be in several units, so that one has to be named."""
    return column.unit in FACTORS and column.type == "number" and len(units_of(column)) > 1


@lru_cache(maxsize=65_536)
def our_word(column: Column, text: str) -> str:
    """The library's own word for a text in a column of words; blank where it knows none."""
    words = plain(text)
    if not words:
        return ""
    allowed = choices_of(column)
    by_spelling = {plain(word): word for word in allowed}
    if words in by_spelling:
        return by_spelling[words]
    if column.name == "unit":
        unit = unit_of(text)
        return unit if unit in allowed else ""
    return next((word for word in allowed if words in {plain(spelling) for spelling in names_of("word", word)}), "")


def choices_of(column: Column) -> tuple[str, ...]:
    """Words that a column holds: its closed list, or an open one."""
    if column.choices:
        return column.choices
    return open_words(column.refers)


def open_words(refers: str) -> tuple[str, ...]:
    """Words of an open list, which may be added to."""
    if refers == "element":
        return lists()["element"]
    return (*operations(), *lists()["stage"]) if refers == "operation or stage" else ()


def alphabets(text: str) -> tuple[str, ...]:
    """Alphabets of the letters of a word, `Latin`, `Cyrillic`, in the order in which they come."""
    scripts = (unicodedata.name(sign, "").partition(" ")[0].capitalize() for sign in text if sign.isalpha())
    return tuple(dict.fromkeys(scripts))


def mixed_word(texts: Iterable[str]) -> tuple[str, tuple[str, ...]] | None:
    """First text with a word whose letters are of two alphabets, which look alike and are not; None where none has."""
    for text in texts:
        for word in re.findall(r"\w+", text):
            if len(scripts := alphabets(word)) > 1 and set(scripts) <= {"Latin", "Cyrillic", "Greek"}:
                return text, scripts
    return None
