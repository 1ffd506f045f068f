"""Rows of one sheet, and the rules that are held against them.

A rule is a function from the rows of a sheet to its breaches: which rows, the column, what is wrong, what to do, and
`CAUTION` where it does not stop a run. `rule_of("movements")` binds it to its sheet, where it is asked only of sheets
that have rows; a rule across sheets is a `Check` of the whole estate. Rules look at whole columns; only the rows that
break one are gone through. More than `FIRST_PLACES` rows with one and the same rule and remedy are one finding, with
their number and the first places; where the words differ from row to row, at most `ROWS_PER_RULE` wordings are shown.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from costing.array_types import Flags, Ints
from costing.errors import CAUTION, ERROR, FIRST_PLACES, Finding, also
from costing.inputs.cells import number_text
from costing.inputs.estate import Estate
from costing.inputs.headers import did_you_mean
from costing.inputs.schema import sheets

ROWS_PER_RULE = 20
Words = str | Callable[[int], str]
Which: TypeAlias = "Flags | NDArray[np.intp] | Sequence[int] | pd.Series[Any]"
Breach = tuple[Which, str | None, Words, Words] | tuple[Which, str | None, Words, Words, str]
"""Rows (mask or positions), column, rule, remedy, and severity (an error where it is left out)."""

__all__ = [
    "CAUTION",
    "ERROR",
    "Breach",
    "Check",
    "Rows",
    "also_at",
    "rule_of",
]


@dataclass(frozen=True)
class Rows:
    """Rows of one sheet of an estate: its columns by name, and what stands in its cells."""

    estate: Estate
    table: str

    def __len__(self) -> int:
        """How many rows there are."""
        return len(self.frame)

    def __getitem__(self, column: str) -> pd.Series[Any]:
        """A column of the sheet."""
        return self.frame[column]

    @property
    def frame(self) -> pd.DataFrame:
        """The whole table."""
        return self.estate[self.table]

    def of(self, table: str) -> Rows:
        """Rows of another sheet of the same estate."""
        return Rows(self.estate, table)

    def given(self, *columns: str) -> Flags:
        """Tell which rows have something in each of these columns."""
        first, *others = (_filled(self.frame[column]) for column in columns)
        for other in others:
            first = np.logical_and(first, other)
        return first

    def are(self, column: str, *words: str) -> Flags:
        """Tell which rows of a column of names hold one of these words."""
        names: pd.Categorical = self.frame[column].array
        held: Flags = np.array([*(name in words for name in names.categories), False])
        return np.asarray(held[names.codes])

    def shown(self, row: int, column: str) -> str:
        """Return what a cell holds, in the unit in which it was typed; empty if blank."""
        value: Any = self.frame[column].iloc[row]
        if pd.isna(value):
            return ""
        if isinstance(value, pd.Timestamp):
            return f"{value:%Y-%m-%d}"
        if isinstance(value, (float, np.floating)):
            if np.isinf(value):
                return sheets()[self.table].column(column).words[0]
            percent = sheets()[self.table].column(column).type == "percent"
            _, factor = self.estate.unit_typed(self.table, row, column)
            return number_text(round(float(value) * (100.0 if percent else 1.0) / factor, 9))
        return str(value)

    def place(self, row: int, column: str | None) -> str:
        """Sheet and cell of a row."""
        return self.estate.place(self.table, row, column)

    def first_rows(self, column: str, where: Flags | None = None) -> dict[str, int]:
        """Each name in a column of names -> the first row that holds it (among the rows `where` is true)."""
        if not len(self.frame):
            return {}
        first, names = self.first_of_names(column, where), self.frame[column].cat.categories
        return {name: row for name, row in zip(names, first.tolist(), strict=True) if row >= 0}

    def first_of_names(self, column: str, where: Flags | None = None) -> Ints:
        """First row of each name that a column lists, among the rows `where` is true (−1: none) [categories]."""
        values: pd.Categorical = self.frame[column].array
        codes = values.codes if where is None else np.where(where, values.codes, -1)
        first = np.full(len(values.categories) + 1, -1, dtype=np.int64)
        first[codes[::-1]] = np.arange(len(codes) - 1, -1, -1)  # the last to be written is the first row
        return first[:-1]

    def by_name(self, column: str, values: dict[str, Any], blank: Any) -> NDArray[Any]:
        """Value of each row's name: `values[name]`, `blank` where the name is not among them."""
        names = self.frame[column].cat
        spread = np.array([*(values.get(str(name), blank) for name in names.categories), blank])
        return spread[names.codes.to_numpy()]

    def kinds(self, keys: Iterable[str]) -> Ints:
        """Number rows by what stands in these columns, in order of appearance: the same where all are alike; blank
        equals blank.
        """
        number = np.zeros(len(self), dtype=np.int64)
        for key in keys:
            if number.max(initial=0) >= len(number) - 1:
                break
            values: Any = self[key].array
            named = isinstance(values, pd.Categorical)
            code = values.codes if named else pd.factorize(np.asarray(values), use_na_sentinel=False)[0]
            number = pd.factorize(number * (int(code.max(initial=0)) + 2) + code + 1)[0]
        return number

    def repeated(self, keys: Iterable[str]) -> tuple[Ints, Ints]:
        """Rows where all `keys` are as in an earlier row, and the first row like each; blank equals blank."""
        kinds = self.kinds(keys)
        first = np.flatnonzero(np.diff(np.maximum.accumulate(kinds), prepend=-1))[kinds]
        again = np.flatnonzero(first != np.arange(len(first)))
        return again, first[again]

    def together(self, column: str, values: NDArray[Any], taken: np.ufunc) -> NDArray[Any]:
        """Give each row what `taken` (as np.add) makes of the values of all rows of the same name [rows]."""
        codes = self[column].array.codes
        order = np.argsort(codes, kind="stable")
        begins = np.flatnonzero(np.diff(codes[order], prepend=-2))
        of_name: NDArray[Any] = np.zeros(len(self[column].array.categories) + 1, dtype=values.dtype)
        of_name[codes[order][begins]] = taken.reduceat(values[order], begins)
        return np.asarray(of_name[codes])

    def unknown(
        self, column: str, known: Iterable[str], rule: str, otherwise: str, where: Flags | None = None
    ) -> Iterator[Breach]:
        """Yield the names of a column that are not among those known (where `where` is true), each with the nearest."""
        names = dict.fromkeys(known)
        for name in self.first_rows(column, where):
            if name not in names:
                rows = self.are(column, name) & (True if where is None else where)
                yield rows, column, rule, did_you_mean(name, names, otherwise)

    def findings(
        self, which: Which, column: str | None, rule: Words, remedy: Words, severity: str = ERROR
    ) -> Iterator[Finding]:
        """Yield a finding for each row at `column`, one for many alike. Rows with an error already are passed over."""
        estate, table = self.estate, self.table
        rows: NDArray[Any] = np.asarray(which)
        rows = np.flatnonzero(rows) if rows.dtype == bool else rows.astype(np.intp)
        if table in estate.wrong_rows:
            rows = rows[~estate.wrong_rows[table][rows]]
        if severity == ERROR and len(rows):
            estate.refused.setdefault(table, []).append((rows, column or ""))
        by_words: dict[tuple[str, str], list[int]] = {}
        for row in rows.tolist():
            sentence = rule if isinstance(rule, str) else rule(row)
            advice = remedy if isinstance(remedy, str) else remedy(row)
            by_words.setdefault((sentence, advice), []).append(row)
        for (sentence, advice), alike in list(by_words.items())[:ROWS_PER_RULE]:
            more = ""
            if len(alike) > FIRST_PLACES:
                more = also_at([self.place(row, column) for row in alike[1 : FIRST_PLACES + 1]], len(alike) - 1)
            for row in alike[:1] if more else alike:
                value = self.shown(row, column) if column else ""
                yield Finding(self.place(row, column), value, sentence + more, advice, severity)
        if further := list(by_words.values())[ROWS_PER_RULE:]:
            count = sum(map(len, further))
            more = f"has {count:,} more row{'s' * (count > 1)} like these."
            yield Finding(str(estate.sources[table].sheet[rows[0]]), "", more, "Correct those shown first.", severity)


def _filled(values: pd.Series[Any]) -> Flags:
    """Rows of a column that are not blank."""
    if isinstance(values.dtype, pd.CategoricalDtype):
        return np.asarray(values.array.codes >= 0)
    return np.asarray(values.notna())


@dataclass(frozen=True)
class Check:
    """A rule, asked of a whole estate."""

    ask: Callable[[Estate], Iterator[Finding]]

    def __call__(self, estate: Estate) -> Iterator[Finding]:
        """Yield what breaks it."""
        return self.ask(estate)


def rule_of(*tables: str) -> Callable[[Callable[[Rows], Iterator[Breach]]], Check]:
    """Bind a rule on rows to its sheets."""

    def bound(rule: Callable[[Rows], Iterator[Breach]]) -> Check:
        def ask(estate: Estate) -> Iterator[Finding]:
            for rows in (Rows(estate, table) for table in tables if len(estate[table])):
                for breach in rule(rows):
                    yield from rows.findings(*breach)

        return Check(ask)

    return bound


def also_at(places: list[str], count: int) -> str:
    """Sentence on further places of the same sheet, `count` in all."""
    return also([place.rpartition("!")[2] for place in places], count)
