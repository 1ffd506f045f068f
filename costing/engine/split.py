"""Joint products: how the cost of one press load is shared among the fractions that it yields.

Rule:   share of row k = w_k / Σ w over its load, where the weight w is the volume, the weight, the sales
        value (price·litres), the net realisable value max(0, price·litres − separable·litres), or a fixed
        share. "constant margin" takes the sales-value shares and adds to each row share·Σ separable −
        separable, which adds up to nothing over the load: then every product earns the same margin once its
        separable cost is in. Cost of row k = share·joint cost of the load + posting.

Conventions A row is a fraction; `load` numbers the press load it comes from, 0 to n_loads − 1. Prices and
    separable costs (costs to complete) are assumptions per litre, given from outside. By-product rows take
    no share: their credit is a posting (`costing.money.presses`). Where every weight of a load is 0 its volumes
    serve instead and the load is reported in `by_volume`; where no row can bear cost at all (no volume
    either, or by-products alone) the shares are 0 and the load is in `unsplit`: its cost has nowhere to go,
    and the caller must say so.

What it does not do: choose a method, feed advised prices back into a split, or check the input; a weight
below 0 or missing raises ValueError with its row.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from costing.array_types import Flags, Floats, Ints, check_quantities, first_true


@dataclass(frozen=True, eq=False)
class Fractions:
    """The fractions of all press loads, one row each; a single number stands for all rows.

    load: press load of the row; n_loads: number of loads; volume_l [L]; weight_kg [kg]; price_per_l:
    assumed price [money/L]; separable_per_l: cost to complete [money/L]; fixed_share: any unit; by_product:
    takes no share.
    """

    load: Ints
    n_loads: int
    volume_l: Floats
    weight_kg: Floats | float = 0.0
    price_per_l: Floats | float = 0.0
    separable_per_l: Floats | float = 0.0
    fixed_share: Floats | float = 0.0
    by_product: Flags | bool = False

    def __post_init__(self) -> None:
        load = np.asarray(self.load, dtype=np.int64)
        outside = (load < 0) | (load >= self.n_loads)
        if outside.any():
            message = f"row {first_true(outside)}: no such load"
            raise ValueError(message)
        object.__setattr__(self, "load", load)
        for field in fields(self)[2:]:
            kind: type = np.bool_ if field.name == "by_product" else np.float64
            given: npt.NDArray[np.generic] = np.asarray(getattr(self, field.name), dtype=kind)
            object.__setattr__(self, field.name, np.broadcast_to(given, load.shape))

    @property
    def sales_value(self) -> Floats:
        """Price × volume of each row."""
        return np.asarray(self.price_per_l * self.volume_l)

    @property
    def separable_cost(self) -> Floats:
        """Cost to complete × volume of each row."""
        return np.asarray(self.separable_per_l * self.volume_l)


@dataclass(frozen=True, eq=False)
class Split:
    """Cost shares of the rows and what stands beside them.

    share: part of the load's joint cost that the row bears; 1 in total over each load [rows]. posting:
    money added to the row whatever the joint cost, 0 in total over each load [rows]. by_volume: loads whose
    weights were all 0, split by volume instead; unsplit: loads in which no row can bear cost.
    """

    share: Floats
    posting: Floats
    by_volume: Ints
    unsplit: Ints


SPLITS: dict[str, Callable[[Fractions], Floats]] = {
    "volume": lambda fractions: np.asarray(fractions.volume_l),
    "weight": lambda fractions: np.asarray(fractions.weight_kg),
    "sales value": lambda fractions: fractions.sales_value,
    "nrv": lambda fractions: np.maximum(0.0, fractions.sales_value - fractions.separable_cost),
    "constant margin": lambda fractions: fractions.sales_value,
    "fixed": lambda fractions: np.asarray(fractions.fixed_share),
}
"""Split method -> what weighs in it."""


def split_shares(fractions: Fractions, method: npt.ArrayLike, names: Sequence[str] = tuple(SPLITS)) -> Split:
    """Shares of all loads in one pass, each load by its own method.

    method: position in `names` of each load's method [n_loads], or one for all; names: keys of `SPLITS`.
    ValueError names the first row whose weight is missing or below 0, and the first unknown method.
    """
    unknown = [name for name in names if name not in SPLITS]
    if unknown:
        message = f"unknown split method '{unknown[0]}'"
        raise ValueError(message)
    of_load = np.broadcast_to(np.asarray(method, dtype=np.int64), (fractions.n_loads,))
    outside = (of_load < 0) | (of_load >= len(names))
    if outside.any():
        message = f"load {first_true(outside)}: no such split method"
        raise ValueError(message)
    of_row = of_load[fractions.load]
    bears = ~np.asarray(fractions.by_product)
    weight = np.zeros(len(fractions.load))
    for code in np.unique(of_load):
        weight = np.where(of_row == code, SPLITS[names[code]](fractions), weight)
    volume = _checked(fractions.volume_l, bears, "volume")
    weight = _checked(weight, bears, "weight in the split")
    no_weight = _per_load(weight, fractions) == 0
    weight = np.where(no_weight[fractions.load], volume, weight)
    total = _per_load(weight, fractions)
    unsplit = total == 0
    of_total = total[fractions.load]
    share = np.divide(weight, of_total, out=np.zeros(len(weight)), where=of_total != 0)
    margin_codes = [code for code, name in enumerate(names) if name == "constant margin"]
    margin = np.isin(of_load, margin_codes)
    posting = (
        np.where(margin[fractions.load], constant_margin_postings(fractions), 0.0)
        if margin.any()
        else np.zeros(len(weight))
    )
    return Split(share, posting, np.flatnonzero(no_weight & ~unsplit), np.flatnonzero(unsplit))


def constant_margin_postings(fractions: Fractions) -> Floats:
    """Zero-sum postings of the constant-margin method [rows]: sales-value share·Σ separable − separable.

    0 for by-products and for loads without any sales value, which have no margin to keep constant.
    """
    bears = ~np.asarray(fractions.by_product)
    value = _checked(fractions.sales_value, bears, "sales value")
    separable = np.where(bears, fractions.separable_cost, 0.0)
    if not np.isfinite(separable).all():
        message = f"row {first_true(~np.isfinite(separable))}: the separable cost is missing"
        raise ValueError(message)
    total_value = _per_load(value, fractions)[fractions.load]
    share = np.divide(value, total_value, out=np.zeros(len(value)), where=total_value != 0)
    posting = share * _per_load(separable, fractions)[fractions.load] - separable
    return np.where(total_value != 0, posting, 0.0)


def _per_load(amount: Floats, fractions: Fractions) -> Floats:
    return np.asarray(np.bincount(fractions.load, amount, minlength=fractions.n_loads), dtype=np.float64)


def _checked(weight: Floats | float, bears: Flags, what: str) -> Floats:
    """Return the weight, 0 where a row bears no cost; ValueError where it is missing or below 0."""
    weights = np.where(bears, weight, 0.0)
    check_quantities(weights, what)
    return weights
