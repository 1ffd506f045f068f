"""Result sheets made from answers: which tables stand on which sheet, under which headers, is data.

Rule: a table goes to the sheet that `answers/tables.csv` names, with the headers and formats of
`answers/columns.csv`; sheets stand in the order of `answers/sheets.csv`. Under the title of a sheet stand its notes
and the sentences of the answers on it. On sheets for deciding a table has the columns of a screen, and those behind
them stand in a table of their own below.

What it does not do: it chooses and computes nothing.
"""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from costing.answers import catalogue
from costing.answers.answer import Answer
from costing.workbook.pages.result_sheet import ResultSheet, ResultTable


def result_sheets(answers: Sequence[Answer], *, links: bool = True) -> list[ResultSheet]:
    """Sheets of these answers, in the order of their tabs; tables and sheets without a row are left out.

    links: whether places lead to the cells of the workbook that the sheets go to.
    """
    found = []
    for plan in catalogue.sheets().values():
        tables: list[ResultTable] = []
        notes: list[str] = []
        charts = []
        for answer in answers:
            mine = [name for name in answer.tables if catalogue.table(name).sheet == plan.name and len(answer[name])]
            if not mine:
                continue
            parts = [_parts(answer, name, plan.group) for name in mine]
            tables += [
                _result_table(answer, name, frame, links=links) for name, (frame, _) in zip(mine, parts, strict=True)
            ]
            behind = [(name, rest) for name, (_, rest) in zip(mine, parts, strict=True) if rest is not None]
            tables += [_result_table(answer, name, rest, links=links, detail=True) for name, rest in behind]
            notes += [answer.filled(note) for note in plan.notes] if not notes else []
            notes += answer.says
            charts += [chart for chart in answer.charts if chart.table in mine]
            title = answer.filled(plan.title)
        if tables:
            shown = tuple(dict.fromkeys(notes))
            found.append(ResultSheet(plan.name, title, shown, tuple(tables), tuple(charts), plan.group))
    return found


def _parts(answer: Answer, name: str, group: str) -> tuple[pd.DataFrame, pd.DataFrame | None]:
    """A table for deciding as a screen shows it, and its keys with the columns behind; any other table whole."""
    table, frame = catalogue.table(name), answer[name]
    present = list(frame.columns)
    first = catalogue.in_order(table.columns[: table.on_screen], present)
    rest = [column for column in present if column not in first]
    if group not in ("decisions", "front") or not rest:
        return frame, None
    keys = [key for key in table.keys if key in present]
    drawn = [column for chart in catalogue.charts() if chart.table == name for column in chart.series]
    if any(column in catalogue.in_order(tuple(drawn), present) for column in rest):
        return frame, None
    return frame[first], frame[[*keys, *(column for column in rest if column not in keys)]]


def _result_table(answer: Answer, name: str, frame: pd.DataFrame, *, links: bool, detail: bool = False) -> ResultTable:
    table = catalogue.table(name)
    columns = [catalogue.column(str(column)) for column in frame.columns]
    shown = frame.set_axis(_headers([column.header for column in columns]), axis=1)
    for header, column in zip(shown.columns, columns, strict=True):
        if column.kind == "yes or no":
            shown[header] = [("yes" if value else "no") if pd.notna(value) else "" for value in shown[header]]
    formats = {header: column.kind for header, column in zip(shown.columns, columns, strict=True)}
    totals = tuple(catalogue.column(column).header for column in catalogue.in_order(table.totals, list(frame.columns)))
    places = {header: header for header, kind in formats.items() if kind == "place"} if links else {}
    if detail:
        return ResultTable(f"{name}_detail", shown, formats, totals, places, f"{answer.title(name)}: behind it")
    return ResultTable(name, shown, formats, totals, places, answer.title(name))


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
