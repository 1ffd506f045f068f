"""The log of runs inside the workbook: when, by which version, from which inputs, and the main figures;
appended, never changed.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pandas as pd
from python_calamine import CalamineError, CalamineWorkbook

from costing.results.costs import by_cuvee
from costing.results.results import Results
from costing.results.stock import stock_values
from costing.workbook.result_sheet import ResultSheet, ResultTable

SHEET = "Run log"
COLUMNS = ("Run", "Version", "Inputs", "Valuation date", "Figure", "Book", "Economic")


def read_log(path: str | Path) -> pd.DataFrame:
    """Rows of the log in a workbook; none where there is no log yet."""
    blank = pd.DataFrame(columns=list(COLUMNS))
    if Path(path).is_dir():
        return blank
    try:
        workbook = CalamineWorkbook.from_path(str(path))
        if SHEET not in workbook.sheet_names:
            return blank
        rows = workbook.get_sheet_by_name(SHEET).to_python()
    except CalamineError:
        return blank
    start = next((at for at, row in enumerate(rows) if tuple(row[: len(COLUMNS)]) == COLUMNS), None)
    if start is None:
        return blank
    kept = [row[: len(COLUMNS)] for row in rows[start + 1 :] if row[0] not in ("", "Total")]
    return pd.DataFrame(kept, columns=list(COLUMNS))


def logged(book: Results, economic: Results, version: str, inputs: str, before: pd.DataFrame) -> ResultSheet:
    """Sheet Run log: what it held before, and this run's stock and latest release of each cuvée in bottles."""
    when = f"{dt.datetime.now():%Y-%m-%d %H:%M:%S}"
    on = str(np.datetime64(book.chain.valuation_day, "D"))
    figures = [("Stock", stock_values(book)["value"].sum(), stock_values(economic)["value"].sum())]
    both = by_cuvee(book).merge(by_cuvee(economic), on=["release", "cuvee", "format"], suffixes=("_book", "_economic"))
    both = both[both["format"] == "bottle"]
    figures += [
        (f"{cuvee} per bottle, {release}", mine, theirs)
        for cuvee, release, mine, theirs in both[
            ["cuvee", "release", "per_bottle_book", "per_bottle_economic"]
        ].itertuples(index=False, name=None)
    ]
    rows = [(when, version, inputs, on, name, round(float(a), 4), round(float(b), 4)) for name, a, b in figures]
    table = pd.concat([before, pd.DataFrame(rows, columns=list(COLUMNS))], ignore_index=True)
    table[["Book", "Economic"]] = table[["Book", "Economic"]].astype(float)
    return ResultSheet(
        SHEET,
        "Every run: when, from which inputs, and its main figures",
        ("Rows are added at each run; equal inputs have equal fingerprints.",),
        (ResultTable("run_log", table, {"Book": "number", "Economic": "number"}),),
    )
