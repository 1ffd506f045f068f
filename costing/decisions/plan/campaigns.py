"""Whole campaigns: disgorging a lot on a date costs a sum of its own, and is worth it only above a least number.

    start[s,t] in {0, 1}    least[s,t]·start ≤ d[s,t] ≤ there[s,t]·start    value − Σ PV(cost·start)

    bound    best value with starts between 0 and 1: no plan of whole campaigns is worth more
    first    starts of the bound, each with the least or more: what later dates need is disgorged with it, and waits
    better   starts among those of the bound and the dates beside them, by branch and bound within a time
    gap      (bound − value) ÷ bound

The plan is that of the programme with its starts fixed, so every worth is that of one more with the same campaigns.

Conventions: a lot is disgorged at most once a date of the plan, so a quarter or a year counts one campaign. A lot
smaller than the smallest campaign goes whole. Where few starts are possible all are free, and branch and bound gives
the bound. Dates that one's own plan fixes cost a campaign each, however small.

What it does not do: prove the best plan where time runs out; it says how far it may be from it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from costing.array_types import Flags, Floats, Ints
from costing.decisions.plan.facts import Facts
from costing.decisions.plan.planning import SOME, Search, value_of
from costing.decisions.plan.programme import Solved, System

SECONDS = 20.0
"""Time for branch and bound."""
FEW_STARTS = 150
"""Starts up to which all are left free."""
CLOSE_ENOUGH = 1e-4
"""Gap at which branch and bound stops."""


@dataclass(frozen=True, eq=False)
class WholeCampaigns:
    """The search with its starts fixed, and what no plan of whole campaigns is worth more than, in money of today."""

    search: Search
    value: float
    bound: float
    starts: int

    @property
    def gap(self) -> float:
        """Part of the bound by which the plan may fall short of the best one."""
        return max(self.bound - self.value, 0.0) / abs(self.bound) if self.bound else 0.0


def whole_campaigns(facts: Facts, disgorge_as: Floats | None = None, seconds: float = SECONDS) -> WholeCampaigns:
    """The best plan of whole campaigns found in a time; `facts.campaigns` says what they cost.

    disgorge_as: bottles put to disgorging that stand fixed [S, T] (NaN: free).
    """
    search = Search(facts, disgorge_as)
    starts = _starts(search, disgorge_as)
    programme, system = search.programme, search.programme.system()
    loose = programme.best(system)
    may = system.most[search.put_to] > 0
    first = _rounded(search, system, loose, starts, disgorge_as)
    few = int(may.sum()) <= FEW_STARTS
    free = may if few else may & (_beside(loose.amount("disgorged") > SOME) | first)
    tried = _only(replace(system, whole=np.zeros(len(system.whole), dtype=bool)), starts, free)
    tried.whole[starts[free]] = True
    bound, chosen, best = loose.value, first, _value(search, system, starts, first)
    try:
        better = programme.best(tried, seconds=seconds, gap=CLOSE_ENOUGH)
    except ArithmeticError:  # nothing in time
        better = None
    if better is not None:
        opened = better.amounts[starts] > 0.5
        if (value := _value(search, system, starts, opened)) > best:
            chosen, best = opened, value
        bound = min(bound, max(better.bound, best)) if few else bound
    fixed = Search(facts, disgorge_as)
    _starts(fixed, disgorge_as, chosen)
    worth = value_of(facts, fixed.plan())
    return WholeCampaigns(fixed, worth, worth + max(bound - best, 0.0), int((fixed.plan().disgorged > SOME).sum()))


def _starts(search: Search, disgorge_as: Floats | None, chosen: Flags | None = None) -> Ints:
    """Starts in the programme [S, T]; chosen: those that stand fixed."""
    campaigns, programme, there = search.facts.campaigns, search.programme, _there(search.facts)
    assert campaigns is not None
    least = np.minimum(campaigns.least, there)
    if disgorge_as is not None:
        least = np.where(np.isfinite(disgorge_as), 0.0, least)
    low, high = (0.0, 1.0) if chosen is None else (chosen.astype(float), chosen.astype(float))
    start = programme.variables("start", there.shape, -campaigns.cost * search.discount, least=low, most=high)
    only = programme.rows("only in a campaign", there.shape, most=0.0)
    programme.put(only, search.put_to)
    programme.put(only, start, -there * (1.0 + 1e-9))
    if search.has_credit:
        programme.put(search.cash, start, -campaigns.cost)
    enough = programme.rows("enough for a campaign", there.shape, least=0.0)
    programme.put(enough, search.put_to)
    programme.put(enough, start, -least)
    return start


def _there(facts: Facts) -> Floats:
    """Bottles of each lot that are on lees on each date if none is disgorged before [S, T]."""
    stacks = facts.stacks
    there = np.zeros_like(stacks.price)
    for step in range(there.shape[1]):
        before = there[:, step - 1] * stacks.survival[:, step - 1] if step else 0.0
        there[:, step] = np.where(stacks.finished, 0.0, np.where(stacks.arrives == step, stacks.most, before))
    return there


def _beside(starts: Flags) -> Flags:
    """The starts, and the dates before and after each."""
    wide = starts.copy()
    wide[:, 1:] |= starts[:, :-1]
    wide[:, :-1] |= starts[:, 1:]
    return wide


def _rounded(search: Search, system: System, loose: Solved, starts: Ints, disgorge_as: Floats | None) -> Flags:
    """Starts of the bound that no earlier campaign makes needless; what stands fixed stays."""
    campaigns, amount = search.facts.campaigns, loose.amount("disgorged")
    assert campaigns is not None
    least = np.minimum(campaigns.least, _there(search.facts))
    stays = np.zeros(amount.shape, dtype=bool) if disgorge_as is None else np.nan_to_num(disgorge_as) > 0
    opened, single = stays.copy(), stays.copy()
    for lot, row in enumerate(amount):
        ahead, left = 0.0, float(row.sum())  # disgorged before they are needed; still to be disgorged, these included
        for step in np.flatnonzero(row > SOME).tolist():
            first = not single[lot].any()
            if ahead < row[step] - SOME and (first or left - ahead >= least[lot, step]):
                opened[lot, step] = True
                single[lot, step] |= first
                ahead += max(row[step] - ahead, least[lot, step])
            ahead, left = max(ahead - row[step], 0.0), left - row[step]
    try:
        _value(search, system, starts, opened)
    except ArithmeticError:
        return single
    return opened


def _only(system: System, starts: Ints, free: Flags, least: float = 0.0) -> System:
    """The programme without the other starts; least: of those that are left."""
    low, high = system.least.copy(), system.most.copy()
    high[starts], low[starts] = free.astype(float), free * least
    return replace(system, least=low, most=high)


def _value(search: Search, system: System, starts: Ints, opened: Flags) -> float:
    """Best value with these starts and no others."""
    return search.programme.best(_only(system, starts, opened, 1.0)).value
