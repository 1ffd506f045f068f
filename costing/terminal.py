"""What a person reads in a terminal: tables, findings, notes."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from typing import Any

import pandas as pd

from costing.errors import Finding

CAUTION = (
    "Decision support, not accounting, tax or legal advice: the book basis follows your local standard, to be "
    "confirmed with a licensed professional."
)

WHOLE_NUMBERS = ("Bottles", "Months on lees", "Bottles to sell", "Bottles sold", "Expected bottles")
SMALL_CHANGES = ("1 % less", "1 % more", "Change per unit", "Change per 1 %")
PERCENT = ("Reserve", "Second pressing", "Return a year", "Increase")


def text_table(frame: pd.DataFrame) -> str:
    """Lay out a frame as text: dates without a time, bottles whole, money with two decimals (small changes of it with
    four), blanks as such.
    """
    shown = pd.DataFrame(index=frame.index)
    for column in frame.columns:
        values = frame[column]
        if pd.api.types.is_datetime64_any_dtype(values):
            shown[column] = values.dt.strftime("%Y-%m-%d").fillna("")
        elif pd.api.types.is_float_dtype(values):
            shown[column] = values.map(_written_as(str(column)))
        else:
            shown[column] = values.astype(object).where(values.notna(), "")
    numeric = [pd.api.types.is_number(frame[c].iloc[0]) if len(frame) else False for c in frame.columns]
    widths = [max(len(str(c)), *(len(str(v)) for v in shown[c])) if len(shown) else len(str(c)) for c in shown.columns]
    rows = [list(map(str, shown.columns)), *shown.astype(str).to_numpy().tolist()]
    return "\n".join(
        "  ".join(
            cell.rjust(width) if right else cell.ljust(width)
            for cell, width, right in zip(row, widths, numeric, strict=True)
        ).rstrip()
        for row in rows
    )


def _written_as(column: str) -> Callable[[float], str]:
    """How a number of a column is written; blank where there is none."""
    digits = 4 if column in SMALL_CHANGES else 2
    if column in WHOLE_NUMBERS or column.startswith("Rank "):
        digits = 0
    if column in PERCENT:
        return lambda number: "" if number != number else f"{number:.1%}"
    return lambda number: "" if number != number else f"{round(number, digits) + 0.0:,.{digits}f}"  # no −0.00


def print_findings(findings: Sequence[Finding], stream: Any) -> None:
    """Print findings, one a line."""
    for finding in findings:
        print(f"{finding.severity}: {finding}", file=stream)


def counted(number: int, noun: str) -> str:
    """Say "1 error" or "2 errors"."""
    return f"{number:,} {noun}" + ("" if number == 1 else "s")


def note(text: str) -> None:
    """Print a line beside the results, on stderr."""
    print(text, file=sys.stderr)
