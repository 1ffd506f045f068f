"""Every cell of every worked case counts: changed a little, something that the case prints changes.

Numbers rise by one per cent, or where that is not enough (a norm that no loss comes near, an order within a day) fall
by half or rise by a hundred; days move by one, or by ten years where they only say from when something holds. What a
case prints: stock, cost per bottle and the lines of the reconciliation on each of its bases, and for the stack that may
be held the verdict and its figures.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from costing.decisions.plan.ageing_tables import hold_or_release_tables
from costing.errors import InputError
from costing.inputs.basis import BOOK, ECONOMIC, REPLACEMENT, Basis
from costing.inputs.load import read_inputs
from costing.model import Runs
from costing.results.costs import cost_per_bottle
from costing.results.stock import stock_values
from tests.form import every
from tests.golden.figures import Tables
from tests.golden.test_worked_cases import AT_12, tables_of

BASES: dict[str, tuple[Basis, ...]] = {
    "S1": (BOOK, ECONOMIC, BOOK.replace(split_method="nrv")),
    "S2": (BOOK, ECONOMIC),
    "S3": (BOOK, ECONOMIC, AT_12),
    "S5": (BOOK, ECONOMIC),
    "S6": (BOOK, REPLACEMENT, ECONOMIC),
    "S7": (BOOK, ECONOMIC),
}
DAY = re.compile(r"\d{4}-\d\d-\d\d")
_FIRST = "the first rate holds before its day too"
STILL: dict[tuple[str, str, str, int], str] = {
    ("S1", "interest_rates", "From", 0): _FIRST,
    ("S2", "interest_rates", "From", 0): _FIRST,
    ("S3", "interest_rates", "From", 0): _FIRST,
    ("S5", "interest_rates", "From", 0): _FIRST,
    ("S5", "price_by_age", "Yearly change (%)", 0): "at 36 months the stack is sold today, at the money of today",
    ("S7", "interest_rates", "From", 0): _FIRST,
    ("S6", "grape_prices", "Price per kg", 1): "neither the price paid nor the newest in force",
    ("S6", "grape_prices", "Price per kg", 3): "not in force yet",
    ("S6", "price_indices", "Date", 0): "the index of the day before it rises says the same",
}
"""Cells that rightly move nothing, each with its reason."""


def printed(case: str, tables: Tables) -> Iterator[dict[str, object]]:
    """What the case prints on one basis after another, as printed: money to 2 decimals, units to 4."""
    runs = Runs(read_inputs(tables))
    for basis in BASES[case]:
        results = runs.on(basis)
        stock = stock_values(results).set_index("lot")[["quantity", "value", "value_per_unit"]]
        found: dict[str, object] = stock.round({"value": 2, "value_per_unit": 4, "quantity": 4}).stack().to_dict()
        found |= cost_per_bottle(results).set_index("release")["per_bottle"].to_dict()
        found |= results.reconciliation().set_index("line")["amount"].round(2).to_dict()
        yield found
    if case == "S5":
        verdicts, by_date, _ = hold_or_release_tables(runs.economic)
        yield {name: shown(frame) for name, frame in (("verdicts", verdicts), ("by date", by_date))}


def shown(frame: pd.DataFrame) -> str:
    """A table as text, its numbers to 4 decimals."""
    return frame.assign(**frame.select_dtypes("number").round(4)).to_csv()


def cells(case: str) -> list[tuple[str, str, int]]:
    """Sheet, header and row of every cell that holds a number or a day; in the short form of every tenth."""
    found = []
    for sheet, frame in tables_of(case).items():
        for header in frame.columns:
            for row, value in enumerate(frame[header]):
                number = isinstance(value, (int, float, np.number)) and not pd.isna(value)
                if number or (isinstance(value, str) and (DAY.fullmatch(value) or re.fullmatch(r"[\d.]+", value))):
                    found.append((sheet, header, row))
    return every(10, found, list(BASES).index(case))


def changes(value: object) -> Iterator[object]:
    """The values that a cell takes in turn."""
    if isinstance(value, str) and DAY.fullmatch(value):
        for days in (1, 3_650):
            yield (date.fromisoformat(value) + timedelta(days=days)).isoformat()
    elif isinstance(value, str):
        yield str(int(value) + 12)
    else:
        yield from (float(value) * 1.01, float(value) * 0.5, float(value) + 100.0)  # type: ignore[arg-type]


def moves(case: str, sheet: str, header: str, row: int, plain: list[dict[str, object]]) -> bool:
    """Whether a change of the cell changes what is printed, or is refused."""
    tables = tables_of(case)
    for value in changes(tables[sheet].loc[row, header]):
        frame = tables[sheet].copy()
        if not isinstance(value, str):
            frame[header] = frame[header].astype(float)
        frame.loc[row, header] = value
        try:
            if any(now != was for now, was in zip(printed(case, {**tables, sheet: frame}), plain, strict=True)):
                return True
        except InputError:
            return True
    return False


@pytest.mark.slow
@pytest.mark.parametrize("case", every(2, BASES))
def test_a_change_in_any_cell_changes_what_the_case_prints(case: str) -> None:
    plain = list(printed(case, tables_of(case)))
    walked = cells(case)
    still = {cell for cell in walked if not moves(case, *cell, plain)}
    assert still == {cell[1:] for cell in STILL if cell[0] == case} & set(walked)
