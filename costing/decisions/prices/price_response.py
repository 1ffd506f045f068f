"""How the market of each cuvée and format answers to its price: what one bottle more brings, what a rise can bear.

    q(p) = Q₀·(1 − |e|·(p/p₀ − 1))                       the response of the plan of all lots
    revenue at the margin, at the price in force   p₀·(1 − 1/|e|)
    loss of volume that a rise bears               Δp/(margin + Δp):  rise of the margin over the new margin
    gain of the rise                               (margin + Δp)·q − margin·Q₀
    price of highest gain                          (p₀·(1 + 1/|e|) + c)/2

Source of the loss that a rise bears (break-even sales change): T. Nagle, The Strategy and Tactics of Pricing, chapter
on financial analysis, from memory. Revenue at the margin: R. Pindyck and D. Rubinfeld, Microeconomics, chapter 10.

Three elasticities: the one given, and it divided and multiplied by 1.5. An elasticity is a ratio, so its doubt is a
factor; one read from a few years of one's own sales is rarely known better, and those published for brands differ by
more (T. Bijmolt, H. van Heerde and R. Pieters, Journal of Marketing Research 42, 2005: mean −2.6, and a deviation
almost as large; from memory). A rise that gains at all three pays; one that loses at all three does not.

Conventions: p₀ is what a bottle brings at list after discount and commission, c what a bottle less saves, replacement
and selling cost, each the mean of the channels by the bottles to sell; of the next release of the cuvée and format.
Volume is what the market takes in a year. Demand is never guessed: the response is the user's own.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from costing.array_types import Floats
from costing.decisions.prices.price_changes import with_terms
from costing.decisions.prices.price_findings import check_elasticity
from costing.decisions.prices.pricing import break_even_volume_change
from costing.decisions.prices.terms_in_force import market_of
from costing.inputs.estate import Estate

RISE = 0.05
"""Rise of price that is looked at."""
SPREAD = (1.0 / 1.5, 1.0, 1.5)
AT = ("weaker", "given", "stronger")
_COLUMNS = (
    *("cuvee", "format", "rise_pays", "price_response", "volume_bearable_loss"),
    *(f"gain_of_rise_{name}" for name in AT),
    *(f"more_brings_{name}" for name in AT),
    *("response_that_flips", "receipt_per_bottle", "saved_per_bottle", "receipt_best", "bottles_a_year"),
)


def revenue_at_margin(price: npt.ArrayLike, elasticity: npt.ArrayLike) -> Floats:
    """What one bottle more brings where the price must give way for it: p·(1 − 1/|e|)."""
    return np.asarray(np.asarray(price, dtype=float) * (1.0 - 1.0 / np.abs(np.asarray(elasticity, dtype=float))))


def gain_of_rise(
    price: npt.ArrayLike, cost: npt.ArrayLike, bottles: npt.ArrayLike, elasticity: npt.ArrayLike, rise: float = RISE
) -> Floats:
    """Money that a rise gains. price: that a bottle brings; cost: that one less saves; bottles: sold at that price."""
    before, saved, volume = (np.asarray(each, dtype=float) for each in (price, cost, bottles))
    left = volume * np.maximum(1.0 - np.abs(np.asarray(elasticity, dtype=float)) * rise, 0.0)
    return np.asarray((before * (1.0 + rise) - saved) * left - (before - saved) * volume)


def price_response(prices: pd.DataFrame, estate: Estate, day: int, elasticity: float | None = None) -> pd.DataFrame:
    """How each market whose price response is given answers to its price (`_COLUMNS`), most money first.

    prices: rows of `release_prices`; elasticity: in place of those given. InputError where it is 1 or less in size.
    """
    tried = np.nan if elasticity is None else -abs(check_elasticity(elasticity))
    rows = []
    for (cuvee, size), sold in with_terms(prices, estate, day).groupby(["cuvee", "format"], sort=False):
        a_month, given = market_of(estate, str(cuvee), str(size))
        response = given if np.isnan(tried) else tried
        if not np.isfinite(response):
            continue
        weight = np.maximum(np.nan_to_num(sold["bottles_to_sell"].to_numpy(dtype=float)), 1e-9)
        receipt = np.average(sold["net_price_at_list"] * (1.0 - sold["commission"]), weights=weight)
        saved = np.average(sold["replacement_per_bottle"] + sold["selling_cost"], weights=weight)
        rows.append(_answered(str(cuvee), str(size), response, receipt, saved, 12.0 * a_month))
    table = pd.DataFrame(rows, columns=list(_COLUMNS))
    return table.sort_values("gain_of_rise_given", ascending=False, kind="stable", ignore_index=True)


def _answered(
    cuvee: str, size: str, response: float, receipt: float, saved: float, bottles: float
) -> dict[str, object]:
    tried = response * np.array(SPREAD)
    margin = (receipt - saved) / receipt
    bears = -float(break_even_volume_change(margin, RISE)) if margin > 0.0 else np.nan
    gain = gain_of_rise(receipt, saved, bottles, tried)
    pays = gain > 0.0
    word = "pays" if pays.all() else "in doubt" if pays.any() else "does not pay"
    return {
        "cuvee": cuvee,
        "format": size,
        "rise_pays": word if np.isfinite(bears + bottles) else "",
        "price_response": response,
        "volume_bearable_loss": bears,
        **{f"gain_of_rise_{name}": float(value) for name, value in zip(AT, gain, strict=True)},
        **{
            f"more_brings_{name}": float(revenue_at_margin(receipt, value))
            for name, value in zip(AT, tried, strict=True)
        },
        "response_that_flips": -bears / RISE,
        "receipt_per_bottle": receipt,
        "saved_per_bottle": saved,
        "receipt_best": (receipt * (1.0 + 1.0 / abs(response)) + saved) / 2.0,
        "bottles_a_year": bottles,
    }
