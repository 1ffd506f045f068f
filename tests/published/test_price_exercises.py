"""Prices against textbook and teaching examples; the source stands beside each."""

from __future__ import annotations

import numpy as np
import pytest

from costing.decisions.prices.channels import MARGIN_BASES, TradeTerms, to_cellar, to_shelf
from costing.decisions.prices.price_response import revenue_at_margin
from costing.decisions.prices.pricing import SalePlan, break_even_volume_change, target_price
from costing.engine.carrying import RateCurve


def test_target_return_price():
    """Unit cost 16, 1,000,000 invested at 20 %, 50,000 units: 16 + .20 × 1,000,000 / 50,000 = 20.

    The classic example of target-return pricing in marketing textbooks (printed by mbanotesworld.com,
    "Target Return Pricing"). Its capital stays invested; ours is paid back by the price, so the price found
    is the printed one and the capital a unit.
    """
    plan = SalePlan(
        cost=1_000_000.0,
        disgorged_day=0,
        dispatch_day=np.array([365]),
        bottles=np.array([50_000.0]),
        selling_cost_per_bottle=16.0,
    )
    found = target_price(plan, RateCurve.flat(0.20))
    assert found.price - 1_000_000 / 50_000 == pytest.approx(20.0, rel=1e-12)


def test_markup_on_cost_as_margin_on_price():
    """A mark-up of 50 % on cost is a margin of 33.3 % on price (OpenStax, Principles of Marketing)."""
    price_over_cost = MARGIN_BASES["mark-up on cost"](0.50)
    assert MARGIN_BASES["margin on price"](0.333) == pytest.approx(price_over_cost, abs=1e-3)


def test_markup_rule_of_monopoly():
    """Marginal cost 9, elasticity −4: price 12, where revenue at the margin is that cost (Pindyck and Rubinfeld,
    Microeconomics, ch. 10).
    """
    assert revenue_at_margin(12.0, -4.0) == pytest.approx(9.0, rel=1e-14)


@pytest.mark.parametrize(("change", "volume"), [(-0.05, 0.125), (0.05, -0.10)])
def test_break_even_sales_change(change: float, volume: float):
    """Price 10, variable cost 5.50, 4,000 units: a cut of 5 % needs 12.5 % more, a rise of 5 % bears 10 % less.

    T. Nagle, The Strategy and Tactics of Pricing, chapter on financial analysis (Westside Manufacturing); from memory.
    """
    assert break_even_volume_change(4.50 / 10.0, change) == pytest.approx(volume, rel=1e-14)
    before, after = 4_000 * 4.50, 4_000 * (1.0 + volume) * (10.0 * (1.0 + change) - 5.50)
    assert after == pytest.approx(before, rel=1e-14)


def test_three_tiers_from_cellar_to_shelf():
    """FOB 20 a bottle: case 240, + 10 freight and tax = 250, 350 distributor, 525 retail, 43.75 a bottle.

    Palmateer Consulting, "Why FOB ≠ Retail x 50%" (there shown to the consumer as 43.99).
    """
    chain = TradeTerms(
        freight_per_bottle=10 / 12,
        distributor_margin=0.40,
        retailer_margin=0.50,
        margin_basis="mark-up on cost",
    )
    built = to_shelf(chain, 20.0)
    assert 12 * (20.0 + built.amount("freight")) == pytest.approx(250)
    assert 12 * (250 / 12 + built.amount("distributor")) == pytest.approx(350)
    assert 12 * built.shelf_price == pytest.approx(525)
    assert built.shelf_price == pytest.approx(43.75)
    assert to_cellar(chain, 43.75).net_price == pytest.approx(20.0)


def test_three_tiers_from_shelf_back_to_cellar():
    """Shelf 8.99 → 6.29 → 4.72 → FOB 4.06 → laid in 3.04 → cellar 2.25, margins 30 / 25 / 25 % on price.

    Worksheet of a business-school case on exports to the United States (scribd.com/document/422946777). It
    takes state tax .45 and freight .21 off before the importer's margin, so the chain is walked in its
    three legs.
    """
    trade = to_cellar(TradeTerms(distributor_margin=0.25, retailer_margin=0.30), 8.99)
    assert 8.99 - trade.amount("retailer") == pytest.approx(6.29, abs=5e-3)
    assert trade.net_price == pytest.approx(4.72, abs=5e-3)
    sea = TradeTerms(freight_per_bottle=0.21, excise_basis="per bottle", excise_amount=0.45)
    fob = to_cellar(sea, trade.net_price).net_price
    assert fob == pytest.approx(4.06, abs=5e-3)
    importer = to_cellar(TradeTerms(freight_per_bottle=0.79, importer_margin=0.25), fob)
    assert fob - importer.amount("importer") == pytest.approx(3.04, abs=6e-3)  # printed from rounded 4.06
    assert importer.net_price == pytest.approx(2.25, abs=5e-3)


def test_break_even_of_a_discount():
    """m/(m − d) − 1: a margin of 40 % and a discount of 10 % need a third more volume (common practice)."""
    assert break_even_volume_change(0.40, -0.10) == pytest.approx(1 / 3)
