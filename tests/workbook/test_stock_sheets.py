"""Sheets of stock: what is printed adds up to the cent."""

from __future__ import annotations

import numpy as np
import pytest

from costing import BOOK, ECONOMIC, read_estate, run
from costing.commands.records import demo_folder
from costing.results.stock import stock_values
from costing.workbook.stock_sheets import stock_sheets, stock_table


@pytest.fixture(scope="module")
def sides():
    estate = read_estate(demo_folder())
    return run(estate, BOOK), run(estate, ECONOMIC)


@pytest.mark.parametrize("name", ["book", "economic"])
def test_the_roll_forward_adds_up_to_the_cent(sides, name: str) -> None:
    """Rows were a cent, totals two cents apart: each amount was rounded for itself."""
    _, sheet = stock_sheets(*sides)
    roll = next(table.frame for table in sheet.tables if table.name == f"roll_forward_{name}")
    parts = roll.drop(columns=["Stage", "Closing"])
    assert np.abs(parts.sum(axis=1) - roll["Closing"]).max() < 0.001
    assert abs(roll["From other stages"].sum() + roll["To other stages"].sum()) < 0.001
    results = sides[name == "economic"]
    assert roll["Closing"].sum() == pytest.approx(stock_table(*sides)[f"{name.capitalize()} value"].sum(), abs=0.001)
    assert roll["Closing"].sum() == pytest.approx(stock_values(results)["value"].sum(), abs=0.006)
