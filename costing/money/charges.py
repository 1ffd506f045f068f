"""All the money of one basis: what enters the wine, what is expensed at once, what accrues with time, and the
rate of capital.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np
import pandas as pd

from costing.array_types import Flags, Floats, Ints
from costing.calendar import year_of
from costing.engine.carrying import RateCurve
from costing.errors import Finding, caution
from costing.graph.arrays import STAGES
from costing.graph.states import Chain, States
from costing.inputs.basis import Basis
from costing.inputs.estate import Estate
from costing.inputs.owners import kept_for_others
from costing.money.capital import Capital, worth_at_end
from costing.money.dated_rates import dated_rates
from costing.money.deliveries import delivery_postings
from costing.money.events import Events, events_of
from costing.money.indices import has_index, price_factors
from costing.money.pools import PoolCharges, Pools, pool_cautions
from costing.money.postings import Postings, direct_postings, elements_of, opening_postings
from costing.money.presses import Presses, split_presses
from costing.money.rates import dry_goods_postings, location_of, rate_postings
from costing.money.time_charges import TimeCharge, storage_charges
from costing.once import Once, asked_once


@dataclass(frozen=True)
class Accrued:
    """One time charge on the states that bear it: amount, and its worth at the end of each interval; whether
    it is expensed.
    """

    charge: TimeCharge
    states: Ints
    amount: Floats
    worth: Floats
    expensed: bool


@dataclass(frozen=True)
class Charges:
    """Money of one basis. postings enter the wine; worth: of each at the end of its state's interval; aside is what
    the basis keeps out of it, lost what abnormal losses took of work done on what was lost; accrued are charges for
    time, time_charges those that nothing bears too; findings: of press loads and pools; common: what no basis changes;
    on_theirs: money spent on other people's goods, to be found when it is asked for (None: there are none).
    """

    elements: pd.Index
    postings: Postings
    worth: Floats
    aside: Postings
    lost: Postings
    accrued: tuple[Accrued, ...]
    presses: Presses
    capital: Capital
    time_charges: tuple[TimeCharge, ...]
    pools: Pools
    findings: tuple[Finding, ...]
    common: CommonMoney
    on_theirs: Callable[[], Charges] | None = None

    @cached_property
    def services(self) -> Charges | None:
        """Money spent on other people's goods, which enters none of ours (None: there are none)."""
        return None if self.on_theirs is None else self.on_theirs()

    def on_services(self) -> tuple[Postings, tuple[Accrued, ...]]:
        """Postings and charges for time on other people's goods."""
        if self.services is None:
            return self.postings.take(np.zeros(0, dtype=np.int64)), ()
        postings = Postings.joined([self.services.postings, self.services.expensed])
        return postings.take(postings.state >= 0), self.services.accrued  # what is idle counts once, among ours

    @property
    def service_cost(self) -> float:
        """Money spent on other people's goods."""
        postings, accrued = self.on_services()
        return float(postings.amount.sum()) + sum(float(part.amount.sum()) for part in accrued)

    @property
    def curve(self) -> RateCurve | None:
        """Dated rate of capital (None: no capital is charged)."""
        return self.capital.curve

    @cached_property
    def expensed(self) -> Postings:
        """Postings that do not enter the wine."""
        return Postings.joined([self.aside, self.lost])


class CommonMoney(Once):
    """Money of an estate on its chain that bases share: each part is found once for all that choose alike.
    at_prices_of: day whose prices replace the dated ones (None: no).
    """

    def __init__(self, estate: Estate, chain: Chain) -> None:
        self._estate, self._chain = estate, chain
        self.elements = elements_of(estate)
        self.others: CommonMoney | None = None
        self._share_pools()

    def _share_pools(self) -> None:
        """Pools of our goods and of other people's: the driver of each counts both."""
        self.pools = Pools(self._estate, self._chain, self.elements, location_of(self._estate, self._chain))
        theirs = kept_for_others(self._estate)
        if theirs is None or self._chain.others is None:
            return
        self.others = CommonMoney(theirs, self._chain.others)
        ours_took, they_took = self.pools.taken(self._events), self.others.pools.taken(self.others._events)
        self.pools, self.others.pools = self.pools.beside(they_took), self.others.pools.beside(ours_took)

    @cached_property
    def _events(self) -> Events:
        return events_of(self._estate, self._chain)

    @cached_property
    def _pools_by_event(self) -> PoolCharges:
        return self.pools.of_events(self._events)

    def charge_pools(self) -> tuple[PoolCharges, PoolCharges]:
        """What pools charge by what happens and by what is held; after that each of their rows knows its capacity."""
        return self._pools_by_event, self.pools.of_time(None)

    @cached_property
    def pool_findings(self) -> list[Finding]:
        """Cautions on pools carried on past their last period, or split by days."""
        by_event, by_time = self.charge_pools()
        return pool_cautions(self._estate, np.concatenate([by_event.carried_on, by_time.carried_on]), by_event.by_days)

    @asked_once
    def spent(self, at_prices_of: int | None) -> Postings:
        """Direct costs, operation rates, dry goods and pools. An index is not counted here."""
        estate, chain, elements = self._estate, self._chain, self.elements
        return Postings.joined(
            [
                direct_postings(estate, chain, elements),
                rate_postings(estate, chain, self._events, elements, at_prices_of),
                dry_goods_postings(estate, chain, self._events, elements, at_prices_of),
                self._pools_by_event.postings,
            ]
        )

    @asked_once
    def timed(self, at_prices_of: int | None) -> tuple[list[TimeCharge], Postings]:
        """Charges for time, and what stays idle of their pools."""
        storage = storage_charges(self._estate, self._chain, self.elements, at_prices_of)
        pools = self.pools.of_time(at_prices_of)
        return [*storage, *pools.timed], pools.postings

    @asked_once
    def amounts(self, charge: TimeCharge) -> Floats:
        """What a charge for time comes to on each of the states that bear it, without interest."""
        states = self._chain.states
        return (
            charge.curve.amount(states.start[charge.states], states.end[charge.states]) * states.quantity[charge.states]
        )

    @asked_once
    def presses(self, split_method: str | None, by_product: str) -> Presses:
        """Split of the press loads."""
        return split_presses(self._estate, self._chain, self.elements, split_method, by_product)

    @asked_once
    def _brought(self, opening_costs: str, own_grapes: str, at_prices_of: int | None) -> Postings:
        """Opening costs and deliveries."""
        estate, chain, elements = self._estate, self._chain, self.elements
        indexed = has_index(estate, elements)[elements.get_loc("grapes")]
        opened = opening_postings(estate, chain, elements, opening_costs)
        delivered = delivery_postings(estate, chain, elements, own_grapes, None if indexed else at_prices_of)
        return Postings.joined([opened, delivered])

    def entered(self, basis: Basis) -> tuple[Postings, list[Finding]]:
        """Everything posted on a basis, and what is to be said of it: the same at every rate of capital."""
        return self._posted(
            basis.opening_costs, basis.own_grapes, basis.split_method, basis.by_product, basis.replacement
        )

    @asked_once
    def _posted(
        self, opening_costs: str, own_grapes: str, split_method: str | None, by_product: str, replacement: bool
    ) -> tuple[Postings, list[Finding]]:
        presses = self.presses(split_method, by_product)
        at_prices_of = self._chain.valuation_day if replacement else None
        time_charges, left = self.timed(at_prices_of)
        brought = self._brought(opening_costs, own_grapes, at_prices_of)
        postings = Postings.joined([brought, self.spent(at_prices_of), presses.postings, left])
        findings = [*presses.findings, *self.pool_findings]
        if at_prices_of is not None:
            estate, elements = self._estate, self.elements
            findings += _kept_prices(estate, elements, postings, time_charges, at_prices_of)
            factor = price_factors(estate, elements, postings.element, postings.incurred, at_prices_of)
            postings = replace(postings, amount=postings.amount * factor)
        return postings, findings


def charges_of(estate: Estate, chain: Chain, basis: Basis, common: CommonMoney | None = None) -> Charges:
    """Collect the money of a basis. InputError if the basis needs a borrowing rate that is not given.

    common: of this estate and chain, to be shared between bases.
    """
    common = common or CommonMoney(estate, chain)
    elements = common.elements
    capital = Capital.of(estate, basis)
    postings, findings = common.entered(basis)
    time_charges, _ = common.timed(chain.valuation_day if basis.replacement else None)
    expensed = elements.isin(basis.expensed_elements)
    apart = expensed[postings.element]
    apart |= np.append(chain.states.quantity, 0.0)[postings.state] <= 0  # nothing is left to bear it (state −1: nobody)
    stored = np.isin(STAGES, basis.storage_stages)[chain.states.stage]
    accrued = []
    for charge in time_charges:
        enters = stored[charge.states] & ~expensed[charge.element]
        accrued += _accrue(charge, common.amounts(charge), enters, chain.states, capital)
    spent, lost = _lost_with_the_wine(postings.take(~apart) if apart.any() else postings, chain, basis)
    theirs, on_theirs = kept_for_others(estate), None
    if theirs is not None and chain.others is not None:
        on_theirs = partial(charges_of, theirs, chain.others, basis, common.others)
    return Charges(
        elements,
        spent,
        worth_at_end(spent, chain, capital),
        postings.take(apart),
        lost,
        tuple(accrued),
        common.presses(basis.split_method, basis.by_product),
        capital,
        tuple(time_charges),
        common.pools,
        tuple(findings),
        common,
        on_theirs,
    )


def _kept_prices(
    estate: Estate, elements: pd.Index, postings: Postings, time_charges: list[TimeCharge], at_prices_of: int
) -> list[Finding]:
    """A caution that names the elements whose replacement cost is what was paid: without an index, and without a rate
    or price that replaced an earlier one.
    """
    counts = postings.amount != 0
    spent = np.zeros(len(elements), dtype=bool)
    spent[postings.element[counts & (postings.incurred < at_prices_of)]] = True
    spent[[charge.element for charge in time_charges if len(charge.states)]] = True
    spent[elements.get_indexer(pd.Index(["by-product credit", "capital"], dtype=object))] = False
    newer = np.zeros(len(elements), dtype=bool)
    newer[elements.get_indexer(pd.Index(_renewed(estate, at_prices_of), dtype=object))] = True
    kept = elements[spent & ~newer & ~has_index(estate, elements)]
    if not len(kept):
        return []
    rule = "have no price index and no newer rate or price: replacement cost takes them at what was paid."
    remedy = "Enter an index on two dates for each of them, or today's rate or price."
    return [caution("Price indices", ", ".join(sorted(kept)), rule, remedy)]


def _renewed(estate: Estate, day: int) -> set[str]:
    """Elements of which a dated rate or price has been replaced by a newer one by a day."""
    elements = set[str]()
    for rates in (dated_rates(estate, "operation_rates"), dated_rates(estate, "dry_goods")):
        renewed = [series[0] for series in rates.series if np.sum(rates.since[series] <= day) > 1]
        elements |= set(rates.keys["element"][renewed])
    listed = estate["grape_prices"]
    known = listed[(listed["vintage"] <= int(year_of(day))) & listed["price_per_kg"].notna()]
    return elements | ({"grapes"} if known.duplicated(["supplier", "village", "variety"]).any() else set())


def _lost_with_the_wine(postings: Postings, chain: Chain, basis: Basis) -> tuple[Postings, Postings]:
    """Postings without what abnormal losses took of them, and that part, expensed: work on wine that was lost beyond
    its norm was lost with it.
    """
    worked = np.flatnonzero(postings.worked_on >= 0)
    beyond = np.zeros(len(postings))
    beyond[worked] = basis.abnormal_share(chain.flows.abnormal[postings.worked_on[worked]])
    lossy = np.flatnonzero(beyond)
    part = postings.take(lossy)
    lost = replace(part, amount=part.amount * beyond[lossy])
    return replace(postings, amount=postings.amount * (1.0 - beyond)), lost


def _accrue(charge: TimeCharge, amounts: Floats, enters: Flags, states: States, capital: Capital) -> list[Accrued]:
    """A charge in two parts: what enters the wine, what is expensed. amounts: on each state that bears it, and whether
    it enters there [borne].
    """
    parts = []
    for expensed in (False, True):
        here = enters != expensed
        state, amount = charge.states[here], amounts[here]
        if not len(state):
            continue
        worth = amount
        if not expensed and capital.curve is not None:
            start, end = states.start[state], states.end[state]
            grown = charge.curve.value_at_end(start, end, capital.curve) * states.quantity[state]
            worth = np.where(capital.accrues[states.stage[state]], grown, amount)
        parts.append(Accrued(charge, state, amount, worth, expensed))
    return parts
