"""By-products taken off the cost or shown as income: two teaching examples (second checks).

First: publisher not recorded; the sales of 150,000 are from memory. Second: accountingdetails.com,
"Recognition of gross revenue method", procedures 1 and 4.
"""

import pytest

from costing.engine.split import by_product_credit

SALES, JOINT_COST, SOLD_PART = 150_000, 120_000, 0.90
PRODUCED, SOLD = 1_000, 700  # net realisable value of the by-product


@pytest.mark.parametrize(
    ("treatment", "profit"),
    [
        ("none", 42_700),  # other income: 150,000 - 0.9 x 120,000 + 700
        ("at sale", 42_630),  # sold, off the cost: 150,000 - 0.9 x (120,000 - 700)
        ("at split", 42_900),  # produced, off the cost: 150,000 - 0.9 x (120,000 - 1,000)
    ],
)
def test_profit_by_treatment(treatment, profit):
    credit = by_product_credit(treatment, JOINT_COST, PRODUCED, SOLD)
    assert SALES - SOLD_PART * credit.main_cost + credit.other_income == pytest.approx(profit)


def test_revenue_off_the_production_cost():
    # procedure 4: 11,000 units at 1.50 less 1,500 of by-product revenue, "a new production cost of 15,000"
    assert by_product_credit("at sale", 11_000 * 1.5, 1_500, 1_500).main_cost == 15_000


def test_revenue_as_other_income():
    # procedure 1: 10,000 sold at 2.00; 1,000 + 11,000 - 2,000 units at 1.50; selling 2,000; income 4,500
    credit = by_product_credit("none", 11_000 * 1.5, 1_500, 1_500)
    cost_of_sales = 1_000 * 1.5 + credit.main_cost - 2_000 * 1.5
    assert 20_000 - cost_of_sales - 2_000 + credit.other_income == pytest.approx(4_500)
