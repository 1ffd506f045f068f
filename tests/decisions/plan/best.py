"""The best plan of facts and its worths, in a word."""

from __future__ import annotations

from costing.array_types import Floats
from costing.decisions.plan.facts import Facts
from costing.decisions.plan.planning import Plan, Search, Worths


def best_plan(facts: Facts, disgorge_as: Floats | None = None) -> tuple[Plan, Worths]:
    """The plan of highest value, and the worths of its limits."""
    search = Search(facts, disgorge_as)
    return search.plan(), search.worths()
