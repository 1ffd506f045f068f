"""Postings: every amount of money on a lot-state, with the cell it stands in, what bears it, and how much of what it
was charged by.

    amount = money of the cell × driver quantity, where the cell holds a price or a rate

Here: opening costs and direct costs. Where they enter: `costing.money.entries`. Deliveries:
`costing.money.deliveries`; what is charged by driver: `costing.money.rates`, `costing.money.pools`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from numpy.typing import NDArray

from costing.array_types import Flags, Floats, Ints, ParallelArrays
from costing.graph.arrays import BLANK_DAY, STAGES, Flow, codes, days
from costing.graph.states import Chain
from costing.inputs.estate import Estate, text_of
from costing.inputs.schema import lists, sheets
from costing.money.entries import entries_of
from costing.once import asked_once

TABLE_NAMES: tuple[str, ...] = tuple(sheets())
MONEY_COLUMNS: tuple[tuple[str, str], ...] = (
    ("opening_costs", "amount"),
    ("deliveries", "price_per_unit"),
    ("deliveries", "growing_cost_per_unit"),
    ("deliveries", "premium_per_unit"),
    ("deliveries", "expected_premium_per_unit"),
    ("grape_prices", "price_per_kg"),
    ("grape_prices", "premium_per_kg"),
    ("pressings", "credit"),
    ("pressings", "cost_to_complete_per_l"),
    ("costs", "amount"),
    ("operation_rates", "amount"),
    ("dry_goods", "unit_price"),
    ("pools", "amount"),
)
"""Columns that hold money, as (table, column). A posting knows its column as a position here; the premium of a listed
price is posted with the price.
"""
TABLE_OF_COLUMN = np.array([TABLE_NAMES.index(table) for table, _ in MONEY_COLUMNS])
FLOW_DRIVERS: tuple[str, ...] = ("kg", "litre", "bottle in", "bottle out", "load")
"""Quantities that move, by which rates and pools are charged."""
KG, LITRE, BOTTLE_IN, BOTTLE_OUT, LOAD = range(len(FLOW_DRIVERS))
_ON_WHAT_CAME_IN = (LITRE, BOTTLE_IN)
ELEMENT_COLUMNS = (
    ("opening_costs", "element"),
    ("costs", "element"),
    ("operation_rates", "element"),
    ("dry_goods", "element"),
    ("pools", "element"),
)


@dataclass(frozen=True)
class Bearers:
    """What bears amounts: parallel arrays, or single numbers that stand for all.

    state (−1: expensed at once), stage, day on which the amount is incurred, flow that caused it (−1: none); driver
    that it is charged by, as a position in `FLOW_DRIVERS` (−1: the cell holds an amount), and how much of it.
    """

    state: Ints
    stage: Ints | int
    day: Ints
    flow: Ints | int = -1
    driver: Ints | int = -1
    quantity: Floats | float = 0.0


@dataclass(frozen=True, eq=False)
class Postings(ParallelArrays):
    """One entry per amount.

    state (−1: expensed at once), stage and element (indexes), amount, paid and incurred (day numbers), column (of
    `MONEY_COLUMNS`) and row of the cell, flow that caused it (−1: none), driver (of `FLOW_DRIVERS`; −1: none) and how
    much of it the operation took, shared_by: row of Pools whose driver shares the amount out (−1: of no pool).
    """

    state: Ints
    stage: Ints
    element: Ints
    amount: Floats
    paid: Ints
    incurred: Ints
    column: Ints
    row: Ints
    flow: Ints
    driver: Ints
    quantity: Floats
    shared_by: Ints

    def __len__(self) -> int:
        return len(self.state)

    @cached_property
    def table(self) -> Ints:
        """Table of each cell, as a position in `TABLE_NAMES`."""
        return TABLE_OF_COLUMN[self.column]

    @cached_property
    def worked_on(self) -> Ints:
        """Flow whose abnormal loss takes its part of each amount, as of the wine drawn: that of work which is charged
        by what came in (−1: none).
        """
        return np.where(np.isin(self.driver, _ON_WHAT_CAME_IN), self.flow, -1)

    def of(self, table: str, column: str) -> Flags:
        """Whether each posting comes from a column."""
        return np.asarray(self.column == MONEY_COLUMNS.index((table, column)))


def posted(
    column: tuple[str, str] | Ints,
    row: Ints,
    bearers: Bearers,
    element: Ints | int,
    amount: Floats,
    paid: Ints | None = None,
    shared_by: Ints | int = -1,
) -> Postings:
    """Postings from cells: of one column (table, column) or, as positions in `MONEY_COLUMNS`, of several; a blank or
    missing payment is on the day incurred.
    """
    n = len(row)

    def whole(values: npt.ArrayLike, kind: type = np.int64) -> NDArray[Any]:
        given: NDArray[Any] = np.asarray(values, dtype=kind)
        return given if given.shape == (n,) else np.full(n, given)

    day = bearers.day
    return Postings(
        state=np.asarray(bearers.state, dtype=np.int64),
        stage=whole(bearers.stage),
        element=whole(element),
        amount=np.asarray(amount, dtype=np.float64),
        paid=np.asarray(day if paid is None else np.where(paid == BLANK_DAY, day, paid), dtype=np.int64),
        incurred=np.asarray(day, dtype=np.int64),
        column=whole(MONEY_COLUMNS.index(column) if isinstance(column, tuple) else column),
        row=np.asarray(row, dtype=np.int64),
        flow=whole(bearers.flow),
        driver=whole(bearers.driver),
        quantity=whole(bearers.quantity, np.float64),
        shared_by=whole(shared_by),
    )


@asked_once
def elements_of(estate: Estate) -> pd.Index:
    """Every cost element in use or in the schema's list; `capital` is among them."""
    used = [estate[table][column].cat.categories.to_numpy(dtype=object) for table, column in ELEMENT_COLUMNS]
    names: pd.Index = pd.Index(
        pd.unique(np.concatenate([np.array(lists()["element"], dtype=object), *used])), dtype=object
    )
    return names


def opening_postings(estate: Estate, chain: Chain, elements: pd.Index, family: str) -> Postings:
    """Opening costs of a family of bases: rows that name it and rows that name none.

    A row with an exit belongs to goods that had gone before the records begin: it stands on no state.
    """
    frame = estate["opening_costs"]
    rows = np.flatnonzero(np.isin(text_of(frame["basis"]), ("", family)))
    opened = np.flatnonzero(chain.flows.kind == Flow.OPENING)
    state_of_lot = np.full(len(chain.lots.names) + 1, -1, dtype=np.int64)
    state_of_lot[chain.flows.target[opened]] = chain.target_state[opened]
    had_gone = frame["way_out"].notna().to_numpy()[rows]
    state = np.where(had_gone, -1, state_of_lot[chain.lots.of_rows["opening_costs", "lot"][rows]])
    stage = codes(frame["stage"], STAGES)[rows]
    begun = chain.states.start[state]
    fixed, paid = days(frame["incurred_date"])[rows], days(frame["mean_payment_date"])[rows]
    bearers = Bearers(
        state,
        np.where(stage < 0, chain.states.stage[state], stage),
        np.where(fixed == BLANK_DAY, begun, fixed),
        np.where(had_gone, -1, chain.states.flow[state]),
    )
    amount, element = frame["amount"].to_numpy()[rows], codes(frame["element"], elements)[rows]
    paid = np.where(paid == BLANK_DAY, begun, paid)
    return posted(("opening_costs", "amount"), rows, bearers, element, amount, paid)


def direct_postings(estate: Estate, chain: Chain, elements: pd.Index) -> Postings:
    """Costs rows, each where `costing.money.entries` has it enter its lot."""
    frame = estate["costs"]
    day, lot = days(frame["on_date"]), chain.lots.of_rows["costs", "lot"]
    entry = entries_of(chain, lot, day)
    row = entry.cost
    stage = codes(frame["stage"], STAGES)[row]
    stage = np.where(stage < 0, chain.states.stage[entry.last_held], stage)
    bearers = Bearers(entry.state, stage, day[row], entry.flow)
    amount, element = frame["amount"].to_numpy()[row] * entry.share, codes(frame["element"], elements)[row]
    return posted(("costs", "amount"), row, bearers, element, amount, days(frame["paid_date"])[row])
