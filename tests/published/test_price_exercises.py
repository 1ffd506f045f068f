"""Prices against textbook and teaching examples; the source stands beside each."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import brentq

from costing import BOOK, ECONOMIC, REPLACEMENT, read_estate, run
from costing.decisions.prices.channels import MARGIN_BASES, TradeTerms, to_cellar, to_shelf
from costing.decisions.prices.price_response import revenue_at_margin
from costing.decisions.prices.price_tables import release_prices
from costing.decisions.prices.pricing import SalePlan, break_even_volume_change, target_price
from costing.engine.carrying import RateCurve
from tests.decisions.one_bottling import one_bottling
from tests.published.figures import Figure


def target_return() -> float:
    """Unit cost 16, 1,000,000 invested at 20 %, 50,000 units: 16 + .20 × 1,000,000 / 50,000 = 20. The capital stays
    invested; ours is paid back by the price, so the price found is the printed one and the capital a unit.
    """
    plan = SalePlan(
        cost=1_000_000.0,
        disgorged_day=0,
        dispatch_day=np.array([365]),
        bottles=np.array([50_000.0]),
        selling_cost_per_bottle=16.0,
    )
    return float(target_price(plan, RateCurve.flat(0.20)).price) - 1_000_000 / 50_000


def mark_up_as_margin() -> float:
    """Of a mark-up of 50 % on cost, the margin on price."""
    return 1 - 1 / MARGIN_BASES["mark-up on cost"](0.50)


@pytest.mark.parametrize(("margin", "price"), [(25, 12.00), (40, 15.00), (50, 18.00)])
def test_a_margin_is_on_the_price_through_a_whole_run(margin: float, price: float):
    """Cost 9.00: P = C / (1 − m); a margin of 50 % is keystone pricing, twice the cost (OpenStax, Principles of
    Marketing, from memory). A mark-up of as much would give 11.25, 12.60 and 13.50.
    """
    assert target_of_a_bottle(targets=margin_of(margin)) == pytest.approx(price)


def margin_of(percent: float) -> pd.DataFrame:
    return pd.DataFrame({"Cuvée": ["Brut"], "Target": ["margin"], "Value (%)": [percent]})


@pytest.mark.parametrize(
    ("days", "commission", "price"),
    [(0, 0, 11.34), (365, 0, 12.25), (0, 10, 12.60), (365, 10, 13.61)],
)
def test_a_customer_who_pays_late_and_a_commission_raise_the_target(days: int, commission: float, price: float):
    """Wine for 9.00 a bottle three years (1,096 days) before, 8 %: 9 × 1.2597 × 1.08^(1/365) = 11.34; paid a year later
    × 1.08, less a tenth / 0.90 (factors of OpenStax, Principles of Finance, appendix, from memory).
    """
    trade = {"Channel": ["Trade"], "Commission (%)": [commission], "Customer days (days)": [days]}
    found = target_of_a_bottle(channels=pd.DataFrame(trade))
    assert found == pytest.approx(9 * 1.2597 * 1.08 ** (1 / 365 + days / 365) / (1 - commission / 100), abs=5e-4)
    assert round(found, 2) == price


def target_of_a_bottle(**sheets: pd.DataFrame) -> float:
    """Target price of 1,000 bottles of wine for 9,000, disgorged on the valuation day and dispatched at once."""
    settings = pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-03-01"]})
    estate = read_estate({"settings": settings, **one_bottling(), **sheets})
    found = release_prices(*(run(estate, basis) for basis in (BOOK, ECONOMIC, REPLACEMENT)))
    return float(found.set_index("release").loc["D", "target_price"])


def monopoly_price() -> float:
    """Marginal cost 9, elasticity −4: the price at which revenue at the margin is that cost."""
    return brentq(lambda price: revenue_at_margin(price, -4.0) - 9.0, 9.0, 100.0)


def up_three_tiers() -> list[float]:
    """FOB 20 a bottle by the case: with freight and tax of 10, to the distributor, to the shop; then a bottle."""
    chain = TradeTerms(
        freight_per_bottle=10 / 12,
        distributor_margin=0.40,
        retailer_margin=0.50,
        margin_basis="mark-up on cost",
    )
    built = to_shelf(chain, 20.0)
    laid_in = 20.0 + built.amount("freight")
    return [12 * laid_in, 12 * (laid_in + built.amount("distributor")), 12 * built.shelf_price, built.shelf_price]


def down_three_tiers() -> list[float]:
    """Margins 30 / 25 / 25 % on price. The worksheet takes state tax .45 and freight .21 off before the importer's
    margin, so the chain is walked in its three legs.
    """
    trade = to_cellar(TradeTerms(distributor_margin=0.25, retailer_margin=0.30), 8.99)
    sea = TradeTerms(freight_per_bottle=0.21, excise_basis="per bottle", excise_amount=0.45)
    fob = to_cellar(sea, trade.net_price).net_price
    importer = to_cellar(TradeTerms(freight_per_bottle=0.79, importer_margin=0.25), fob)
    shop = 8.99 - trade.amount("retailer")
    return [shop, trade.net_price, fob, fob - importer.amount("importer"), importer.net_price]


TARGET_RETURN = "mbanotesworld.com, Target Return Pricing"
MARKETING = "OpenStax, Principles of Marketing"
MONOPOLY = "Pindyck and Rubinfeld, Microeconomics, chapter 10"
WESTSIDE = "T. Nagle, The Strategy and Tactics of Pricing, Westside Manufacturing (from memory)"
FOB = "Palmateer Consulting, Why FOB ≠ Retail x 50% (there shown to the consumer as 43.99)"
EXPORTS = "Worksheet of a business-school case on exports to the United States, scribd.com/document/422946777"

FIGURES = [
    Figure(TARGET_RETURN, "price", 20.0, 6, target_return, False),
    Figure(MARKETING, "margin of a mark-up of 50 %", 0.333, 3, mark_up_as_margin, False),
    Figure(
        MARKETING,
        "keystone pricing, from memory",
        18.00,
        2,
        lambda: target_of_a_bottle(targets=margin_of(50)),
    ),
    Figure(MONOPOLY, "price", 12.0, 6, monopoly_price, False),
    Figure(WESTSIDE, "a cut of 5 %", 0.125, 6, lambda: break_even_volume_change(4.50 / 10.0, -0.05), False),
    Figure(WESTSIDE, "a rise of 5 %", -0.10, 6, lambda: break_even_volume_change(4.50 / 10.0, 0.05), False),
    *(
        Figure(FOB, what, stated, 2, lambda step=step: up_three_tiers()[step], False)
        for step, (what, stated) in enumerate(
            (("laid in", 250), ("to the distributor", 350), ("to the shop", 525), ("a bottle", 43.75))
        )
    ),
    *(
        Figure(EXPORTS, what, stated, 2, lambda step=step: down_three_tiers()[step], False, rounded_before=0.001)
        for step, (what, stated) in enumerate(
            (("to the shop", 6.29), ("to the distributor", 4.72), ("FOB", 4.06), ("laid in", 3.04), ("cellar", 2.25))
        )
    ),
]


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.name)
def test_a_published_figure(figure: Figure) -> None:
    figure.check()


def test_up_the_three_tiers_and_down_again() -> None:
    chain = TradeTerms(
        freight_per_bottle=10 / 12, distributor_margin=0.40, retailer_margin=0.50, margin_basis="mark-up on cost"
    )
    assert to_cellar(chain, 43.75).net_price == pytest.approx(20.0)


def test_break_even_of_a_discount():
    """m/(m − d) − 1: a margin of 40 % and a discount of 10 % need a third more volume (common practice)."""
    assert break_even_volume_change(0.40, -0.10) == pytest.approx(1 / 3)
