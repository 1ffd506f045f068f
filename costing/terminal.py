"""What a person reads in a terminal: tables, findings, notes."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Any

import pandas as pd

from costing.errors import Finding

WHOLE_NUMBERS = ("Bottles", "Months on lees", "Bottles to sell", "Bottles sold")
PERCENT = ("Reserve", "Second pressing", "Return a year")


def text_table(frame: pd.DataFrame) -> str:
    """Lay out a frame as text: dates without a time, bottles whole, money with two decimals, blanks as such."""
    shown = pd.DataFrame(index=frame.index)
    for column in frame.columns:
        values = frame[column]
        if pd.api.types.is_datetime64_any_dtype(values):
            shown[column] = values.dt.strftime("%Y-%m-%d").fillna("")
        elif pd.api.types.is_float_dtype(values):
            whole = column in WHOLE_NUMBERS or str(column).startswith("Rank ")
            if column in PERCENT:
                shown[column] = values.map(lambda v: "" if v != v else f"{v:.1%}")
                continue
            shown[column] = values.map(
                lambda v, at=0 if whole else 2: "" if v != v else f"{round(v, at) + 0.0:,.{at}f}"
            )
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


def print_table(table: pd.DataFrame, names: dict[str, str], columns: list[str], as_json: bool, empty: str) -> int:
    """Print a table, or JSON of all of it; return the exit code. names: of the columns, for people."""
    if as_json:
        print(table.to_json(orient="records", date_format="iso", double_precision=15, force_ascii=False, indent=1))
    else:
        print(text_table(table.rename(columns=names)[columns]) if len(table) else empty)
    return 0
