"""Which row of Grape prices a delivery without a price of its own takes."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from costing import read_estate
from costing.money.deliveries import delivery_prices

LISTED = pd.DataFrame(
    {
        "Year": [2025] * 4 + [2024],
        "Village": [None, None, "Ambre", "Ambre", "Ambre"],
        "Variety": [None, "Noir", None, "Noir", "Noir"],
        "Price per kg": [1.0, 2.0, 3.0, 4.0, 9.0],
        "Premium per kg": [None, None, None, 0.25, None],
    }
)


def prices(listed: pd.DataFrame) -> list[float]:
    """Prices of the same four loads: of both, of the village alone, of the variety alone, of neither; and one of 2024
    by its vintage, delivered in 2025; and one with a price of its own.
    """
    deliveries = pd.DataFrame(
        {
            "Date": ["2025-09-10"] * 6,
            "Lot": [f"G{number}" for number in range(6)],
            "What": ["grapes"] * 6,
            "Quantity": [100] * 6,
            "Unit": ["kg"] * 6,
            "Village": ["Ambre", "Ambre", "Sorel", "Sorel", "Ambre", "Ambre"],
            "Variety": ["Noir", "Blanc", "Noir", "Blanc", "Noir", "Noir"],
            "Vintage": [None, None, None, None, 2024, None],
            "Price per unit": [None] * 5 + [7.0],
        }
    )
    estate = read_estate({"deliveries": deliveries, "grape_prices": listed})
    return [round(float(one), 4) for one in delivery_prices(estate)[0]]


def test_the_most_particular_row_wins() -> None:
    assert prices(LISTED) == [4.25, 3.0, 2.0, 1.0, 9.0, 7.0]


def test_their_order_on_the_sheet_changes_nothing() -> None:
    assert prices(LISTED.iloc[::-1].reset_index(drop=True)) == [4.25, 3.0, 2.0, 1.0, 9.0, 7.0]


def test_the_village_comes_before_the_variety() -> None:
    assert prices(LISTED.drop(index=3).reset_index(drop=True))[0] == 3.0


@pytest.mark.parametrize("newest_first", [False, True])
@pytest.mark.parametrize(("day", "price"), [("2024-12-31", 9.0), ("2025-01-01", 9.5), ("2025-12-31", 9.5)])
def test_a_years_price_replaces_that_of_the_harvest_from_its_first_day(
    day: str, price: float, newest_first: bool
) -> None:
    bought = {"Date": ["2024-09-10"], "Lot": ["G"], "What": ["grapes"], "Quantity": [100], "Unit": ["kg"]}
    listed = pd.DataFrame({"Year": [2024, 2025], "Price per kg": [9.0, 9.5]})
    estate = read_estate(
        {
            "deliveries": pd.DataFrame({**bought, "Vintage": [2024]}),
            "grape_prices": listed.iloc[::-1] if newest_first else listed,
        }
    )
    replaced = delivery_prices(estate, int(np.datetime64(day, "D").astype(np.int64)))
    assert replaced[0].tolist() == [price]
