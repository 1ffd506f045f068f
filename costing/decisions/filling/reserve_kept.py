"""How much reserve to keep after bottling, against a bad harvest.

    one litre too little costs  worth of a litre next spring when wine is short − what keeping it costs
    one litre too much costs    what keeping it costs − worth of a litre next spring when wine is plenty
    keep as much as is enough with a chance of  too little/(too little + too much)

What keeping costs: a litre's best use this spring, grown at the hurdle, with its storage and its loss. How much is
needed next spring, beside its harvest, follows from the harvests that the estate has had, each as likely as another.

Source of the rule: the newsvendor problem of any text on stocks, first in F. Y. Edgeworth, "The mathematical theory of
banking", Journal of the Royal Statistical Society 51 (1888) (from memory).
What it does not do: two bad harvests in a row, or a harvest unlike any so far.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from costing.array_types import Floats


@dataclass(frozen=True)
class Unit:
    """Money of one unit kept: what keeping it costs, its worth if it is needed, and if it is not."""

    cost: float
    if_needed: float
    if_left: float

    @property
    def too_little(self) -> float:
        """What one unit too few costs; 0 where a unit that is needed is not worth its keeping."""
        return max(self.if_needed - self.cost, 0.0)

    @property
    def too_much(self) -> float:
        """What one unit too many costs; 0 where it is worth its keeping all the same."""
        return max(self.cost - self.if_left, 0.0)

    @property
    def chance_enough(self) -> float:
        """Chance with which what is kept should be enough: 0 where keeping gains nothing."""
        both = self.too_little + self.too_much
        return self.too_little / both if both > 0 else 0.0

    def of_one_more(self, currency: str) -> str:
        """What one litre beyond what is kept costs and brings, in a sentence."""
        little, much = f"{self.too_little:.2f}", f"{self.too_much:.2f} {currency}"
        if self.too_little > 0.0:
            return f"Beyond that a litre too little costs {little}, one too much {much}."
        kept = f"{self.cost:.2f} {currency} and brings {self.if_needed:.2f} after a bad harvest"
        return f"Keeping a litre more costs {kept}: no more is kept."


def enough_with(chance: float, needs: npt.ArrayLike) -> float:
    """Smallest of the needs that is enough with a chance; every need as likely as another, 0 for no chance at all."""
    ordered = np.sort(np.asarray(needs, dtype=np.float64))
    if chance <= 0.0 or not len(ordered):
        return 0.0
    position = int(np.ceil(chance * len(ordered) - 1e-9)) - 1
    return float(ordered[min(max(position, 0), len(ordered) - 1)])


def expected_costs(kept: npt.ArrayLike, needs: npt.ArrayLike, unit: Unit) -> tuple[Floats, Floats]:
    """Expected cost of too much and of too little, for each amount kept [k]."""
    amount, need = np.asarray(kept, dtype=np.float64)[:, np.newaxis], np.asarray(needs, dtype=np.float64)
    over = np.maximum(amount - need, 0.0).mean(axis=1) * unit.too_much
    under = np.maximum(need - amount, 0.0).mean(axis=1) * unit.too_little
    return over, under
