"""The log of runs inside the workbook: when, by which version, from which inputs, and the main figures;
appended, never changed.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import pandas as pd

from costing.errors import WorkbookError
from costing.results.costs import by_cuvee
from costing.results.results import Results
from costing.results.stock import stock_values
from costing.workbook.file.package import Package
from costing.workbook.file.sheets import read_book
from costing.workbook.file.standing import standing
from costing.workbook.pages.result_sheet import ResultSheet, ResultTable
from costing.workbook.read import stray_finding

RUN_LOG = "Run log"
TABLE = "run_log"
_COLUMNS = ("Run", "Version", "Inputs", "Valuation date", "Figure", "Book", "Economic")


def read_log(package: Package) -> pd.DataFrame:
    """The log in a workbook, every row and column of it, whatever they hold; no rows where there is no log yet.

    Columns are known by their headers; others, a renamed one too, are kept as they are, and what is missing stands
    behind them. WorkbookError where the log can't be read, since it would be lost.
    """
    book = read_book(package)
    blank = pd.DataFrame(columns=list(_COLUMNS), dtype=object)
    own = [sheet for sheet in book.owned() if sheet.name == RUN_LOG]
    if not own:
        return blank
    log = standing(book, own)[RUN_LOG]
    if log.too_far:
        raise WorkbookError(str(stray_finding(RUN_LOG, log.too_far)))
    table = log.table(TABLE)
    if table is None:
        msg = f"Sheet '{RUN_LOG}' has no table '{TABLE}' any more. Rename the sheet, which keeps it, and run again."
        raise WorkbookError(msg)
    known = {name.casefold(): name for name in _COLUMNS}
    headers = list(dict.fromkeys(known.get(header.strip().casefold(), header) for header in table.headers))
    first, last = table.first_row + table.header_rows, table.last_row - table.totals_rows
    rows = log.rows[first - 1 : last]
    if not table.totals_rows:  # not every program stretches the table over what is typed right below it
        for row in log.rows[last:]:
            if not any(_as_kept(cell) is not None for cell in row):
                break
            rows.append(row)
    start = table.first_column - 1
    kept = [[_as_kept(cell) for cell in _padded(row, start, len(headers))] for row in rows]
    frame = pd.DataFrame([row for row in kept if any(cell is not None for cell in row)], columns=headers, dtype=object)
    return frame.reindex(columns=[*headers, *(name for name in _COLUMNS if name not in headers)])


def _padded(row: list[Any], start: int, width: int) -> list[Any]:
    return (row[start : start + width] + [None] * width)[:width]


def _as_kept(cell: Any) -> Any:
    """Cell as it is written again: a number, truth or text; a date as the text of its day and time."""
    if isinstance(cell, dt.datetime):
        return cell.isoformat(" ")
    if isinstance(cell, dt.date | dt.time | dt.timedelta):
        return str(cell)
    return None if cell == "" else cell


def logged(book: Results, economic: Results, version: str, inputs: str, before: pd.DataFrame) -> ResultSheet:
    """Sheet Run log: what it held before, and this run's stock and latest release of each cuvée in bottles."""
    when = f"{dt.datetime.now():%Y-%m-%d %H:%M:%S}"
    on = str(np.datetime64(book.chain.valuation_day, "D"))
    figures = [("Stock", stock_values(book)["value"].sum(), stock_values(economic)["value"].sum())]
    both = by_cuvee(book).merge(by_cuvee(economic), on=["release", "cuvee", "format"], suffixes=("_book", "_economic"))
    both = both[both["format"] == "bottle"]
    figures += [
        (f"{cuvee} per bottle, {release}", book_cost, economic_cost)
        for cuvee, release, book_cost, economic_cost in both[
            ["cuvee", "release", "per_bottle_book", "per_bottle_economic"]
        ].itertuples(index=False, name=None)
    ]
    rows = [(when, version, inputs, on, name, round(float(a), 4), round(float(b), 4)) for name, a, b in figures]
    added = pd.DataFrame(rows, columns=list(_COLUMNS), dtype=object)
    table = pd.concat([before.astype(object), added], ignore_index=True) if len(before) else added
    table = table.reindex(columns=[*before.columns])
    return ResultSheet(
        RUN_LOG,
        "Every run: when, from which inputs, and its main figures",
        tables=(ResultTable(TABLE, table, {"Book": "number", "Economic": "number"}),),
        says=("Rows are added at each run; equal inputs have equal fingerprints.",),
    )
