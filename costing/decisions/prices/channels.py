"""The chain between cellar and shelf, in both directions.

Rule:   landed  = (net price + freight) · (1 + insurance) / [rate · (1 − buffer)]      in market currency
        paid    = landed · (1 + customs) + excise
        retail  = paid · importer · distributor · retailer       each 1/(1 − margin) or 1 + mark-up
        shelf   = retail · (1 + VAT)
        list    = net price / (1 − discount)
        kept by the estate = net price · (1 − commission) − selling cost

Conventions The net price is ex-cellar, per bottle, after discount and before commission, in the estate's
    currency; freight and selling cost too. Excise and shelf price are in the currency of the market. The
    currency rate is estate currency per unit of market currency; the buffer makes every amount that crosses
    dearer. Rates are fractions (0.19 is 19 %), strength is in % vol. Customs falls on the landed value, VAT
    on everything before it, margins on the price or mark-ups on the cost without VAT. Amounts may be arrays
    (one element a bottle). The chain itself is unrounded; the rounded shelf price stands apart.

Excise, customs and VAT are the user's own rates and change by law: confirm them with a licensed adviser of
the market. What it does not do: reliefs and reduced rates for small producers, deposits, the exchange
rate's own movement.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Annotated

import numpy as np
import numpy.typing as npt
from pydantic import AfterValidator, Field, model_validator
from pydantic.dataclasses import dataclass as validated

from costing.array_types import Floats
from costing.errors import nearest
from costing.units import LITRES_PER_HECTOLITRE

_ROUNDING_SLACK = 1e-9  # a price this close (in steps) above a price point is that price point


MARGIN_BASES: dict[str, Callable[[float], float]] = {
    "margin on price": lambda share: 1.0 / (1.0 - share),
    "mark-up on cost": lambda share: 1.0 + share,
}
"""How a trader's share is stated -> function (share) -> price over cost."""

EXCISE_BASES: dict[str, Callable[[float, Floats, Floats], Floats]] = {
    "none": lambda amount, bottle_l, alcohol: np.zeros(bottle_l.shape),
    "per hl": lambda amount, bottle_l, alcohol: amount * bottle_l / LITRES_PER_HECTOLITRE,
    "per bottle": lambda amount, bottle_l, alcohol: np.full(bottle_l.shape, amount),
    "per litre of alcohol": lambda amount, bottle_l, alcohol: amount * bottle_l * alcohol / 100.0,
}
"""Excise basis -> function (amount, bottle_l, alcohol_percent: of one shape) -> excise a bottle in market currency."""


def _one_of(names: Iterable[str]) -> AfterValidator:
    def known(name: str) -> str:
        if name not in names:
            msg = f"'{name}' is not one of {', '.join(names)}. {nearest(name, names)}".strip()
            raise ValueError(msg)
        return name

    return AfterValidator(known)


Share = Annotated[float, Field(ge=0.0, lt=1.0)]
Amount = Annotated[float, Field(ge=0.0, allow_inf_nan=False)]
Rate = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]


@validated(frozen=True)
class TradeTerms:
    """Terms of one channel and market; shares are fractions. ValueError, with all of them, where terms leave nothing.

    discount: off the list price; commission: on the net receipt; selling_cost_per_bottle: what the estate
    pays at dispatch; freight_per_bottle: cellar to importer, on top of the net price; insurance: of net
    price and freight; customs: of the landed value; excise_basis: a key of `EXCISE_BASES`; excise_amount:
    per unit of it, in market currency; importer_margin, distributor_margin, retailer_margin: stated as
    margin_basis (a key of `MARGIN_BASES`) says; vat: on the shelf price before it; currency_rate: estate
    currency per unit of market currency; currency_buffer: cushion against it; shelf_step: shelf prices are
    rounded up to a multiple of it (0: not rounded).
    """

    discount: Share = 0.0
    commission: Share = 0.0
    selling_cost_per_bottle: Amount = 0.0
    freight_per_bottle: Amount = 0.0
    insurance: Amount = 0.0
    customs: Amount = 0.0
    excise_basis: Annotated[str, _one_of(EXCISE_BASES)] = "none"
    excise_amount: Amount = 0.0
    importer_margin: Amount = 0.0
    distributor_margin: Amount = 0.0
    retailer_margin: Amount = 0.0
    margin_basis: Annotated[str, _one_of(MARGIN_BASES)] = "margin on price"
    vat: Amount = 0.0
    currency_rate: Rate = 1.0
    currency_buffer: Share = 0.0
    shelf_step: Amount = 0.0

    @model_validator(mode="after")
    def _something_is_left(self) -> TradeTerms:
        margins = ("importer_margin", "distributor_margin", "retailer_margin")
        if whole := [name for name in margins if self.margin_basis == "margin on price" and getattr(self, name) >= 1.0]:
            msg = f"{', '.join(whole)}: a margin of 100 % of the price leaves nothing to buy for"
            raise ValueError(msg)
        return self

    def excise_per_bottle(self, bottle_l: npt.ArrayLike, alcohol_percent: npt.ArrayLike) -> Floats:
        """Excise per bottle of `bottle_l` litres at `alcohol_percent` % vol, in market currency."""
        volume, strength = np.broadcast_arrays(
            np.asarray(bottle_l, dtype=np.float64), np.asarray(alcohol_percent, dtype=np.float64)
        )
        return EXCISE_BASES[self.excise_basis](self.excise_amount, volume, strength)

    def trade_factors(self) -> tuple[float, float, float]:
        """Price over cost of importer, distributor and retailer."""
        factor = MARGIN_BASES[self.margin_basis]
        return factor(self.importer_margin), factor(self.distributor_margin), factor(self.retailer_margin)


@dataclass(frozen=True, eq=False)
class PriceBuildUp:
    """From what the estate keeps to the shelf, step by step.

    steps: names in order; amounts: money per bottle in market currency, adding up to shelf_price
    [..., steps]; net_price, list_price: estate currency [...]; shelf_price, rounded_shelf_price: market
    currency [...]. list_price is before discount and outside the sum: nobody pays it.
    """

    steps: tuple[str, ...]
    amounts: Floats
    net_price: Floats
    list_price: Floats
    shelf_price: Floats
    rounded_shelf_price: Floats

    def amount(self, step: str) -> Floats:
        """Money of one step [...]; ValueError for a step that is not in the chain."""
        if step not in self.steps:
            msg = f"no step '{step}' in the chain. {nearest(step, self.steps)}".strip()
            raise ValueError(msg)
        return np.asarray(self.amounts[..., self.steps.index(step)])


STEPS_TO_SHELF = (
    "kept by the estate",
    "selling cost",
    "commission",
    "freight",
    "insurance",
    "currency buffer",
    "customs",
    "excise",
    "importer",
    "distributor",
    "retailer",
    "VAT",
)


def to_shelf(
    terms: TradeTerms,
    net_price: npt.ArrayLike,
    bottle_l: npt.ArrayLike = 0.75,
    alcohol_percent: npt.ArrayLike = 12.0,
) -> PriceBuildUp:
    """Shelf price, and every step on the way, of a bottle that leaves the cellar at `net_price`.

    net_price: estate currency per bottle [...]; bottle_l: litres [...]; alcohol_percent: % vol [...]; they
    broadcast.
    """
    net, volume, strength = np.broadcast_arrays(
        *(np.asarray(each, dtype=np.float64) for each in (net_price, bottle_l, alcohol_percent))
    )
    spot = 1.0 / terms.currency_rate
    before_buffer = (net + terms.freight_per_bottle) * (1.0 + terms.insurance) * spot
    landed = before_buffer / (1.0 - terms.currency_buffer)
    excise = terms.excise_per_bottle(volume, strength)
    duty_paid = landed * (1.0 + terms.customs) + excise
    importer, distributor, retailer = terms.trade_factors()
    retail = duty_paid * importer * distributor * retailer
    selling = np.full(net.shape, terms.selling_cost_per_bottle)
    amounts = [
        (net * (1.0 - terms.commission) - selling) * spot,
        selling * spot,
        net * terms.commission * spot,
        np.full(net.shape, terms.freight_per_bottle) * spot,
        (net + terms.freight_per_bottle) * terms.insurance * spot,
        landed - before_buffer,
        landed * terms.customs,
        excise,
        duty_paid * (importer - 1.0),
        duty_paid * importer * (distributor - 1.0),
        duty_paid * importer * distributor * (retailer - 1.0),
        retail * terms.vat,
    ]
    shelf = retail * (1.0 + terms.vat)
    rounded = round_up(shelf, terms.shelf_step) if terms.shelf_step > 0 else shelf
    return PriceBuildUp(
        STEPS_TO_SHELF, np.stack(amounts, axis=-1), np.array(net), list_price(net, terms.discount), shelf, rounded
    )


def to_cellar(
    terms: TradeTerms,
    shelf_price: npt.ArrayLike,
    bottle_l: npt.ArrayLike = 0.75,
    alcohol_percent: npt.ArrayLike = 12.0,
) -> PriceBuildUp:
    """Net ex-cellar price, and every step, that puts a bottle on the shelf at exactly `shelf_price`.

    The inverse of `to_shelf` before rounding. Arguments as there, the shelf price in market currency. A
    shelf price that does not cover VAT, margins, excise and freight gives a net price below 0.
    """
    shelf = np.asarray(shelf_price, dtype=np.float64)
    importer, distributor, retailer = terms.trade_factors()
    duty_paid = shelf / ((1.0 + terms.vat) * importer * distributor * retailer)
    landed = (duty_paid - terms.excise_per_bottle(bottle_l, alcohol_percent)) / (1.0 + terms.customs)
    in_estate_currency = landed * (terms.currency_rate * (1.0 - terms.currency_buffer))
    net = in_estate_currency / (1.0 + terms.insurance) - terms.freight_per_bottle
    return to_shelf(terms, net, bottle_l, alcohol_percent)


def to_market_currency(amount: npt.ArrayLike, currency_rate: float, currency_buffer: float) -> Floats:
    """Quote an amount of the estate's currency in a market's: amount / [rate · (1 − buffer)]."""
    return np.asarray(np.asarray(amount, dtype=np.float64) / (currency_rate * (1.0 - currency_buffer)))


def list_price(net_price: npt.ArrayLike, discount: npt.ArrayLike) -> Floats:
    """List price before discount: net / (1 − discount); ValueError for a discount of 100 % or more."""
    off = np.asarray(discount, dtype=np.float64)
    if (off >= 1.0).any():
        msg = "a discount of 100 % or more leaves no net price"
        raise ValueError(msg)
    return np.asarray(np.asarray(net_price, dtype=np.float64) / (1.0 - off))


def round_up(price: npt.ArrayLike, step: float) -> Floats:
    """Price rounded up to the next multiple of `step`; a price on a multiple stays."""
    if not step > 0:
        msg = f"a price step must be above 0, not {step}"
        raise ValueError(msg)
    return np.asarray(np.ceil(np.asarray(price, dtype=np.float64) / step - _ROUNDING_SLACK) * step)
