"""Sheets of stock: the roll-forward closes in quantities as in value, and names the pools that stayed idle."""

from __future__ import annotations

import pytest

from costing import BOOK, ECONOMIC
from costing.workbook.stock_sheets import stock_sheets


def test_the_roll_forward_closes_in_kilograms_litres_and_bottles(demo_runs) -> None:
    value, roll = stock_sheets(demo_runs(BOOK), demo_runs(ECONOMIC))
    tables = {table.name: table.frame for table in roll.tables}
    held = tables["roll_forward_quantities"]
    moved = held.columns[3:-1]
    assert held[moved].sum(axis=1).to_numpy() == pytest.approx(held["Closing"].to_numpy(), abs=0.01)
    by_lot = {table.name: table.frame for table in value.tables}["stock_value"]
    assert (
        held.groupby("Unit")["Closing"].sum().loc["bottles"]
        == by_lot.loc[by_lot["Unit"] == "bottles", "Quantity"].sum()
    )
    assert (tables["expensed_at_once"]["Idle pool"] == "Press house").any()
