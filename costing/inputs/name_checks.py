"""Rules on names: those that no table introduces, and one name in two spellings.

A lot, cuvée, channel or set of terms must be introduced by some row. A new name that differs from a known one by
case, accent, space or sign alone is an error; by one letter or a leading zero, a caution [spellings]. Both say where
each of the two stands. Where more than a tenth of the names of a kind are one letter apart, letters count there as
digits do, and nothing is said.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import cache, cached_property
from itertools import compress

import numpy as np

from costing.errors import CAUTION, ERROR, Finding
from costing.inputs.estate import Estate
from costing.inputs.headers import KnownNames
from costing.inputs.numbered import Place, columns_of, numbered
from costing.inputs.rows import Check, Rows
from costing.inputs.schema import sheets
from costing.inputs.spellings import differs_in, keys_of, one_letter_apart, without_zeros

NAMES_PER_COLUMN = 20  # unknown names of a column that are shown and given a suggestion
_NOUNS = {"lot": "lot", "cuvee": "cuvée", "terms": "set of payment terms", "channel": "channel"}
_WHERE = {
    "lot": "Enter it where it is filled first (Opening stock, Deliveries, Pressings, Movements, Tirage or "
    "Disgorgements), or correct the name.",
    "cuvee": "Add it to Cuvées, or correct the name.",
    "terms": "Add it to Terms, or correct the name.",
    "channel": "Add it to Channels, or correct the name.",
}
_FREE = ("supplier", "owner", "village", "variety", "vineyard", "location", "presentation", "pool")
"""Columns whose names need no row of their own: every cell may hold a new one."""
_SERIES_FROM, _OF_A_SERIES = 20, 0.1


@cache
def _free_columns(name: str) -> tuple[Place, ...]:
    return tuple(
        (sheet.name, name)
        for sheet in sheets().values()
        if sheet.owner == "user" and any(column.name == name for column in sheet.columns)
    )


def known_lots(estate: Estate) -> list[str]:
    """Every lot that some table introduces."""
    return _Known.of(estate, "lot").names


class _Known:
    """Names that some columns introduce, and where they stand, prepared once for many that are not known.

    introduced: whether each of the names that these columns and `others` list is one of them.
    """

    def __init__(self, estate: Estate, columns: tuple[Place, ...], others: tuple[Place, ...] = ()) -> None:
        self.estate, self.columns = estate, columns
        self.numbers = numbered(estate, (*columns, *others))
        self.introduced = np.zeros(len(self.numbers.names), dtype=bool)
        for table, column in columns:
            stands = Rows(estate, table).first_of_names(column) >= 0
            self.introduced[self.numbers.of_names[table, column][stands]] = True

    @classmethod
    def of(cls, estate: Estate, key: str) -> _Known:
        """Known names of one sort."""
        return cls(estate, columns_of(key, introducing=True), columns_of(key, introducing=False))

    @cached_property
    def names(self) -> list[str]:
        return list(self.numbers.names[self.introduced])

    @cached_property
    def by_key(self) -> dict[str, str]:
        names = self.names[::-1]
        return dict(zip(keys_of(names), names, strict=True))

    @cached_property
    def near(self) -> KnownNames:
        return KnownNames(self.names)

    def place(self, name: str) -> str:
        """Where a known name stands first."""
        for table, column in self.columns:
            rows = np.flatnonzero(Rows(self.estate, table).are(column, name))
            if len(rows):
                return self.estate.place(table, int(rows[0]), column)
        raise KeyError(name)


def unknown_names(estate: Estate, spoilt: frozenset[str] = frozenset()) -> Iterator[Finding]:
    """Yield names that no table introduces, with the nearest."""
    for key in _NOUNS:
        if spoilt & {table for table, _ in columns_of(key, introducing=True)}:
            continue
        known = _Known.of(estate, key)
        none_known = not known.introduced.any()
        if key == "cuvee" and none_known:
            continue
        severity = CAUTION if key == "channel" and none_known else ERROR
        for table, column in columns_of(key, introducing=False):
            sheet = Rows(estate, table)
            number, first = known.numbers.of_names[table, column], sheet.first_of_names(column)
            strange = np.flatnonzero((first >= 0) & ~known.introduced[number])
            unknown = sorted(zip(first[strange].tolist(), known.numbers.names[number[strange]], strict=True))
            for row, name in unknown[:NAMES_PER_COLUMN]:
                rows = np.flatnonzero(sheet.are(column, name))
                rule, remedy = _unknown(key, name, known, severity)
                yield from sheet.findings(rows if severity == ERROR else [row], column, rule, remedy, severity)
            if further := unknown[NAMES_PER_COLUMN:]:
                rule = f"is no known {_NOUNS[key]} either; {len(further):,} such names of this column are not shown."
                remedy = "Correct those shown first; they may all have one cause."
                others = sheet.are(column, *(name for _, name in further))
                estate.refused.setdefault(table, []).append((np.flatnonzero(others), column))
                yield from sheet.findings([further[0][0]], column, rule, remedy, severity)


def _unknown(key: str, name: str, known: _Known, severity: str) -> tuple[str, str]:
    if severity == CAUTION:
        return (
            f"is a {_NOUNS[key]} without terms: its bottles count as sold, and are in no margin.",
            "Add it to Channels, with its deductions if it has any.",
        )
    alike = known.by_key.get(keys_of([name])[0])
    if alike:
        return f"is written '{alike}' at {known.place(alike)}.", "Use one spelling for one thing."
    near = known.near.closest(name, 0.6)
    return f"is no known {_NOUNS[key]}.", f"Did you mean '{near}' ({known.place(near)})?" if near else _WHERE[key]


@Check
def names_alike(estate: Estate) -> Iterator[Finding]:
    """Yield names that are one name in two spellings; caution where a letter or a leading zero differs."""
    for key in _NOUNS:
        yield from _alike(_Known.of(estate, key))
    for name in _FREE:
        yield from _alike(_Known(estate, _free_columns(name)))


def _alike(known: _Known) -> Iterator[Finding]:
    """Known names in two spellings; the one used more often, wherever it is named, is the usual one."""
    estate, columns, everywhere = known.estate, known.columns, tuple(known.numbers.columns)
    names, keys = known.names, keys_of(known.names)
    errors = _usual(_groups(names, keys), estate, everywhere)
    for name, usual in errors.items():
        rule = f"differs from '{usual}' at {known.place(usual)} only in {differs_in(name, usual)}."
        yield from _at(estate, columns, name, rule, "Use one spelling for one thing.")
    left = [name not in errors for name in names]
    names, keys = list(compress(names, left)), list(compress(keys, left))
    zeros = _usual(_groups(names, without_zeros(keys)), estate, everywhere)
    for name, usual in zeros.items():
        rule = f"differs from '{usual}' at {known.place(usual)} only in a leading zero."
        yield from _at(estate, columns, name, rule, "Use one spelling, if it is one thing.", CAUTION)
    pairs = list(one_letter_apart(names))
    if len(names) > _SERIES_FROM and len({name for pair in pairs for name in pair}) > _OF_A_SERIES * len(names):
        return
    for name, usual in _usual(pairs, estate, everywhere).items():
        if name not in zeros:
            rule = f"is one letter from '{usual}' at {known.place(usual)}: two names are two different things."
            yield from _at(estate, columns, name, rule, "Use one spelling, if it is one thing.", CAUTION)


def _groups(names: list[str], keys: list[str]) -> list[tuple[str, ...]]:
    """Names that have one key."""
    if len(set(keys)) == len(keys):
        return []
    groups: dict[str, list[str]] = {}
    for name, key in zip(names, keys, strict=True):
        if key:
            groups.setdefault(key, []).append(name)
    return [tuple(group) for group in groups.values() if len(group) > 1]


def _usual(groups: Sequence[tuple[str, ...]], estate: Estate, columns: tuple[Place, ...]) -> dict[str, str]:
    """Each rarer name -> the usual one of its group; of two used as often, the one that stood first."""
    uses = _uses(estate, columns, {name for group in groups for name in group})
    usual: dict[str, str] = {}
    for group in groups:
        most = max(group, key=lambda name: uses(name))
        usual |= {name: most for name in group if name != most and usual.get(most) != name}
    return usual


def _uses(estate: Estate, columns: tuple[Place, ...], names: set[str]) -> Callable[[str], int]:
    """Function that says in how many cells a name stands."""
    counts = dict.fromkeys(names, 0)
    for table, column in columns if names else ():
        cells = estate[table][column].cat
        per_name = np.bincount(cells.codes.to_numpy() + 1, minlength=len(cells.categories) + 1)[1:]
        for name, count in zip(cells.categories, per_name.tolist(), strict=True):
            if name in counts:
                counts[name] += count
    return counts.__getitem__


def _at(
    estate: Estate, columns: tuple[Place, ...], name: str, rule: str, remedy: str, severity: str = ERROR
) -> Iterator[Finding]:
    """Findings where a name stands: each of its rows, or the first where the name may stay."""
    for table, column in columns:
        sheet = Rows(estate, table)
        rows = np.flatnonzero(sheet.are(column, name))
        if len(rows):
            yield from sheet.findings(rows if severity == ERROR else rows[:1], column, rule, remedy, severity)
            if severity != ERROR:
                return
