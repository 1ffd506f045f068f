"""Tables of an answer as fragments of a page, with captions and headings, for the report and the notebook.

What it does not do: a whole page, its style or its charts.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import pandas as pd

from costing.answers import catalogue
from costing.answers.kinds import COLUMN_KINDS, written


def html_table(
    name: str, frame: pd.DataFrame, columns: Sequence[str] = (), *, caption: str = "", rows: int | None = None
) -> str:
    """Table of an answer. columns: those shown, in their order (none named: those of a screen); rows: at most so
    many, the number left out said below.
    """
    if not len(frame):
        return ""
    table = catalogue.table(name)
    named = catalogue.in_order(tuple(columns) or table.columns[: table.on_screen], list(frame.columns))
    head = "".join(
        f'<th scope="col"{_class(column)}>{escape(catalogue.column(column).header)}</th>' for column in named
    )
    body = []
    for line in frame[named].head(rows or len(frame)).itertuples(index=False):
        cells = []
        for step, (column, value) in enumerate(zip(named, line, strict=True)):
            of = catalogue.column(column)
            text = escape(written(value, of.kind, of.decimals))
            tag = 'th scope="row"' if step == 0 else "td"
            cells.append(f"<{tag}{_class(column)}>{text}</{tag[:2]}>")
        body.append(f"<tr>{''.join(cells)}</tr>")
    words = f"<caption><span>{escape(caption)}</span></caption>" if caption else ""
    more = "" if rows is None or len(frame) <= rows else f"<p class=under>{len(frame) - rows:,} more rows.</p>"
    return f"<table>{words}<thead><tr>{head}</tr></thead><tbody>{''.join(body)}</tbody></table>{more}"


def _class(column: str) -> str:
    kind = catalogue.column(column).kind
    return " class=n" if COLUMN_KINDS[kind].is_figure else " class=d" if kind in ("date", "lot") else ""
