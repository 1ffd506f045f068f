"""Result sheets made from answers: which tables stand on which sheet, under which headers, is data.

Rule: a table goes to the sheet that `answers/tables.csv` names, with the headers and formats of
`answers/columns.csv`; sheets stand in the order of `answers/sheets.csv`. Under the title of a sheet stand the
sentences of the answers on it, which a sheet for audit does not repeat, and below its tables its notes; those of the
first page, whose end does not print, stand above. A table shows the columns of a screen; those behind them are a click
away.

What it does not do: it chooses and computes nothing.
"""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from costing.answers import catalogue
from costing.answers.answer import Answer
from costing.workbook.pages.result_sheet import ResultSheet, ResultTable

MOST_NAMED = 6
"""Columns behind the others that a sheet names; more push its table off the first screen."""


def result_sheets(answers: Sequence[Answer], *, links: bool = True) -> list[ResultSheet]:
    """Sheets of these answers, in the order of their tabs; tables and sheets without a row are left out.

    links: whether places lead to the cells of the workbook that the sheets go to.
    """
    written = []
    for plan in catalogue.sheet_plans().values():
        tables: list[ResultTable] = []
        notes: list[str] = []
        says: list[str] = []
        title = ""
        for answer in answers:
            parts = [
                name
                for name, table in catalogue.tables().items()
                if table.sheet == plan.name and len(answer.tables.get(name, ()))
            ]
            if not parts:
                continue
            tables += [_result_table(answer, name, links=links) for name in parts]
            notes += [answer.filled(note) for note in plan.notes] if not notes else []
            if plan.group != "audit" or not _stands_before(answer):
                says += answer.says_on.get(plan.name, answer.says)
            filled = answer.filled(plan.title)
            title = title or filled[:1].upper() + filled[1:]
        if tables:
            charts = tuple(chart for answer in answers for chart in answer.charts if chart.sheet == plan.name)
            notes += _behind(tables)
            if plan.group == "front":
                says, notes = [*says, *notes], []
            below, above = tuple(dict.fromkeys(notes)), tuple(dict.fromkeys(says))
            written.append(ResultSheet(plan.name, title, below, tuple(tables), charts, plan.group, says=above))
    return written


def _stands_before(answer: Answer) -> bool:
    """Whether a sheet that is not for audit says what the answer says."""
    plans, tables = catalogue.sheet_plans(), catalogue.tables()
    return any(
        len(frame) and tables[name].sheet and plans[tables[name].sheet].group != "audit"
        for name, frame in answer.tables.items()
    )


def _behind(tables: Sequence[ResultTable]) -> list[str]:
    """Where the columns are that stand closed."""
    opened = max(table.shown for table in tables)
    open_too = {name for of in tables for name in of.frame.columns[:opened]}
    behind = dict.fromkeys(name for of in tables for name in of.frame.columns[opened:] if name not in open_too)
    closed = [str(header) for header in behind]
    named = ", ".join(closed[:MOST_NAMED]) + (f" and {more} more" if (more := len(closed) - MOST_NAMED) > 0 else "")
    return [f"Behind the + above the columns: {named}."] if closed else []


def _result_table(answer: Answer, name: str, *, links: bool) -> ResultTable:
    table, frame = catalogue.table(name), answer[name]
    columns = [catalogue.column(str(column)) for column in frame.columns]
    shown = frame.set_axis(_headers([column.header for column in columns]), axis=1)
    for header, column in zip(shown.columns, columns, strict=True):
        if column.kind == "yes or no":
            shown[header] = [("yes" if value else "no") if pd.notna(value) else "" for value in shown[header]]
    formats = {header: column.kind for header, column in zip(shown.columns, columns, strict=True)}
    totals = tuple(catalogue.column(column).header for column in catalogue.in_order(table.totals, list(frame.columns)))
    places = {header: header for header, kind in formats.items() if kind == "place"} if links else {}
    first = len(catalogue.in_order(table.columns[: table.on_screen], list(frame.columns)))
    live = answer.formulas.get(name, pd.DataFrame())
    formulas = {catalogue.column(str(column)).header: live[column].tolist() for column in live.columns}
    return ResultTable(name, shown, formats, totals, places, answer.title(name), first, formulas)


def _headers(headers: list[str]) -> list[str]:
    """Headers as a spreadsheet table wants them: different from each other whatever their case."""
    seen: set[str] = set()
    unique = []
    for header in headers:
        name, count = header, 1
        while name.casefold() in seen:
            count += 1
            name = f"{header} ({count})"
        seen.add(name.casefold())
        unique.append(name)
    return unique
