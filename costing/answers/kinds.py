"""Kinds of result columns: how each is written in a terminal, on a page and in a cell.

Rule: money in total stands without decimals, money per bottle, litre or kilogram with two, a share or rate as a
percentage, a quantity whole; a zero is a dash, what is not known a blank. A cell holds the full figure; only what
is seen is rounded.

What it does not do: it knows no column and no table.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

DASH = "–"
_UP = 1 + 1e-15  # 31.465 is a little less as a binary number: a spreadsheet, with 15 digits, shows 31.47


@dataclass(frozen=True, slots=True)
class ColumnKind:
    """How the figures of a kind are seen: decimals; percent: a fraction shown in hundredths; blank_zero: a zero is
    a dash. Kinds that are no figures have no decimals.
    """

    decimals: int | None = None
    percent: bool = False
    most_decimals: int | None = None

    @property
    def is_figure(self) -> bool:
        """Whether it stands on the right and may be added up."""
        return self.decimals is not None

    def number_format(self) -> str:
        """Format of a spreadsheet cell (ECMA-376 part 1, 18.8.30)."""
        if self.decimals is None:
            return "General"
        more = "#" * ((self.most_decimals or self.decimals) - self.decimals)
        form = ("0" if self.percent else "#,##0") + ("." + "0" * self.decimals + more if self.decimals or more else "")
        form += "%" if self.percent else ""
        return f"{form};-{form};{DASH}"

    def written(self, value: float, decimals: int | None = None) -> str:
        """The figure as text."""
        if value == 0:
            return DASH
        places = self.decimals if decimals is None else decimals
        if self.percent:
            return f"{value:.{places}%}"
        if self.most_decimals is not None:
            text = f"{value:,.{self.most_decimals}f}"
            whole, _, part = text.partition(".")
            return f"{whole}.{part[:places]}{part[places or 0 :].rstrip('0')}".rstrip(".")
        return f"{round(value * _UP, places) + 0.0:,.{places}f}"


COLUMN_KINDS: dict[str, ColumnKind] = {
    "text": ColumnKind(),
    "lot": ColumnKind(),
    "verdict": ColumnKind(),
    "place": ColumnKind(),
    "date": ColumnKind(),
    "yes or no": ColumnKind(),
    "money total": ColumnKind(0),
    "money amount": ColumnKind(2),
    "money per unit": ColumnKind(2),
    "money in detail": ColumnKind(4),
    "bottles": ColumnKind(0),
    "litres": ColumnKind(0),
    "kilograms": ColumnKind(0),
    "quantity": ColumnKind(0),
    "count": ColumnKind(0),
    "months": ColumnKind(0),
    "years": ColumnKind(1),
    "share": ColumnKind(1, percent=True),
    "rate": ColumnKind(1, percent=True),
    "factor": ColumnKind(4),
    "number": ColumnKind(2, most_decimals=4),
}
"""Kind -> how it is seen. `verdict` is the answer of its row, `place` leads to a cell (`Movements!F17`)."""

NUMBER_FORMATS = {name: kind.number_format() for name, kind in COLUMN_KINDS.items()} | {"date": "yyyy-mm-dd"}

TEXTS = frozenset(name for name, kind in COLUMN_KINDS.items() if not kind.is_figure) - {"date"}


def about(amount: float) -> str:
    """An estimate of money as a sentence says it: three figures, whole. The table beside it holds it in full."""
    whole = round(amount)
    return f"{round(whole, min(0, 3 - len(str(abs(whole))))):,}"


def written(value: Any, kind: str, decimals: int | None = None) -> str:
    """One value of a column of that kind as text; blank where there is none."""
    if value is None or value is pd.NaT or value is pd.NA or value != value:
        return ""
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    if kind == "date":
        return str(np.datetime64(pd.Timestamp(value), "D"))
    if COLUMN_KINDS[kind].is_figure and not isinstance(value, str):
        return COLUMN_KINDS[kind].written(float(value), decimals)
    return str(value)
