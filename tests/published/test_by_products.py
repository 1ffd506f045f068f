"""By-products taken off the cost or shown as income: two teaching examples (second checks).

First: publisher not recorded; the sales of 150,000 are from memory. Second: accountingdetails.com,
"Recognition of gross revenue method", procedures 1 and 4. Must stands for the main product, sold in bulk.
"""

from __future__ import annotations

from functools import partial

import pandas as pd
import pytest

from costing import BOOK, read_estate, run
from costing.results.roll_forward import exits, expensed_at_once
from tests.published.figures import Figure

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


def profit(treatment: str, credit: float) -> float:
    """Sales 150,000; nine tenths sold of what cost 120,000."""
    cost, income = cost_of_sales_and_income(treatment, 120_000, 1_000, 900, credit)
    return 150_000 - cost + income


def income_of_gross_revenue() -> float:
    """Procedure 1: 10,000 sold at 2.00; 1,000 + 11,000 - 2,000 units at 1.50; selling 2,000."""
    cost, income = cost_of_sales_and_income("at sale", 12_000 * 1.5, 12_000, 10_000, 1_500)
    return 20_000 - cost - 2_000 + income


def production_cost_after_revenue() -> float:
    """Procedure 4: 11,000 units at 1.50 less 1,500 of by-product revenue."""
    return float(cost_of_sales_and_income("at split", 11_000 * 1.5, 11_000, 11_000, 1_500)[0])


FOUR_METHODS = "By-product by four methods, teaching example; publisher not recorded, sales from memory"
GROSS_REVENUE = "accountingdetails.com, Recognition of gross revenue method"
FIGURES = [
    Figure(FOUR_METHODS, "sold, as other income", 42_700, 2, partial(profit, "at sale", 700)),
    Figure(FOUR_METHODS, "produced, off the cost", 42_900, 2, partial(profit, "at split", 1_000)),
    Figure(FOUR_METHODS, "sold, off the cost", 42_630, 2, partial(profit, "at split", 700)),
    Figure(GROSS_REVENUE, "procedure 4, new production cost", 15_000, 2, production_cost_after_revenue),
    Figure(GROSS_REVENUE, "procedure 1, income", 4_500, 2, income_of_gross_revenue),
]


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.name)
def test_a_published_figure(figure: Figure) -> None:
    figure.check()


def test_a_by_product_left_out_brings_nothing() -> None:
    """Amounts of our own beside the first example: 150,000 - 0.9 x 120,000."""
    assert profit("none", 700) == pytest.approx(42_000)
