"""What a run found: costs of every lot-state by stage and element, and the check that no cent was lost.

    cost in + capital charged = stock + cost of goods sold and other exits + expensed + charged to services

Arrays stay arrays here; the tables that people read are made from them by the other modules of this package.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from costing.array_types import Floats, Ints
from costing.engine.cost_columns import CostColumns
from costing.engine.shares import LOST, Shares
from costing.engine.solve import Solution
from costing.errors import Finding, IdentityError
from costing.graph.states import Chain
from costing.inputs.basis import Basis
from costing.inputs.estate import Estate
from costing.money.charges import Charges
from costing.money.postings import TABLE_NAMES, Postings
from costing.once import Once

TOLERANCE = 1e-9


@dataclass(frozen=True)
class Results(Once):
    """One estate on one basis.

    columns: pairs (stage, element) of the columns of `cost`; the last ones are capital. cautions: doubts
    found on the way.
    """

    estate: Estate
    basis: Basis
    chain: Chain
    charges: Charges
    shares: Shares
    solution: Solution
    columns: pd.MultiIndex
    cautions: tuple[Finding, ...]

    @property
    def cost(self) -> CostColumns:
        """Cost of every state at the end of its interval [states, columns], capital included."""
        return self.solution.cost

    @cached_property
    def total(self) -> Floats:
        """Cost of every state over all columns [states]."""
        return self.cost.total

    @cached_property
    def final(self) -> Ints:
        """States that are still open at the end of the records: one of every lot, for the valuation date cuts it."""
        return self.chain.states.last_of_lot

    @cached_property
    def had_gone(self) -> Postings:
        """Opening costs of goods that had gone before the records begin, fixed only since."""
        apart = self.charges.expensed
        return apart.take((apart.table == TABLE_NAMES.index("opening_costs")) & (apart.state < 0))

    @cached_property
    def index_at_end(self) -> Floats:
        """Accumulation index at the end of each state's interval [states]."""
        return self.charges.capital.index_at_end(self.chain.states)

    @cached_property
    def exit_amount(self) -> Floats:
        """Amount that leaves by each exit: wine sent away, and abnormal losses."""
        return np.asarray(self.shares.exit_share * self.total[self.shares.exit_source])

    def reconciliation(self) -> pd.DataFrame:
        """Identity of the run: line, amount; the last line is the difference."""
        lines, charges = self._identity(), self.charges
        difference = lines.pop("Difference")
        if charges.services is not None:
            lines["Cost in"] += charges.service_cost
            lines["Work on other people's goods, charged to services"] = charges.service_cost
        return pd.DataFrame([*lines.items(), ("Difference", difference)], columns=["line", "amount"])

    def _identity(self) -> dict[str, float]:
        """The same by line, without work on other people's goods: all of it is charged to services."""
        charges = self.charges
        put_in = charges.postings.amount.sum() + sum(a.amount.sum() for a in charges.accrued if not a.expensed)
        apart = charges.expensed.amount.sum() + sum(a.amount.sum() for a in charges.accrued if a.expensed)
        gone = self.had_gone.amount.sum()
        capital = float(self.solution.capital.sum())
        stock = float(self.total[self.final].sum())
        lost = self.shares.exit_reason == LOST
        sold, abnormal = float(self.exit_amount[~lost].sum() + gone), float(self.exit_amount[lost].sum())
        lines = {
            "Cost in": float(put_in + apart),
            "Capital charged": capital,
            "Stock at the end of the records": stock,
            "Cost of goods sold and other exits": sold,
            "Abnormal losses expensed": abnormal,
            "Expensed at once": float(apart - gone),
        }
        difference = lines["Cost in"] + capital - stock - sold - abnormal - float(apart - gone)
        return {**lines, "Difference": difference}

    def check_identity(self) -> None:
        """IdentityError naming the lots at fault if the reconciliation is off by `TOLERANCE` of the cost in or more."""
        lines = self._identity()
        scale = max(1.0, float(np.abs(self.charges.postings.amount).sum()), abs(lines["Capital charged"]))
        if not abs(lines["Difference"]) <= TOLERANCE * scale:
            message = (
                f"the run does not reconcile: {lines['Difference']:.6f} of cost is unaccounted for "
                f"(lots at fault: {', '.join(self._lots_at_fault()) or 'none found'}). Nothing was written."
            )
            raise IdentityError(message)

    def _lots_at_fault(self) -> list[str]:
        """Lots whose states do not pass on all of their cost."""
        given = np.asarray(self.shares.matrix.sum(axis=0)).ravel()
        given = given + np.bincount(self.shares.exit_source, self.shares.exit_share, minlength=len(given))
        still_open = np.zeros(len(given), dtype=bool)
        still_open[self.final] = True
        wrong = np.flatnonzero(~still_open & (np.abs(given - 1.0) > TOLERANCE) & (np.abs(self.total) > TOLERANCE))
        return [self.state_name(int(state)) for state in wrong[:20]]

    def state_name(self, state: int) -> str:
        """Lot of a state, or its press load or batch, with the day on which it began."""
        states, flows = self.chain.states, self.chain.flows
        day = np.datetime64(int(states.start[state]), "D")
        if states.lot[state] >= 0:
            return f"{self.chain.lots.names[states.lot[state]]} on {day}"
        batch = int(states.batch[state])
        if batch < len(flows.load_names):
            return f"press load {flows.load_names[batch]} on {day}"
        return f"batch opened on {day} by row {flows.row[states.flow[state]]}"
