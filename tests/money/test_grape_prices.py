"""Which row of Grape prices a delivery without a price of its own takes."""

from __future__ import annotations

import pandas as pd
import pytest

from costing import BOOK, InputError, read_estate, run
from costing.inputs.frames import frames_of
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


def _harvest(**grape_prices: list[object]) -> dict[str, pd.DataFrame]:
    """Three loads of Grower A, one of Grower B, one of own grapes; 100 kg each at 6.00."""
    return {
        "settings": pd.DataFrame({"setting": ["Valuation date"], "value": ["2025-12-31"]}),
        "deliveries": pd.DataFrame(
            {
                "on_date": ["2024-09-10"] * 5,
                "lot": [f"G{number}" for number in range(5)],
                "what": "grapes",
                "supplier": ["A", "A", "A", "B", None],
                "village": ["Ambre", "Sorel", "Ambre", "Ambre", "Ambre"],
                "quantity": 100.0,
                "unit": "kg",
                "price_per_unit": [6.0] * 4 + [None],
                "growing_cost_per_unit": [None] * 4 + [5.0],
                "premium_per_unit": [None, None, 0.5, None, None],
                "premium_date": [None, None, "2025-02-01", None, None],
            }
        ),
        "grape_prices": pd.DataFrame({"vintage": [2024] * len(grape_prices["supplier"]), **grape_prices}),
    }


def test_one_premium_for_a_grower_and_a_year() -> None:
    """0.15 on the 200 kg of A that have none of their own: 30.00 beside the 50.00 typed; B and own grapes get none."""
    frames = _harvest(supplier=["A"], final_premium_per_kg=[0.15], premium_date=["2025-03-20"])
    estate = read_estate(frames)
    results = run(estate, BOOK)
    results.check_identity()
    assert results.charges.postings.amount.sum() == pytest.approx(4 * 600 + 500 + 50 + 30)
    typed = _harvest(supplier=["A"], price_per_kg=[9.0])
    typed["deliveries"] = typed["deliveries"].assign(
        premium_per_unit=[0.15, 0.15, 0.5, None, None], premium_date=["2025-03-20"] * 2 + ["2025-02-01", None, None]
    )
    assert run(read_estate(typed), BOOK).total.tolist() == pytest.approx(results.total.tolist())
    assert estate.place("deliveries", 0, "premium_per_unit") == "Grape prices!C2"
    assert estate.place("deliveries", 2, "premium_per_unit").startswith("Deliveries!")
    assert read_estate(frames_of(estate))["deliveries"].equals(estate["deliveries"])


def test_the_premium_of_the_grower_and_village_goes_before_that_of_the_grower() -> None:
    given = _harvest(
        supplier=["A", "A", None],
        village=["Ambre", None, None],
        final_premium_per_kg=[0.3, 0.15, 0.05],
        premium_date=["2025-03-20"] * 3,
    )
    premium = read_estate(given)["deliveries"]["premium_per_unit"]
    assert premium.tolist()[:4] == pytest.approx([0.3, 0.15, 0.5, 0.05])
    assert pd.isna(premium[4])


def test_a_premium_of_no_delivery_or_without_a_day_is_a_finding() -> None:
    with pytest.raises(InputError) as wrong:
        read_estate(
            _harvest(
                supplier=["C", "A", "B"], final_premium_per_kg=[0.1, 0.1, None], premium_date=["2025-03-01", None, None]
            )
        )
    found = {finding.place: finding.rule for finding in wrong.value.findings}
    assert "for no delivery" in found["Grape prices!C2"]
    assert "no day" in found["Grape prices!D3"]
    assert "neither a price nor a final premium" in found["Grape prices!4"]
