"""By-products taken off the cost or shown as income: two teaching examples (second checks).

First: publisher not recorded; the sales of 150,000 are from memory. Second: accountingdetails.com,
"Recognition of gross revenue method", procedures 1 and 4. Must stands for the main product, sold in bulk.
"""

from __future__ import annotations

import pandas as pd
import pytest

from costing import BOOK, read_estate, run
from costing.results.roll_forward import exits, expensed_at_once

YEAR = ("2024-01-01", "2024-12-31")


def cost_of_sales_and_income(treatment: str, joint_cost: float, made: float, sold: float, credit: float):
    """Cost of the main product sold in the year, and what the by-product brought as other income."""
    tables = {
        "settings": pd.DataFrame({"setting": ["Valuation date"], "value": [YEAR[1]]}),
        "deliveries": pd.DataFrame(
            {"on_date": ["2024-09-01"], "lot": "G", "quantity": 1.0, "unit": "kg", "price_per_unit": joint_cost}
        ),
        "pressings": pd.DataFrame(
            {
                "on_date": "2024-09-02",
                "load": "P",
                "from_lot": ["G", None],
                "weight_kg": [1.0, None],
                "fraction": ["first", "by-product"],
                "volume_l": [made, None],
                "to_lot": ["M", None],
                "credit": [None, credit],
            }
        ),
        "movements": pd.DataFrame(
            {"on_date": ["2024-10-01"], "operation": "bulk sale", "from_lot": "M", "out_l": sold, "proceeds": 0.0}
        ),
    }
    results = run(read_estate(tables), BOOK.replace(by_product=treatment))
    return exits(results, *YEAR)["cost"].sum(), -expensed_at_once(results, *YEAR)["amount"].sum()


@pytest.mark.parametrize(
    ("treatment", "credit", "profit"),
    [
        ("at sale", 700, 42_700),  # sold, as other income: 150,000 - 0.9 x 120,000 + 700
        ("at split", 1_000, 42_900),  # produced, off the cost: 150,000 - 0.9 x (120,000 - 1,000)
        ("at split", 700, 42_630),  # sold, off the cost: 150,000 - 0.9 x (120,000 - 700)
        ("none", 700, 42_000),  # left out
    ],
)
def test_profit_by_treatment(treatment, credit, profit):
    cost, income = cost_of_sales_and_income(treatment, 120_000, 1_000, 900, credit)
    assert 150_000 - cost + income == pytest.approx(profit)


def test_revenue_off_the_production_cost():
    # procedure 4: 11,000 units at 1.50 less 1,500 of by-product revenue, "a new production cost of 15,000"
    assert cost_of_sales_and_income("at split", 11_000 * 1.5, 11_000, 11_000, 1_500)[0] == pytest.approx(15_000)


def test_revenue_as_other_income():
    # procedure 1: 10,000 sold at 2.00; 1,000 + 11,000 - 2,000 units at 1.50; selling 2,000; income 4,500
    cost, income = cost_of_sales_and_income("at sale", 12_000 * 1.5, 12_000, 10_000, 1_500)
    assert 20_000 - cost - 2_000 + income == pytest.approx(4_500)
