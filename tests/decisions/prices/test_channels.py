"""The chain between cellar and shelf."""

from __future__ import annotations

import numpy as np
import pytest

from costing.decisions.prices.channels import (
    EXCISE_BASES,
    MARGIN_BASES,
    TradeTerms,
    list_price,
    round_up,
    to_cellar,
    to_market_currency,
    to_shelf,
)

EXPORT = TradeTerms(
    discount=0.15,
    commission=0.10,
    selling_cost_per_bottle=1.25,
    freight_per_bottle=0.40,
    insurance=0.005,
    customs=0.02,
    excise_basis="per litre of alcohol",
    excise_amount=29.54,
    importer_margin=0.30,
    distributor_margin=0.25,
    retailer_margin=0.30,
    vat=0.20,
    currency_rate=1.16,
    currency_buffer=0.03,
    shelf_step=0.05,
)


def test_every_step_of_the_chain_by_hand():
    built = to_shelf(EXPORT, 17.10, 0.75, 12.0)
    landed = (17.10 + 0.40) * 1.005 / (1.16 * 0.97)
    paid = landed * 1.02 + 29.54 * 0.75 * 0.12
    retail = paid / 0.70 / 0.75 / 0.70
    assert built.shelf_price == pytest.approx(retail * 1.20, rel=1e-14)
    assert built.amount("kept by the estate") == pytest.approx((17.10 * 0.90 - 1.25) / 1.16, rel=1e-14)
    assert built.amount("commission") == pytest.approx(1.71 / 1.16, rel=1e-14)
    assert built.amount("insurance") == pytest.approx(17.50 * 0.005 / 1.16, rel=1e-13)
    assert built.amount("currency buffer") == pytest.approx(landed * 0.03, rel=1e-12)
    assert built.amount("customs") == pytest.approx(landed * 0.02, rel=1e-14)
    assert built.amount("importer") == pytest.approx(paid / 0.70 * 0.30, rel=1e-13)
    assert built.amount("distributor") == pytest.approx(paid / 0.70 / 0.75 * 0.25, rel=1e-13)
    assert built.amount("retailer") == pytest.approx(retail * 0.30, rel=1e-13)
    assert built.amount("VAT") == pytest.approx(retail * 0.20, rel=1e-14)
    assert built.list_price == pytest.approx(17.10 / 0.85, rel=1e-14)


def test_the_steps_add_up_to_the_shelf_price_and_rounding_stands_apart():
    built = to_shelf(EXPORT, [12.0, 17.1, 60.0], [0.75, 0.75, 1.5], 12.0)
    assert built.amounts.sum(axis=-1) == pytest.approx(built.shelf_price, rel=1e-14)
    assert (built.rounded_shelf_price >= built.shelf_price).all()
    assert (built.rounded_shelf_price - built.shelf_price < 0.05).all()
    assert built.rounded_shelf_price / 0.05 == pytest.approx(np.round(built.rounded_shelf_price / 0.05))


@pytest.mark.parametrize("excise", EXCISE_BASES)
@pytest.mark.parametrize("basis", MARGIN_BASES)
def test_both_directions_are_inverse(excise, basis):
    chain = TradeTerms(
        discount=0.1,
        freight_per_bottle=0.7,
        insurance=0.01,
        customs=0.05,
        excise_basis=excise,
        excise_amount=2.0,
        importer_margin=0.3,
        distributor_margin=0.2,
        retailer_margin=0.4,
        margin_basis=basis,
        vat=0.19,
        currency_rate=0.92,
        currency_buffer=0.05,
    )
    net = np.array([3.0, 17.1, 250.0])
    shelf = to_shelf(chain, net, 0.75, 12.5).shelf_price
    back = to_cellar(chain, shelf, 0.75, 12.5)
    assert back.net_price == pytest.approx(net, rel=1e-12)
    assert back.shelf_price == pytest.approx(shelf, rel=1e-12)


def test_an_unrounded_chain_has_the_shelf_price_itself():
    built = to_shelf(TradeTerms(vat=0.2), 10.0)
    assert built.rounded_shelf_price == built.shelf_price == pytest.approx(12.0)


def test_a_shelf_price_below_duty_and_freight_gives_a_net_price_below_zero():
    assert to_cellar(EXPORT, 1.0).net_price < 0


def test_margin_and_markup():
    on_price = TradeTerms(importer_margin=0.3, distributor_margin=0.25, retailer_margin=0.4)
    on_cost = TradeTerms(
        importer_margin=3 / 7,
        distributor_margin=1 / 3,
        retailer_margin=2 / 3,
        margin_basis="mark-up on cost",
    )
    assert to_shelf(on_price, 17.1).amounts == pytest.approx(to_shelf(on_cost, 17.1).amounts, rel=1e-12)


def test_prices_round_up_to_price_points_and_stay_on_them():
    assert round_up([17.1040, 17.10, 0.3, 17.0500001], 0.05) == pytest.approx([17.15, 17.10, 0.30, 17.10])
    with pytest.raises(ValueError, match="above 0"):
        round_up(1.0, 0.0)


def test_list_price_and_other_currency():
    assert list_price(17.10397202, 0.15) == pytest.approx(20.1223, abs=5e-5)
    assert to_market_currency(17.10, 1.16, 0.03) == pytest.approx(17.10 / (1.16 * 0.97))
    with pytest.raises(ValueError, match="100 %"):
        list_price(10.0, 1.0)


@pytest.mark.parametrize(
    "terms",
    [
        {"discount": 1.0},
        {"commission": 1.2},
        {"importer_margin": 1.0},
        {"retailer_margin": 1.5},
        {"currency_buffer": 1.0},
        {"vat": -0.1},
        {"currency_rate": 0.0},
        {"freight_per_bottle": float("nan")},
        {"excise_basis": "per barrel"},
        {"margin_basis": "margin"},
    ],
)
def test_terms_that_leave_nothing_are_refused(terms):
    with pytest.raises(ValueError, match=next(iter(terms))):
        TradeTerms(**terms)


def test_a_markup_of_more_than_100_percent_is_a_term_like_any_other():
    assert to_shelf(TradeTerms(retailer_margin=1.5, margin_basis="mark-up on cost"), 10.0).shelf_price == pytest.approx(
        25
    )


def test_all_bad_terms_are_named_at_once():
    with pytest.raises(ValueError, match=r"(?s)discount.*excise_basis.*Did you mean 'per hl'") as wrong:
        TradeTerms(discount=1.0, excise_basis="per hll")
    assert "2 validation errors" in str(wrong.value)


def test_a_step_that_is_not_in_the_chain():
    with pytest.raises(ValueError, match="excise"):
        to_shelf(TradeTerms(), 10.0).amount("excize")
