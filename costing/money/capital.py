"""Capital of a basis: at which rate, and in which stages, money grows while wine is held.

    worth at the end = amount · B(end)/B(paid)      B: accumulation index of the dated rate (`costing.engine.carrying`)

Where a basis charges no capital, and outside its stages, growth is 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from costing.array_types import Flags, Floats, Ints
from costing.engine.carrying import AccrualCurve, RateCurve
from costing.errors import Finding, InputError
from costing.graph.arrays import STAGES, days
from costing.graph.states import Chain, States
from costing.inputs.basis import Basis
from costing.inputs.estate import Estate
from costing.inputs.in_force import row_in_force
from costing.money.postings import Postings


@dataclass(frozen=True)
class Capital:
    """Dated rate (None: no capital is charged), and whether capital accrues in each stage [stages]."""

    curve: RateCurve | None
    accrues: Flags

    @classmethod
    def of(cls, estate: Estate, basis: Basis) -> Capital:
        """Capital that a basis charges. InputError if it needs a borrowing rate that is not given."""
        accrues = np.isin(STAGES, basis.capital_stages if basis.capital != "none" else ())
        return cls(capital_curve(estate, basis), accrues)

    def growth(self, stage: Ints, begin: Ints, end: Ints) -> Floats:
        """What money in a stage grows to between two days, per unit."""
        if self.curve is None:
            return np.ones(np.broadcast_shapes(np.shape(stage), np.shape(begin), np.shape(end)))
        return np.where(self.accrues[stage], self.curve.growth(begin, end), 1.0)

    def accrued(self, charge: AccrualCurve, stage: Ints, begin: Ints, end: Ints) -> Floats:
        """What a charge that accrues evenly between two days is worth at the end of them, per unit of quantity."""
        amount = charge.amount(begin, end)
        if self.curve is None:
            return amount
        return np.where(self.accrues[stage], charge.value_at_end(begin, end, self.curve), amount)

    def index_at_end(self, states: States) -> Floats:
        """B at the end of each state's interval; 1 where no capital is charged."""
        if self.curve is None:
            return np.ones(len(states))
        return self.curve.growth(np.int64(states.start.min(initial=0)), states.end)


def worth_at_end(postings: Postings, chain: Chain, capital: Capital) -> Floats:
    """Worth of each posting at the end of its state's interval."""
    state = postings.state
    return postings.amount * capital.growth(chain.states.stage[state], postings.paid, chain.states.end[state])


def interest_rate_on(estate: Estate, column: str, day: int) -> float:
    """Yearly rate of a column of Interest rates in force on a day; 0 where none is given yet."""
    table = estate["interest_rates"]
    row = row_in_force(np.flatnonzero(table[column].notna()), days(table["from_date"]), np.array([day]))[0]
    return float(table[column].iloc[row]) if row >= 0 else 0.0


def capital_curve(estate: Estate, basis: Basis) -> RateCurve | None:
    """Dated rate of the basis: its own, or that of the Interest rates sheet; None where no capital is
    charged. Without a hurdle rate capital is free, and a caution of the run says so.
    """
    if basis.capital == "none":
        return None
    day_count = estate.settings.day_count
    if basis.rate is not None:
        return RateCurve.flat(basis.rate, day_count)
    frame = estate["interest_rates"]
    column = "hurdle_rate" if basis.capital == "hurdle" else "borrowing_rate"
    rate, since = frame[column].to_numpy(), days(frame["from_date"])
    rows = np.flatnonzero(~np.isnan(rate))
    if not len(rows) and basis.capital == "hurdle":
        return RateCurve.flat(0.0, day_count)
    if not len(rows):
        rule = f"holds no borrowing rate, which the basis '{basis.name}' charges capital at."
        remedy = "Enter the borrowing rate with the date from which it holds."
        raise InputError([Finding("Interest rates", "", rule, remedy)])
    rows = rows[np.argsort(since[rows], kind="stable")]
    return RateCurve(since[rows], rate[rows], day_count)
