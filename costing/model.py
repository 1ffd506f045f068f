"""The map of the whole: rows -> flows -> lot-states -> money -> one solve -> results."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from functools import cached_property

import numpy as np
import pandas as pd

from costing.engine.shares import shares_of
from costing.engine.solve import Posted, solve
from costing.errors import ERROR, Finding, InputError, errors_in
from costing.graph.arrays import STAGES, Flow, number_lots
from costing.graph.balance import empty_below
from costing.graph.flows import flows_of, valuation_day, yearly_norms
from costing.graph.places import place_of
from costing.graph.sequence import Place, order_flows
from costing.graph.settle import settled
from costing.graph.states import Chain, build_states
from costing.inputs.basis import ECONOMIC, REPLACEMENT, Basis, book_basis
from costing.inputs.cellar_checks import QUANTITY_CHECKS
from costing.inputs.estate import Estate
from costing.inputs.load import load_whole
from costing.inputs.owners import kept_for_others, own_part
from costing.inputs.raw import RawTable
from costing.inputs.readable import Readable
from costing.money.charges import Charges, CommonMoney, charges_of
from costing.money.presses import check_credits
from costing.once import Once
from costing.results.composition import Composition, composition_of
from costing.results.lots import LotLabels, lot_labels
from costing.results.results import Results


def loaded(raw: Iterable[RawTable], *, settings_required: bool = True) -> Estate:
    """Validated estate (`inputs.load`), all that is left of a lot in numbers. Where it is refused, the balances of
    those lots whose rows can be read are told in the same round.
    """
    try:
        return _in_numbers(load_whole(raw, settings_required=settings_required))
    except InputError as refused:
        kept = refused.readable
        if not isinstance(kept, Readable):
            raise
        try:
            trace(_in_numbers(kept.estate))
        except InputError as further:
            raise InputError([*refused.findings, *kept.certain(further.findings)]) from refused
        raise


def _in_numbers(whole: Estate) -> Estate:
    """The estate, in whose tables everybody's rows are, with what they left to be said by the wine and other people's
    rows apart. InputError where that cannot be.
    """
    told, findings = settled(whole)
    if told is whole:
        return own_part(whole)
    findings += [finding for check in QUANTITY_CHECKS for finding in check(told) if finding not in whole.cautions]
    cautions = [*whole.cautions, *findings]
    if errors_in(findings):
        raise InputError(cautions)
    return own_part(replace(told, cautions=tuple(cautions), refused={}))


def trace(estate: Estate) -> Chain:
    """How wine moved, other people's beside our own: the same for every basis. InputError with every overdrawn lot,
    loop and other impossibility.
    """
    theirs = kept_for_others(estate)
    if theirs is None:
        return _trace(estate)
    day = np.datetime64(valuation_day(estate), "D").item()
    theirs = replace(theirs, settings=theirs.settings.model_copy(update={"valuation_date": day}))
    chains, wrong = [], list[Finding]()
    for part in (estate, theirs):
        try:
            chains.append(_trace(part))
        except InputError as refused:
            wrong += refused.findings
    if wrong:
        raise InputError(wrong)
    own, others = chains
    return replace(own, others=others, cautions=(*own.cautions, *others.cautions))


def _trace(estate: Estate) -> Chain:
    """How the goods of the tables moved."""
    lots = number_lots(estate)
    flows = flows_of(estate, lots)
    place = place_of(estate, flows, lots)
    order, loops = order_flows(flows, len(lots.names), place)
    if loops:
        raise InputError([*estate.cautions, *loops])
    today = valuation_day(estate)
    chain, findings = build_states(lots, flows, order, empty_below(estate), yearly_norms(estate), today, place)
    findings += _costs_before_wine(chain, place)
    if any(finding.severity == ERROR for finding in findings):
        raise InputError([*estate.cautions, *findings])
    return replace(chain, cautions=tuple(findings))


def _costs_before_wine(chain: Chain, place: Place) -> list[Finding]:
    flows = chain.flows
    cost = np.flatnonzero(flows.kind == Flow.COST)
    state = chain.last_filled(chain.state_on(flows.target[cost], flows.day[cost]))
    return [
        Finding(
            place(int(flow), "into"),
            str(np.datetime64(int(flows.day[flow]), "D")),
            f"is before anything was in lot '{chain.lots.names[flows.target[flow]]}'.",
            "Check the date and the lot, or enter what filled the lot before.",
        )
        for flow in cost[state < 0]
    ]


def run(
    estate: Estate, basis: Basis | None = None, chain: Chain | None = None, common: CommonMoney | None = None
) -> Results:
    """Cost of everything on one basis; without one, for the accounts as Settings choose.

    chain: `trace(estate)`, to be shared between bases; common: their money that no basis changes, likewise.

    InputError if the input makes no sense; IdentityError if cost in does not equal cost out.
    """
    basis = book_basis(estate.settings) if basis is None else basis
    chain = trace(estate) if chain is None else chain
    charges = charges_of(estate, chain, basis, common)
    states, edges = chain.states, chain.edges
    shares = shares_of(
        len(states),
        edges.source,
        edges.target,
        edges.shares_when_split(charges.presses.share),
        basis.abnormal_share(edges.abnormal),
        edges.flow,
    )
    posted, columns = _posted(chain, charges)
    capital = charges.capital
    solution = solve(
        shares.matrix,
        posted,
        len(columns),
        capital.growth(states.stage, states.start, states.end),
        None if capital.curve is None else capital.index_at_end(states),
        states.stage,
        accrues_everywhere=bool(capital.accrues.all()),
    )
    names = STAGES, tuple(charges.elements)
    columns += [(stage, names[1].index("capital")) for stage in solution.capital_stages]
    stage_and_element = np.array(columns, dtype=np.int64).reshape(-1, 2).T
    labels = pd.MultiIndex(names, stage_and_element.tolist(), names=["stage", "element"])
    cautions = (*chain.cautions, *charges.findings)
    results = Results(estate, basis, chain, charges, shares, solution, labels, cautions)
    results.check_identity()
    loads = states.batch_state[: len(chain.flows.load_names)]
    wrong = check_credits(estate, chain, np.where(loads >= 0, results.total[loads], 0.0))
    if wrong:
        raise InputError([*estate.cautions, *wrong])
    return results


def _posted(chain: Chain, charges: Charges) -> tuple[Posted, list[tuple[int, int]]]:
    """Everything that enters the wine, and the (stage, element) of each column."""
    stages, postings = chain.states.stage, charges.postings
    n_elements = len(charges.elements)
    accrued = [part for part in charges.accrued if not part.expensed]
    code = np.concatenate(
        [
            postings.stage * n_elements + postings.element,
            *(stages[part.states] * n_elements + part.charge.element for part in accrued),
        ]
    )
    is_used = np.bincount(code, minlength=1) > 0
    used = np.flatnonzero(is_used)
    posted = Posted(
        np.concatenate([postings.state, *(part.states for part in accrued)]),
        (np.cumsum(is_used) - 1)[code],
        np.concatenate([postings.amount, *(part.amount for part in accrued)]),
        np.concatenate([charges.worth, *(part.worth for part in accrued)]),
    )
    return posted, [divmod(int(column), n_elements) for column in used]


def _unnamed(basis: Basis) -> Basis:
    return basis.model_copy(update={"name": ""})


class Runs(Once):
    """One estate, its results on every basis, and what all decisions ask of them, each computed once when asked for."""

    def __init__(self, estate: Estate, chain: Chain | None = None, common: CommonMoney | None = None) -> None:
        """chain, common: of this estate, where they are known."""
        self.estate = estate
        self._chain, self._common = chain, common
        self._results: dict[Basis, Results] = {}

    @cached_property
    def chain(self) -> Chain:
        """How wine moved, the same on every basis."""
        return trace(self.estate) if self._chain is None else self._chain

    @cached_property
    def common(self) -> CommonMoney:
        """Money that no choice of a basis changes."""
        return CommonMoney(self.estate, self.chain) if self._common is None else self._common

    def on(self, basis: Basis) -> Results:
        """Results on a basis. Its name makes no difference: the usual bases keep theirs, whoever asks first."""
        key = _unnamed(basis)
        if key not in self._results:
            usual = (book_basis(self.estate.settings), ECONOMIC, REPLACEMENT)
            named = next((one for one in usual if _unnamed(one) == key), basis)
            self._results[key] = run(self.estate, named, self.chain, self.common)
        return self._results[key]

    @property
    def book(self) -> Results:
        """Results on the book basis, with the policies that Settings choose."""
        return self.on(book_basis(self.estate.settings))

    @property
    def economic(self) -> Results:
        """Results on the economic basis."""
        return self.on(ECONOMIC)

    @property
    def replacement(self) -> Results:
        """Results at today's prices."""
        return self.on(REPLACEMENT)

    @cached_property
    def labels(self) -> LotLabels:
        """Cuvée, format, tirage and disgorgement of every lot."""
        return lot_labels(self.estate, self.chain)

    @cached_property
    def composition(self) -> Composition:
        """Vintages, varieties, villages, reserve and second pressing of every lot-state."""
        return composition_of(self.estate, self.chain)

    @property
    def currency(self) -> str:
        """Currency of the estate."""
        return str(self.estate.settings.currency)

    @property
    def today(self) -> int:
        """Day number of the valuation date."""
        return int(self.chain.valuation_day)

    @property
    def date(self) -> np.datetime64:
        """The valuation date."""
        return np.datetime64(self.today, "D")

    @property
    def facts(self) -> dict[str, str]:
        """What heads an answer: currency and day."""
        return {"currency": self.currency, "day": str(self.date)}
