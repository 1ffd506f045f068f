"""Excise on a bottle of sparkling wine against the statutes that set it.

Rates are dated and change; these checks are about the arithmetic, not about what is due today.
"""

from __future__ import annotations

from functools import partial

import pytest

from costing.decisions.prices.channels import TradeTerms, to_cellar, to_shelf
from tests.published.figures import Figure

LITRES_PER_US_GALLON = 3.785411784  # 231 cubic inches, NIST Handbook 44, Appendix C


# Germany, Schaumwein- und Zwischenerzeugnissteuergesetz § 2: 136 EUR/hl, 51 EUR/hl under 6 % vol; the customs service
# prints 1.02 and 0.38 EUR per 0.75 L bottle. United Kingdom: 29.54 GBP per litre of alcohol, 8.5 to 22 % vol. United
# States: 3.40 USD per wine gallon of champagne and other sparkling wine.
ZOLL = "zoll.de, Steuerhöhe Schaumwein"
UK = "HMRC, alcohol duty rates from 1 February 2025 (from the rate)"
USA = "26 USC 5041(b) (from the rate)"
PRESS = "Shelf price of a German Sekt, trade press (second check): 2.79 with 19 % VAT and 1.02 of excise"


def excise(basis: str, amount: float, alcohol_percent: float, litres: float = 0.75) -> float:
    chain = TradeTerms(excise_basis=basis, excise_amount=amount)
    return to_shelf(chain, 10.0, litres, alcohol_percent).amount("excise")


def shelf_of_a_sekt() -> tuple[float, float]:
    """Price without VAT, and without excise."""
    chain = TradeTerms(excise_basis="per hl", excise_amount=136.0, vat=0.19)
    back = to_cellar(chain, 2.79, 0.75, 11.0)
    return 2.79 - back.amount("VAT"), back.net_price


FIGURES = [
    Figure(ZOLL, "136 EUR/hl", 1.02, 2, partial(excise, "per hl", 136.0, 12.0), False),
    Figure(ZOLL, "51 EUR/hl", 0.38, 2, partial(excise, "per hl", 51.0, 5.5), False),
    Figure(UK, "12 % vol", 2.659, 3, partial(excise, "per litre of alcohol", 29.54, 12.0), False, is_worked_out=True),
    Figure(
        USA,
        "75 cl",
        0.674,
        3,
        partial(excise, "per hl", 3.40 / LITRES_PER_US_GALLON * 100, 12.0),
        False,
        is_worked_out=True,
    ),
    Figure(PRESS, "without VAT", 2.34, 2, lambda: shelf_of_a_sekt()[0], False),
    Figure(PRESS, "without excise", 1.32, 2, lambda: shelf_of_a_sekt()[1], False),
]


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.name)
def test_a_published_figure(figure: Figure) -> None:
    figure.check()


@pytest.mark.parametrize(("basis", "amount"), [("per hl", 136.0), ("per litre of alcohol", 29.54)])
def test_a_magnum_bears_twice_as_much(basis: str, amount: float) -> None:
    assert excise(basis, amount, 12.0, 1.5) == pytest.approx(2 * excise(basis, amount, 12.0))
