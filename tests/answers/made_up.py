"""Answers of made-up figures for every table there is, and what a reader sees of them in a terminal, a notebook and
JSON; in words, with digests of what is long.
"""

from __future__ import annotations

import hashlib
import random
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd

from costing.answers import catalogue
from costing.answers.answer import Answer
from costing.answers.kinds import TEXTS
from costing.answers.sums import _side, agreements, sheets_compared
from costing.answers.text import text_answer, text_table
from costing.errors import Finding

_WORDS = ("hold", "Brut", "T24-1", "released in two years, or never at all if the market falls", "Movements!F17", "=x")
_FIGURES = (0.0, 0.125, 12.5, -3.25, 1_234_567.891, 31.465, 0.004, np.nan)


def _values(dice: random.Random, kind: str, rows: int) -> list[Any]:
    if kind == "date":
        return [pd.Timestamp("2024-01-31") + pd.Timedelta(days=dice.randint(0, 900)) for _ in range(rows)]
    if kind == "yes or no":
        return [dice.choice((True, False, None)) for _ in range(rows)]
    if kind in TEXTS:
        return [dice.choice((*_WORDS, None)) for _ in range(rows)]
    return [dice.choice(_FIGURES) for _ in range(rows)]


def made_up(tables: Sequence[str], seed: int, rows: int) -> Answer:
    """An answer of these tables, every column of each."""
    dice = random.Random(seed)
    frames = {}
    for name in tables:
        columns = [
            one
            for column in catalogue.table(name).columns
            for one in ([column.replace("*", part) for part in ("grapes", "on lees")] if "*" in column else [column])
        ]
        given = {column: _values(dice, catalogue.column(column).kind, rows) for column in dict.fromkeys(columns)}
        frames[name] = pd.DataFrame(given)
    facts = {"currency": "EUR", "estate": "Amblencourt: ", "day": "31.12.2025"}
    found = (Finding("Costs!A2", "x", "is no day.", "Mend it."),) * dice.randint(0, 2)
    return Answer(frames, found, ("What it says.", "More of it, and at more length than a line holds. " * 3), facts)


def answers() -> Iterator[tuple[str, Answer]]:
    """One for each sheet, and for each table without one."""
    for seed, plan in enumerate(catalogue.sheet_plans().values()):
        names = [name for name, table in catalogue.tables().items() if table.sheet == plan.name]
        if names:
            yield plan.name, made_up(names, seed, 1 + seed % 4)
    loose = [name for name, table in catalogue.tables().items() if not table.sheet]
    for seed, name in enumerate(loose):
        yield f"no sheet: {name}", made_up([name], seed, 3)


def digest(text: str) -> str:
    """A few letters that stand for a long text."""
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def answers_seen() -> Iterator[str]:
    """Each answer in a terminal, a notebook and JSON, and its charts."""
    for number, (title, answer) in enumerate(answers()):
        yield f"{title}: {digest(text_answer(answer, width=80 + 20 * (number % 2)))}"
        yield f"{title}: {answer!r}"
        for name, frame in answer.tables.items():
            yield f"{title} {name}: {digest(text_table(name, frame, wide=True))} {list(answer.under_headers(name))}"
        yield f"{title}: {digest(answer._repr_html_())} {digest(answer.to_json())} {len(answer.to_json())}"
        for chart in answer.charts:
            yield f"{title}: {chart}"
    first = next(iter(catalogue.tables()))
    yield repr(Answer({first: pd.DataFrame()}))
    yield Answer({}, says=("a < b",))._repr_html_()
    for table in (first, "vat", "plan"):
        try:
            yield str(len(made_up([first], 1, 2)[table]))
        except KeyError as refused:
            yield str(refused)


def sums_compared() -> Iterator[str]:
    """Sums that must agree, over tables of made-up figures."""
    tables: dict[str, pd.DataFrame] = {}
    for _, answer in answers():
        tables |= answer.tables
    for agreement in agreements():
        yield f"{agreement.name}: {sorted(agreement.tables)}"
    for side in ("12", "vats.litres + rows vats", "vats.litres[lot=Brut]", "vats litres", "cellar.litres"):
        try:
            yield f"{side}: {[(term.figure(tables), term.formula(tables)) for term in _side(side)]}"
        except (KeyError, ValueError) as refused:
            yield f"{side}: {refused}"
    compared = sheets_compared(tables)
    yield from (f"{line}" for frame in (*compared.tables.values(), *compared.formulas.values())
                for line in frame.itertuples(index=False))  # fmt: skip
