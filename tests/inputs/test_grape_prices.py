"""Final premiums of Grape prices: the deliveries that each fits, and those that fit none."""

from __future__ import annotations

import pandas as pd
import pytest

from costing import BOOK, InputError, read_estate, run
from costing.inputs.frames import frames_of
from costing.inputs.grape_prices import fitting_premiums


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
    estate = read_estate(given)
    premium = estate["deliveries"]["premium_per_unit"]
    assert premium.tolist()[:4] == pytest.approx([0.3, 0.15, 0.5, 0.05])
    bare = estate["deliveries"].iloc[3:]  # of grower B, and own grapes
    assert fitting_premiums(bare, estate["grape_prices"]).tolist() == [2]
    assert fitting_premiums(bare, estate["grape_prices"].iloc[2:].reset_index(drop=True)).tolist() == [0]
    assert fitting_premiums(bare.iloc[1:], estate["grape_prices"]).tolist() == []
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


def test_a_final_premium_of_a_blank_year_is_one_finding() -> None:
    given = _harvest(supplier=["A", "B"], final_premium_per_kg=[0.1, 0.2], premium_date=["2025-03-01"] * 2)
    given["grape_prices"] = given["grape_prices"].assign(vintage=[None, 2024])
    with pytest.raises(InputError) as wrong:
        read_estate(given)
    assert [finding.place for finding in wrong.value.findings] == ["Grape prices!A2"]
