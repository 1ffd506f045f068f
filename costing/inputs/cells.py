"""Raw cells by what they hold: a column taken apart into numbers, dates, texts and TRUE/FALSE.

Typed columns (float, datetime, categorical, text) are taken as they are; a column of mixed cells is gone
through cell by cell. Texts are tidied (`tidy`: one spelling of accents, no invisible marks) and each distinct
text is kept once. A blank text is a blank cell. Nothing is judged here.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from costing.array_types import Days, Flags, Floats

LONGEST_SHOWN = 80
_FEW = 100
"""Cells that are looked at one by one sooner than pandas says what they are."""
_DAY_ZERO = date(1970, 1, 1).toordinal()
_TOTALS = re.compile(r"(grand |sub ?-?)?totals?\b.*|sum|somme|totaux|summe|gesamt|totale|totali|suma")
_BEGINNINGS = frozenset(("gr", "su", "to", "so", "ge"))
_OTHER_SPACES = "\t\v\f\r\x1c\x1d\x1e\x1f"


@dataclass(frozen=True, slots=True)
class Cells:
    """One raw column by what its cells hold; a part is None where no cell is of that sort.

    `codes[i]` is -1 or an index into `texts`; `truths` says which of the `flags` are TRUE.
    """

    size: int
    numbers: Floats | None = None
    dates: Days | None = None
    codes: NDArray[np.intp] | None = None
    texts: tuple[str, ...] = ()
    flags: Flags | None = None
    truths: Flags | None = None

    def filled(self) -> Flags:
        """Tell which cells hold anything."""
        known = np.zeros(self.size, dtype=bool)
        if self.numbers is not None:
            known |= ~np.isnan(self.numbers)
        if self.dates is not None:
            known |= ~np.isnat(self.dates)
        if self.codes is not None:
            known |= self.codes >= 0
        if self.flags is not None:
            known |= self.flags
        return known

    def take(self, rows: NDArray[np.intp]) -> Cells:
        """Cells of those rows."""

        def part(values: NDArray[Any] | None) -> NDArray[Any] | None:
            return None if values is None else values[rows]

        return Cells(
            len(rows),
            part(self.numbers),
            part(self.dates),
            part(self.codes),
            self.texts,
            part(self.flags),
            part(self.truths),
        )

    def shown(self, row: int) -> str:
        """Return what stands in the cell, for a message."""
        if self.codes is not None and self.codes[row] >= 0:
            return display(self.texts[int(self.codes[row])])
        if self.flags is not None and self.truths is not None and self.flags[row]:
            return str(self.truths[row]).upper()
        if self.dates is not None and not np.isnat(self.dates[row]):
            return f"{self.dates[row].astype('datetime64[D]')}"
        if self.numbers is not None and not math.isnan(self.numbers[row]):
            return number_text(float(self.numbers[row]))
        return ""


@lru_cache(maxsize=4096)
def fold(text: str) -> str:
    """Spelling without case, accents or runs of spaces, for comparing headers and words of closed lists."""
    return " ".join(without_accents(tidy(text)).casefold().split())


def without_accents(text: str) -> str:
    """Text in plain letters (Unicode form NFKD without its combining marks)."""
    return "".join(sign for sign in unicodedata.normalize("NFKD", text) if not unicodedata.combining(sign))


def number_text(number: float) -> str:
    """Write a number as a person does: whole numbers without a decimal part."""
    return f"{number:.15g}" if not number.is_integer() or abs(number) >= 1e15 else f"{number:.0f}"


def tidy(text: str) -> str:
    """Text as one name is written whoever typed it: accents composed (Unicode form NFC), no invisible marks
    (category Cf: zero-width, direction, soft hyphen), no outer spaces nor runs of them (non-breaking ones included).
    """
    if not text.isascii():
        text = unicodedata.normalize("NFC", "".join(sign for sign in text if unicodedata.category(sign) != "Cf"))
    return " ".join(text.split())


def says_total(text: str) -> bool:
    """Whether a text is the label of a totals row, in the languages of wine."""
    if text.isascii() and text.lstrip()[:2].lower() not in _BEGINNINGS:
        return False
    return _TOTALS.fullmatch(fold(text).rstrip(": ")) is not None


def display(text: str, longest: int = LONGEST_SHOWN) -> str:
    """Text fit for a message: one line, printable signs only, not too long."""
    plain = "".join(sign for sign in tidy(text) if sign.isprintable())
    return plain if len(plain) <= longest else f"{plain[: longest - 1]}…"


def take_apart(values: pd.Series[Any]) -> Cells:
    """Raw column -> its parts. Typed columns are taken as they are; mixed ones cell by cell."""
    size, dtype = len(values), values.dtype
    if isinstance(dtype, pd.CategoricalDtype):
        parts = take_apart(pd.Series(dtype.categories))
        codes = values.cat.codes.to_numpy().astype(np.intp)
        return _from_categories(parts, codes)
    if pd.api.types.is_bool_dtype(dtype):
        known = values.notna().to_numpy()
        return Cells(size, flags=known, truths=values.fillna(False).to_numpy(dtype=bool))
    if pd.api.types.is_numeric_dtype(dtype):
        return Cells(size, numbers=values.to_numpy(dtype=np.float64, na_value=np.nan))
    if pd.api.types.is_datetime64_any_dtype(dtype):
        if isinstance(dtype, pd.DatetimeTZDtype):
            values = values.dt.tz_localize(None)
        return Cells(size, dates=_whole_days(values.to_numpy()))
    if isinstance(dtype, pd.StringDtype):
        return _texts(size, values)
    if size <= _FEW:
        return _mixed(values.to_list())
    sort = pd.api.types.infer_dtype(values, skipna=True)
    if sort == "date":
        codes, distinct = pd.factorize(values)
        days = np.array([day_number(day) for day in distinct], dtype=np.int64).astype("datetime64[D]")
        return Cells(size, dates=np.append(days.astype("datetime64[s]"), np.datetime64("NaT", "s"))[codes])
    if sort in ("floating", "integer", "mixed-integer-float"):
        with suppress(OverflowError):  # of whole numbers beyond any cell
            return Cells(size, numbers=values.to_numpy(dtype=object).astype(np.float64))
    if sort == "string":
        return _texts(size, values)
    return Cells(size) if sort == "empty" else _mixed(values.to_list())


def _whole_days(values: NDArray[Any]) -> Days:
    return values.astype("datetime64[D]").astype("datetime64[s]")


def _texts(size: int, values: pd.Series[Any]) -> Cells:
    codes, distinct = pd.factorize(values)
    merged, words = _merged(_tidied(list(map(str, np.asarray(distinct, dtype=object).tolist()))))
    return Cells(size, codes=np.append(merged, -1)[codes], texts=words)


def _tidied(texts: list[str]) -> list[str]:
    """Texts tidied one by one, unless all of them together show that none needs it."""
    whole = "\n".join(["", *texts, ""])
    tidy_already = whole.isascii() and whole.count("\n") == len(texts) + 1
    tidy_already &= not any(sign in whole for sign in ("  ", " \n", "\n ", *_OTHER_SPACES))
    return texts if tidy_already else [tidy(text) for text in texts]


def any_begins(texts: Iterable[str], beginnings: Iterable[str]) -> bool:
    """Whether some text may begin with one of these, whatever its case: always where one is not ASCII."""
    whole = "\n".join(["", *texts]).lower()
    return not whole.isascii() or any(f"\n{beginning}" in whole for beginning in beginnings)


def any_totals(texts: Iterable[str]) -> bool:
    """Whether some text may be the label of a totals row."""
    return any_begins(texts, _BEGINNINGS)


def _merged(texts: Sequence[str]) -> tuple[NDArray[np.intp], tuple[str, ...]]:
    places: dict[str, int] = dict(zip(texts, range(len(texts)), strict=True))
    if len(places) == len(texts) and "" not in places:
        return np.arange(len(texts)), tuple(texts)
    places = {}
    codes = [places.setdefault(text, len(places)) if text else -1 for text in texts]
    return np.array(codes, dtype=np.intp), tuple(places)


def _from_categories(parts: Cells, codes: NDArray[np.intp]) -> Cells:
    spread = Cells(
        parts.size + 1,
        None if parts.numbers is None else np.append(parts.numbers, np.nan),
        None if parts.dates is None else np.append(parts.dates, np.datetime64("NaT", "s")),
        None if parts.codes is None else np.append(parts.codes, -1),
        parts.texts,
        None if parts.flags is None else np.append(parts.flags, False),
        None if parts.truths is None else np.append(parts.truths, False),
    )
    return spread.take(codes)


def _mixed(values: list[Any]) -> Cells:
    size = len(values)
    sorts = {kind: _sort(kind) for kind in set(map(type, values))}
    of = {sort: [row for row, value in enumerate(values) if sorts[type(value)] == sort] for sort in {*sorts.values()}}
    parts: dict[str, Any] = {}
    if rows := of.get("number"):
        parts["numbers"] = np.full(size, np.nan)
        parts["numbers"][rows] = [_number(values[row]) for row in rows]
    if rows := of.get("date"):
        days = np.array([day_number(values[row]) for row in rows], dtype=np.int64)
        parts["dates"] = np.full(size, np.datetime64("NaT", "s"))
        parts["dates"][rows] = days.astype("datetime64[D]")
    if rows := of.get("text"):
        merged, parts["texts"] = _merged([tidy(str(values[row])) for row in rows])
        parts["codes"] = np.full(size, -1)
        parts["codes"][rows] = merged
    if rows := of.get("flag"):
        parts["flags"], parts["truths"] = np.zeros(size, dtype=bool), np.zeros(size, dtype=bool)
        parts["flags"][rows], parts["truths"][rows] = True, [bool(values[row]) for row in rows]
    return Cells(size, **parts)


def _sort(kind: type) -> str:
    if kind in (type(None), type(pd.NaT), type(pd.NA)):
        return "blank"
    if issubclass(kind, (bool, np.bool_)):
        return "flag"
    if issubclass(kind, (int, float, Decimal, np.integer, np.floating)):
        return "number"
    return "date" if issubclass(kind, (date, np.datetime64)) else "text"  # a datetime is a date too


def day_number(value: Any) -> int:
    """Days since 1970-01-01 of a date, with a time of day or without."""
    if isinstance(value, np.datetime64):
        return int(value.astype("datetime64[D]").astype(np.int64))
    ordinal: int = value.toordinal()
    return ordinal - _DAY_ZERO


def _number(value: Any) -> float:
    try:
        return float(value)
    except (OverflowError, ValueError):
        return math.inf  # larger than any cell can hold; refused as not finite
