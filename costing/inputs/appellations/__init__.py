"""Rule sets of place: dated figures of appellation and wine law, each with its source.

One CSV file a rule set, one row a figure: rule (listed in `rules.csv`), what it applies to (a category of
wine, a term, a format; spellings parted by `|`; blank: all), bound, value, unit, in force from and to (both
days included; blank: until now), source, section, date of the source, note. `register.csv` lists the sets
and the general set behind each: a rule that a set has itself hides that rule of its general set. Where the
day a rule began is not known, it starts on the date of the source that attests it. A figure without a source
or a date does not load. Notes say what is second-hand or from memory.

Which row counts: those in force on the day; of these the one whose category matches by most words; of equals
the strictest. `rosé vintage` matches `rosé` and `vintage`; accents, case, spaces and hyphens do not matter;
`non vintage` is not `vintage`.

Not here: judging an estate's rows (`costing.results.appellation`). Rule sets are dated and no legal advice:
local rules decide.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable

import numpy as np
from numpy.typing import ArrayLike

from costing.array_types import Ints
from costing.errors import CostingError, nearest
from costing.inputs.cells import without_accents
from costing.packaged import packaged_rows

DAY_UNITS = {"year of harvest": 0, "year after harvest": 1}  # years from the harvest to the day meant
REQUIRED = ("rule", "bound", "value", "unit", "in_force_from", "source", "section", "source_date")
_COLUMNS = (*REQUIRED, "applies_to", "in_force_to", "note")


@dataclass(frozen=True, slots=True)
class RuleFigure:
    """One figure of a rule set.

    rule_set: title of the set that says it; applies_to: spellings of its category, empty for all; value: in
    `unit`, nan for a day of the year, which stands in `month_day` (`12-01`) and belongs to the year that
    `unit` names; in_force_to: last day, None if open.
    """

    rule_set: str
    rule: str
    applies_to: tuple[str, ...]
    bound: str
    value: float
    month_day: str
    unit: str
    in_force_from: date
    in_force_to: date | None
    source: str
    section: str
    source_date: date
    note: str

    @property
    def per(self) -> float:
        """Basis of the unit: 160 for `L per 160 kg`, otherwise 1."""
        match = re.fullmatch(r"L per (\d+) kg", self.unit)
        return float(match[1]) if match else 1.0

    @property
    def last_day(self) -> date:
        """Last day in force; the end of the calendar if open."""
        return self.in_force_to or date.max

    def cite(self) -> str:
        """Source, section, its date, days in force and note, in one line."""
        until = f" to {self.in_force_to}" if self.in_force_to else ""
        note = f"; {self.note}" if self.note else ""
        where = f"{self.source}, {self.section}, of {self.source_date}"
        return f"{where}, in force from {self.in_force_from}{until}{note}"


@dataclass(frozen=True, eq=False)
class RuleSet:
    """Figures of one place and of the general set behind it."""

    title: str
    figures: tuple[RuleFigure, ...]

    def rows(self, rule: str, categories: str | Sequence[object], dates: ArrayLike) -> Ints:
        """Position in `figures` of the figure of `rule` that counts on each row, −1 where none.

        categories: one text for all rows, or one per row (what is not text is blank); dates: shape (n_rows,),
        NaT has none. KeyError if `rules.csv` has no such rule.
        """
        if rule not in _rules():
            raise KeyError(rule)
        days = np.atleast_1d(np.asarray(dates, dtype="datetime64[D]"))
        given = [categories] * len(days) if isinstance(categories, str) else list(categories)
        texts = np.array([text if isinstance(text, str) else "" for text in given], dtype=object)
        position = np.full(days.shape, -1, dtype=np.int64)
        for text in set(texts.tolist()):
            here = texts == text
            for index in _candidates(self, rule, text):
                first = np.datetime64(self.figures[index].in_force_from, "D")
                last = np.datetime64(self.figures[index].last_day, "D")
                position[here & (position < 0) & (days >= first) & (days <= last)] = index
        return position

    def figure(self, rule: str, category: str, on_date: date) -> RuleFigure | None:
        """Figure of `rule` that counts for `category` (blank: any) on `on_date`, None if the set has none."""
        index = int(self.rows(rule, category, np.array([on_date], dtype="datetime64[D]"))[0])
        return self.figures[index] if index >= 0 else None

    def in_force(self, rule: str, on_date: date) -> list[RuleFigure]:
        """Every figure of `rule` in force on `on_date`, whatever it applies to, in the order of the file."""
        return [f for f in self.figures if f.rule == rule and f.in_force_from <= on_date <= f.last_day]


@cache
def _candidates(rules: RuleSet, rule: str, category: str) -> list[int]:
    """Positions of figures that may count for a category, the one that counts first."""
    words = folded_words(category)
    ranked: list[tuple[int, float, int]] = []
    for index, figure in enumerate(rules.figures):
        if figure.rule != rule:
            continue
        fits = [len(name) for name in map(folded_words, figure.applies_to) if _within(name, words)]
        if fits or not figure.applies_to:
            slack = figure.value if figure.bound in ("max", "below") else -figure.value
            ranked.append((-max(fits, default=0), 0.0 if figure.month_day else slack, index))
    return [index for *_, index in sorted(ranked)]


@cache
def folded_words(text: str) -> tuple[str, ...]:
    """Words of a category or term, without case, accents and hyphens; `non vintage` is one word."""
    letters = without_accents(text.casefold())
    return tuple(re.findall(r"\w+", re.sub(r"\b(non|multi)[\s-]+", r"\1_", letters)))


def _within(name: tuple[str, ...], words: tuple[str, ...]) -> bool:
    return any(words[i : i + len(name)] == name for i in range(len(words) - len(name) + 1))


def rule_set_names() -> tuple[str, ...]:
    """Titles of the rule sets that ship."""
    return tuple(_register())


@cache
def rule_set(name: str) -> RuleSet:
    """Rule set of that title (case, accents and hyphens do not matter). CostingError if there is none."""
    title = {folded_words(title): title for title in rule_set_names()}.get(folded_words(name.replace("_", " ")))
    if title is None:
        hint = f"{nearest(name, rule_set_names())} Known: {', '.join(rule_set_names())}."
        msg = f"No rule set is called '{name}'. {hint.strip()}"
        raise CostingError(msg)
    file, general = _register()[title]
    own = read_figures(files(__package__).joinpath(f"{file}.csv"), title)
    own_rules = {figure.rule for figure in own}
    behind = rule_set(general).figures if general else ()
    return RuleSet(title, own + tuple(figure for figure in behind if figure.rule not in own_rules))


def read_figures(file: Traversable, title: str) -> tuple[RuleFigure, ...]:
    """Figures of one CSV file. CostingError with file and line of each row without source, date or sense."""
    rows = csv.DictReader(file.read_text(encoding="utf-8").splitlines(), restkey="extra", strict=True)
    if set(rows.fieldnames or ()) != set(_COLUMNS):
        msg = f"{file.name}:1: the columns must be {', '.join(_COLUMNS)}"
        raise CostingError(msg)
    figures: list[RuleFigure] = []
    faults: list[str] = []
    for row in rows:
        try:
            figure = _figure(title, row)
            _refuse_overlap(figure, figures)
            figures.append(figure)
        except ValueError as fault:
            faults.append(f"{file.name}:{rows.line_num}: {fault}")
    if faults:
        raise CostingError("; ".join(faults))
    return tuple(figures)


def _figure(title: str, cells: dict[str, str]) -> RuleFigure:
    if "extra" in cells or None in cells.values():
        msg = f"the row must have {len(_COLUMNS)} cells"
        raise ValueError(msg)
    row = {column: cell.strip() for column, cell in cells.items()}
    blank = [column for column in REQUIRED if not row[column]]
    if blank:
        msg = f"{', '.join(blank)} blank: a figure does not load without it"
        raise ValueError(msg)
    if row["rule"] not in _rules():
        msg = f"unknown rule '{row['rule']}'. {nearest(row['rule'], _rules())}"
        raise ValueError(msg)
    unit, bounds = _rules()[row["rule"]]
    if not re.fullmatch(unit, row["unit"]) or row["bound"] not in bounds.split("|"):
        msg = f"'{row['rule']}' has the unit {unit} and the bound {bounds}"
        raise ValueError(msg)
    is_day = row["unit"] in DAY_UNITS
    if is_day:
        date.fromisoformat(f"2001-{row['value']}")
    elif not math.isfinite(float(row["value"])):
        msg = f"'{row['value']}' is not a number"
        raise ValueError(msg)
    return RuleFigure(
        title,
        row["rule"],
        tuple(name.strip() for name in row["applies_to"].split("|") if name.strip()),
        row["bound"],
        math.nan if is_day else float(row["value"]),
        row["value"] if is_day else "",
        row["unit"],
        date.fromisoformat(row["in_force_from"]),
        date.fromisoformat(row["in_force_to"]) if row["in_force_to"] else None,
        row["source"],
        row["section"],
        date.fromisoformat(row["source_date"]),
        row["note"],
    )


def _refuse_overlap(figure: RuleFigure, before: Sequence[RuleFigure]) -> None:
    if figure.last_day < figure.in_force_from:
        msg = f"in force until {figure.in_force_to}, before {figure.in_force_from}"
        raise ValueError(msg)
    for other in before:
        same = (other.rule, other.applies_to) == (figure.rule, figure.applies_to)
        listed = figure.rule == "nominal volume" and other.value != figure.value
        meet = other.in_force_from <= figure.last_day and figure.in_force_from <= other.last_day
        if same and meet and not listed:
            msg = f"a second '{figure.rule}' for the same wine on the same days"
            raise ValueError(msg)


@cache
def _register() -> dict[str, tuple[str, str]]:
    return {row["title"]: (row["file"], row["general"]) for row in packaged_rows(__package__, "register")}


@cache
def _rules() -> dict[str, tuple[str, str]]:
    return {row["rule"]: (row["unit"], row["bounds"]) for row in packaged_rows(__package__, "rules")}
