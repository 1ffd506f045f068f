"""The sheets of stock, as a book-keeper reads them: every total is found again on the other tables, to the cent."""

from __future__ import annotations

import numpy as np
import pytest

from costing.workbook.stock_sheets import stock_sheets
from costing.workbook.write import ResultSheet, ResultTable


@pytest.fixture(scope="module")
def sheets(demo_runs) -> dict[str, ResultSheet]:
    return {sheet.name: sheet for sheet in stock_sheets(demo_runs.book, demo_runs.economic)}


def table(sheet: ResultSheet, name: str) -> ResultTable:
    return next(one for one in sheet.tables if one.name == name)


def cents(amount: float) -> int:
    assert amount == pytest.approx(round(amount, 2), abs=1e-6)
    return round(100 * amount)


@pytest.mark.parametrize(("basis", "value"), [("book", "Book value"), ("economic", "Economic value")])
def test_the_roll_forward_closes_to_the_cent_with_the_stock_and_the_ways_out(
    sheets: dict[str, ResultSheet], basis: str, value: str
) -> None:
    stock = table(sheets["Stock value"], "stock_value").frame
    kinds = table(sheets["Stock value"], "stock_by_kind").frame
    roll = table(sheets["Roll-forward"], f"roll_forward_{basis}").frame
    left = table(sheets["Roll-forward"], f"exits_{basis}").frame
    assert cents(stock[value].sum()) == cents(kinds[value].sum()) == cents(roll["Closing"].sum())
    amounts = roll.drop(columns="Stage").to_numpy()
    for row in amounts:
        assert cents(row[:-1].sum()) == cents(row[-1])
    assert cents(roll["From other stages"].sum()) == -cents(roll["To other stages"].sum())
    is_loss = left["Way out"] == "loss beyond the norm"
    assert cents(left.loc[~is_loss, "Cost"].sum()) == -cents(roll["Sold and other exits"].sum())
    assert cents(left.loc[is_loss, "Cost"].sum()) == -cents(roll["Losses expensed"].sum())
    assert bool(is_loss.any()) == (basis == "book"), "on the economic basis survivors bear all losses"


def test_what_is_not_known_is_blank_and_not_nought(sheets: dict[str, ResultSheet]) -> None:
    left = table(sheets["Roll-forward"], "exits_book").frame
    is_loss = left["Way out"] == "loss beyond the norm"
    assert left.loc[is_loss, "Quantity"].isna().all()
    assert (left.loc[~is_loss, "Quantity"] > 0).all()
    stock = table(sheets["Stock value"], "stock_value").frame
    priced = stock["Market per unit"].notna()
    assert priced.any()
    assert (~priced).any()
    assert (stock["Write-down to market"].notna() == priced).all()
    by_hand = np.maximum(stock["Book per unit"] - stock["Market per unit"], 0.0) * stock["Quantity"]
    assert stock.loc[priced, "Write-down to market"].to_numpy() == pytest.approx(by_hand[priced].to_numpy(), abs=0.2)


def test_the_roll_forward_closes_in_kilograms_litres_and_bottles(sheets: dict[str, ResultSheet]) -> None:
    held = table(sheets["Roll-forward"], "roll_forward_quantities").frame
    moved = held.columns[3:-1]
    assert held[moved].sum(axis=1).to_numpy() == pytest.approx(held["Closing"].to_numpy(), abs=0.01)
    by_lot = table(sheets["Stock value"], "stock_value").frame
    bottles = by_lot.loc[by_lot["Unit"] == "bottles", "Quantity"].sum()
    assert held.groupby("Unit")["Closing"].sum().loc["bottles"] == bottles
    assert (table(sheets["Roll-forward"], "expensed_at_once").frame["Idle pool"] == "Press house").any()
