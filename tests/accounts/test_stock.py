"""The tables of stock, as a book-keeper reads them: every total is found again on the other tables, to the cent."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from costing import read_estate
from costing.accounts import stock as stock_module
from costing.accounts.stock import stock as stock_answer
from costing.accounts.stock import year_before
from costing.answers.answer import Answer
from costing.model import Runs
from costing.results.quantities import quantity_roll_forward


@pytest.fixture(scope="module")
def answer(demo_runs) -> Answer:
    return stock_answer(demo_runs)


def cents(amount: float) -> int:
    assert amount == pytest.approx(round(amount, 2), abs=1e-6)
    return round(100 * amount)


@pytest.mark.parametrize(("basis", "value"), [("book", "book_value"), ("economic", "economic_value")])
def test_the_roll_forward_closes_to_the_cent_with_the_stock_and_the_ways_out(
    answer: Answer, basis: str, value: str
) -> None:
    check_to_the_cent(answer, basis, value)
    is_loss = answer[f"exits_{basis}"]["exit"] == "loss beyond the norm"
    assert bool(is_loss.any()) == (basis == "book"), "on the economic basis survivors bear all losses"


def test_parts_of_cents_add_up_by_row_and_by_column(demo_runs: Runs, monkeypatch: pytest.MonkeyPatch) -> None:
    """Four tenths of a cent of everything in each of three stages, and 10 cents of storage: what does not add up is
    put where most was put in.
    """
    stages, days = ["tirage", "on lees", "finishing"], (np.datetime64("2024-12-31"), np.datetime64("2025-12-31"))
    put_in = {"opening": 0.004, "put_in": 0.004, "time_charges": 0.104, "capital": 0.004, "from_stages": 0.004}
    taken = {"to_stages": -0.004, "exits": -0.004, "losses": -0.004}
    parts = put_in | taken
    rolled = pd.DataFrame({"stage": stages, **parts, "closing": sum(parts.values())})
    lots = pd.DataFrame(
        {"date": np.repeat(days, 3), "stage": stages * 2, "value": [0.004] * 3 + [sum(parts.values())] * 3}
    )
    monkeypatch.setattr(stock_module, "roll_forward", lambda *asked: rolled)
    monkeypatch.setattr(stock_module, "stock_values", lambda *asked: lots)
    found = stock_module._to_the_cent(demo_runs.book, *days)
    for row in found.drop(columns="stage").to_numpy():
        assert sum(cents(amount) for amount in row[:-1]) == cents(row[-1])
    totals = {name: sum(cents(amount) for amount in found[name]) for name in rolled.columns[1:]}
    kept = dict.fromkeys(put_in, 1) | dict.fromkeys(taken, -1)
    assert totals == {**kept, "time_charges": 31, "closing": 32}


def check_to_the_cent(answer: Answer, basis: str, value: str) -> None:
    stock = answer["stock_value"]
    kinds = answer["stock_by_kind"]
    roll = answer[f"roll_forward_{basis}"]
    left = answer[f"exits_{basis}"]
    assert cents(stock[value].sum()) == cents(kinds[value].sum()) == cents(roll["closing"].sum())
    amounts = roll.drop(columns="stage").to_numpy()
    for row in amounts:
        assert cents(row[:-1].sum()) == cents(row[-1])
    assert cents(roll["from_stages"].sum()) == -cents(roll["to_stages"].sum())
    is_loss = left["exit"] == "loss beyond the norm"
    assert cents(left.loc[~is_loss, "cost"].sum()) == -cents(roll["exits"].sum())
    assert cents(left.loc[is_loss, "cost"].sum()) == -cents(roll["losses"].sum())


def test_what_is_not_known_is_blank_and_not_nought(answer: Answer) -> None:
    left = answer["exits_book"]
    is_loss = left["exit"] == "loss beyond the norm"
    assert left.loc[is_loss, "quantity"].isna().all()
    assert (left.loc[~is_loss, "quantity"] > 0).all()
    stock = answer["stock_value"]
    priced = stock["market_per_unit"].notna()
    assert priced.any()
    assert (~priced).any()
    assert (stock["write_down"].notna() == priced).all()
    by_hand = np.maximum(stock["book_per_unit"] - stock["market_per_unit"], 0.0) * stock["quantity"]
    assert stock.loc[priced, "write_down"].to_numpy() == pytest.approx(by_hand[priced].to_numpy(), abs=0.2)


def test_without_a_sale_in_bulk_no_column_of_proceeds_stands_empty(answer: Answer) -> None:
    """What bottles brought stands on Margins: blank proceeds beside every sale read as if it were not known."""
    assert (answer["exits_book"]["exit"] == "sale").any()
    for name in ("exits_book", "exits_economic"):
        assert not {"proceeds", "result"} & set(answer[name])


def test_the_roll_forward_closes_in_kilograms_litres_and_bottles(answer: Answer) -> None:
    held = answer["roll_forward_quantities"]
    moved = held.columns[3:-1]
    assert held[moved].sum(axis=1).to_numpy() == pytest.approx(held["closing_quantity"].to_numpy(), abs=0.01)
    figures = held.select_dtypes("number").to_numpy()
    assert (np.round(figures, 3) == figures).all()  # a millilitre is more than any gauge can tell
    by_lot = answer["stock_value"]
    bottles = by_lot.loc[by_lot["unit"] == "bottles", "quantity"].sum()
    assert held.groupby("unit")["closing_quantity"].sum().loc["bottles"] == bottles
    assert (answer["expensed_at_once"]["idle_pool"] == "Press house").any()


def test_quantities_that_rolled_forward_are_said_to_the_millilitre(demo_estate) -> None:
    moves = demo_estate["movements"]
    little = moves.assign(in_l=moves["in_l"] - 0.0004)
    runs = Runs(replace(demo_estate, tables={**demo_estate.tables, "movements": little}))
    said = stock_answer(runs)["roll_forward_quantities"].select_dtypes("number").to_numpy(dtype=float)
    assert np.array_equal(said, np.round(said, 3), equal_nan=True)
    whole = quantity_roll_forward(runs.book, *year_before(runs.book)).select_dtypes("number").to_numpy(dtype=float)
    assert not np.array_equal(whole, np.round(whole, 3), equal_nan=True)


def test_what_a_lot_lacks_is_said_of_the_wine_that_came_last_too() -> None:
    """Wine that cost nothing yet comes to wine whose cost is known; more of it is planned, or none."""
    opened = {"Date": "2025-01-01", "Lot": "V", "Kind": "wine", "Quantity": 900, "Unit": "L"}
    bought = {"Date": "2025-01-10", "Lot": "W", "What": "wine", "Quantity": 1000, "Unit": "L", "Price per unit": 4.0}
    moves = pd.DataFrame(
        {
            "Date": ["2025-02-01", "2025-03-01", "2026-02-01"],
            "Operation": "blending",
            "From lot": ["W", "V", "V"],
            "Out (L)": [1000.0, 500.0, 400.0],
            "To lot": "B",
            "In (L)": [1000.0, 500.0, 400.0],
        }
    )
    for rows in (moves, moves.iloc[:2]):
        house = {
            "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-12-31"]}),
            "opening_stock": pd.DataFrame([opened]),
            "deliveries": pd.DataFrame([bought]),
            "movements": rows,
        }
        said = stock_answer(Runs(read_estate(house)))["stock_value"].set_index("lot")["coverage"]
        assert said["B"].startswith("grapes or wine for 66 % of litres")  # 1,000 of 1,500
