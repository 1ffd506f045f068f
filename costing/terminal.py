"""What a person reads in a terminal: tables, findings, notes."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Any

import pandas as pd

from costing.errors import Finding

WHOLE_NUMBERS = ("Bottles", "Months on lees", "Bottles to sell", "Bottles sold", "Rank per bottle", "Rank by return")
PERCENT = ("Reserve", "Second pressing", "Return a year")


def text_table(frame: pd.DataFrame) -> str:
    """Lay out a frame as text: dates without a time, bottles whole, money with two decimals, blanks as such."""
    shown = pd.DataFrame(index=frame.index)
    for column in frame.columns:
        values = frame[column]
        if pd.api.types.is_datetime64_any_dtype(values):
            shown[column] = values.dt.strftime("%Y-%m-%d").fillna("")
        elif pd.api.types.is_float_dtype(values):
            whole = column in WHOLE_NUMBERS
            if column in PERCENT:
                shown[column] = values.map(lambda v: "" if v != v else f"{v:.1%}")
                continue
            shown[column] = values.map(lambda v, whole=whole: "" if v != v else f"{v:,.0f}" if whole else f"{v:,.2f}")
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


def note(text: str) -> None:
    """Print a line beside the results, on stderr."""
    print(text, file=sys.stderr)
