"""Excise on a bottle of sparkling wine against the statutes that set it.

Rates are dated and change; these checks are about the arithmetic, not about what is due today.
"""

from __future__ import annotations

import pytest

from costing.decisions.prices.channels import TradeTerms, to_cellar, to_shelf

LITRES_PER_US_GALLON = 3.785411784  # 231 cubic inches, NIST Handbook 44, Appendix C


@pytest.mark.parametrize(
    ("basis", "amount", "alcohol_percent", "expected", "digits"),
    [
        # Germany, Schaumwein- und Zwischenerzeugnissteuergesetz § 2: 136 EUR/hl, 51 EUR/hl under 6 % vol; the
        # customs service prints 1.02 and 0.38 EUR per 0.75 L bottle (zoll.de, Steuerhöhe Schaumwein).
        ("per hl", 136.0, 12.0, 1.02, 2),
        ("per hl", 51.0, 5.5, 0.38, 2),
        # United Kingdom, rates from 1 February 2025: 29.54 GBP per litre of alcohol, 8.5 to 22 % vol.
        ("per litre of alcohol", 29.54, 12.0, 2.659, 3),
        # United States, 26 USC 5041(b): 3.40 USD per wine gallon of champagne and other sparkling wine.
        ("per hl", 3.40 / LITRES_PER_US_GALLON * 100, 12.0, 0.674, 3),
        # France, sparkling wine, 2023: 9.85 EUR/hl. The amount a bottle is worked out from it.
        ("per hl", 9.85, 12.0, 9.85 * 0.75 / 100, 6),
    ],
)
def test_excise_of_a_bottle(basis, amount, alcohol_percent, expected, digits):
    chain = TradeTerms(excise_basis=basis, excise_amount=amount)
    excise = to_shelf(chain, 10.0, 0.75, alcohol_percent).amount("excise")
    assert excise == pytest.approx(expected, abs=0.51 * 10**-digits)
    assert to_shelf(chain, 10.0, 1.5, alcohol_percent).amount("excise") == pytest.approx(2 * excise)


def test_shelf_price_of_a_german_sekt_back_to_its_price_before_excise():
    """2.79 on the shelf: 2.34 without 19 % VAT, 1.32 without 1.02 of excise (trade press; rates as above)."""
    chain = TradeTerms(excise_basis="per hl", excise_amount=136.0, vat=0.19)
    back = to_cellar(chain, 2.79, 0.75, 11.0)
    assert 2.79 - back.amount("VAT") == pytest.approx(2.34, abs=5e-3)
    assert back.net_price == pytest.approx(1.32, abs=5e-3)
