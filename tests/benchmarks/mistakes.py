"""Seconds and findings where many rows have one mistake: what a person waits for, and has to read.

Cases: a million equal sales of one bottle, as a cellar door has them; and the demo estate many times side by side
(each copy has lots of its own) with every dispatched lot misspelt. Reading and the rules on rows are timed, as in
`costing check`; each case in a process of its own.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from time import process_time

import pandas as pd

from costing.errors import InputError
from costing.inputs.load import read_inputs
from costing.inputs.schema import sheets
from costing.workbook.blank.contents import tables_from_csv

DEMO = Path(__file__).parents[2] / "demo_estate"
Tables = dict[str, pd.DataFrame]


def side_by_side(copies: int) -> Tables:
    """The demo estate so many times: rows that name a lot or load once for each copy, all others once."""
    own = {sheet.title: _own_names(sheet.name) for sheet in sheets().values()}
    return {
        title: pd.concat([_copy(frame, own[title], copy) for copy in range(copies)], ignore_index=True)
        for title, frame in tables_from_csv(DEMO).items()
    }


def _own_names(sheet: str) -> list[str]:
    columns = sheets()[sheet].columns
    return [column.title for column in columns if column.refers == "lot" or column.name in ("load", "offer")]


def _copy(frame: pd.DataFrame, own: list[str], copy: int) -> pd.DataFrame:
    """The frame as it is, or as a further copy: its rows with names, and these told apart."""
    if not copy:
        return frame
    named = [header for header in own if header in frame]
    rows = frame[frame[named].notna().any(axis=1)].copy() if named else frame.iloc[:0]
    for header in named:
        rows[header] = rows[header].map(lambda name: f"{copy}-{name}", na_action="ignore")
    return rows


def misspelt_lots(copies: int) -> Tables:
    """Demo estates side by side, every dispatched lot with a prefix that nothing else has."""
    tables = side_by_side(copies)
    dispatches = tables["Dispatches"]
    return {**tables, "Dispatches": dispatches.assign(**{"Release lot": "D-" + dispatches["Release lot"]})}


def equal_sales(rows: int) -> Tables:
    """The demo estate with one sale of one bottle entered so many times."""
    tables = tables_from_csv(DEMO)
    sale = tables["Dispatches"].iloc[[-1]].assign(**{"Bottles": 1.0})
    more = sale.loc[sale.index.repeat(rows)]
    return {**tables, "Dispatches": pd.concat([tables["Dispatches"], more], ignore_index=True)}


CASES: dict[str, tuple[Callable[[int], Tables], int]] = {
    "equal sales": (equal_sales, 1_000_000),
    "misspelt lots": (misspelt_lots, 20),
}


def measure(case: str, size: int) -> dict[str, float]:
    """Rows of dispatches and movements, seconds to read and check, findings shown."""
    tables = CASES[case][0](size)
    start = process_time()
    try:
        findings = len(read_inputs(tables).cautions)
    except InputError as wrong:
        findings = len(wrong.findings)
    rows = len(tables["Dispatches"]) + len(tables["Movements"])
    return {"rows": rows, "check_s": process_time() - start, "findings": findings}


def measure_apart(case: str, timeout_s: float = 600) -> dict[str, float]:
    """`measure` at full size in a process of its own."""
    command = [sys.executable, "-m", "tests.benchmarks.mistakes", case, str(CASES[case][1])]
    done = subprocess.run(command, capture_output=True, text=True, timeout=timeout_s, check=True)
    found: dict[str, float] = json.loads(done.stdout)
    return found


if __name__ == "__main__":
    print(json.dumps(measure(sys.argv[1], int(sys.argv[2]))))
