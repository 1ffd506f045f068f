"""The best plan of all lots of an estate, solved once however many answers ask for it: `house_plan(runs)`."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from functools import cached_property

import numpy as np
import pandas as pd

from costing.array_types import Floats
from costing.decisions.plan.campaigns import WholeCampaigns, whole_campaigns
from costing.decisions.plan.facts import Campaigns
from costing.decisions.plan.from_estate import PlanInputs, plan_inputs
from costing.decisions.plan.planning import Plan, Search, Worths
from costing.model import Runs
from costing.once import Once, asked_once


class HousePlan(Once):
    """What a plan is made from, and its best solution; inputs without a lot have none."""

    def __init__(self, inputs: PlanInputs) -> None:
        self.inputs = inputs

    @cached_property
    def campaigns(self) -> WholeCampaigns | None:
        """The plan in whole campaigns, how far it may be from the best one; None where any number may be disgorged."""
        return None if self.inputs.facts.campaigns is None else whole_campaigns(self.inputs.facts)

    @cached_property
    def _search(self) -> Search:
        return Search(self.inputs.facts) if self.campaigns is None else self.campaigns.search

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


@asked_once
def house_plan(runs: Runs) -> HousePlan:
    """The plan of every lot within all limits."""
    return HousePlan(plan_inputs(runs))


def plan_in_campaigns(runs: Runs, without: Collection[str] = ()) -> HousePlan:
    """The same, disgorged in whole campaigns of the cost and the size of Settings. without: kinds of limit left out."""
    inputs, chosen = plan_inputs(runs, without), runs.estate.settings
    cost = np.full(inputs.facts.dates.steps, chosen.campaign_cost)
    campaigns = Campaigns(cost, float(chosen.smallest_campaign))
    return HousePlan(replace(inputs, facts=replace(inputs.facts, campaigns=campaigns)))
