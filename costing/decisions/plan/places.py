"""Places taken over the time of the plan, beside those there are."""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.decisions.plan.from_estate import PlanInputs
from costing.decisions.plan.planning import Plan

_COLUMNS = ("location", "cash_month", "places_taken", "places_there")


def places_over_time(inputs: PlanInputs, plan: Plan) -> pd.DataFrame:
    """Month by month and place: places taken by the bottles on lees, and places there are; none where nobody limits
    them.
    """
    facts, parts = inputs.facts, []
    month = [str(day)[:7] for day in (facts.dates.day[:-1] + 1).astype("datetime64[D]")]
    for number, place in enumerate(inputs.places):
        there = facts.limits.places[number]
        if not np.isfinite(there).any():
            continue
        here = facts.stacks.place == number
        taken = (plan.on_lees[here] * facts.stacks.takes_places[here, np.newaxis]).sum(axis=0)
        parts.append(
            pd.DataFrame(
                {"location": place, "cash_month": month, "places_taken": taken[: len(month)], "places_there": there}
            )
        )
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=list(_COLUMNS))
