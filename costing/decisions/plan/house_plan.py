"""The best plan of all lots of an estate, solved once however many answers ask for it: `runs.once(house_plan)`."""

from __future__ import annotations

from functools import cached_property

import pandas as pd

from costing.array_types import Floats
from costing.decisions.plan.from_estate import PlanInputs, plan_inputs
from costing.decisions.plan.planning import Plan, Search, Worths
from costing.model import Runs


class HousePlan:
    """What a plan is made from, and its best solution; inputs without a lot have none."""

    def __init__(self, inputs: PlanInputs) -> None:
        self.inputs = inputs

    @cached_property
    def _search(self) -> Search:
        return Search(self.inputs.facts)

    @cached_property
    def best(self) -> tuple[Plan, Worths]:
        """The plan of highest value, and the worths of its limits."""
        return self._search.plan(), self._search.worths()

    @cached_property
    def bottle_pairs(self) -> Floats:
        """Worth today of one bottle more and of one bottle less of each lot [S, 2]."""
        return self._search.bottle_pairs()

    @cached_property
    def one_more(self) -> pd.Series:
        """Worth today of one bottle more, by lot; nothing where no lot can be planned."""
        lots = self.inputs.lots["lot"]
        return pd.Series(self.bottle_pairs[:, 0] if len(lots) else [], pd.Index(lots.astype(str)), dtype=float)


def house_plan(runs: Runs) -> HousePlan:
    """The plan of every lot within all limits."""
    return HousePlan(plan_inputs(runs))
