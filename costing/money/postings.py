"""Postings: every amount of money on a lot-state, with its stage, cost element, dates and source cell.

Here: opening costs, deliveries with their instalments and premiums, and direct costs. Where they enter:
`costing.money.entries`. `costing.money.rates` adds what is charged by driver.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from costing.graph.arrays import BLANK_DAY, STAGES, Floats, Flow, Ints, codes, days
from costing.graph.states import Chain
from costing.inputs.basis import Basis
from costing.inputs.estate import Estate
from costing.inputs.grape_prices import listed_row
from costing.inputs.in_force import row_in_force, series_of
from costing.inputs.schema import lists, sheets
from costing.money.entries import entries_of

TABLE_NAMES: tuple[str, ...] = tuple(sheets())
ELEMENT_COLUMNS = (
    ("opening_costs", "element"),
    ("costs", "element"),
    ("operation_rates", "element"),
    ("dry_goods", "element"),
    ("pools", "element"),
)


@dataclass(frozen=True)
class Postings:
    """Parallel arrays, one entry per amount.

    state (−1: expensed at once), stage and element (indexes), amount, paid and incurred (day numbers), table
    and row of the source, flow that caused it (−1: none), through: flow whose abnormal loss takes its part of the
    amount, as of the wine that was drawn (−1: none).
    """

    state: Ints
    stage: Ints
    element: Ints
    amount: Floats
    paid: Ints
    incurred: Ints
    table: Ints
    row: Ints
    flow: Ints
    through: Ints

    def __len__(self) -> int:
        return len(self.state)

    def take(self, which: Ints | NDArray[np.bool_]) -> Postings:
        """Those postings, in that order."""
        return Postings(*(getattr(self, field.name)[which] for field in fields(self)))


def joined(parts: Sequence[Postings]) -> Postings:
    """All postings one after the other."""
    return Postings(*(np.concatenate([getattr(part, field.name) for part in parts]) for field in fields(Postings)))


def posted(
    table: str,
    row: Ints,
    state: Ints,
    stage: Ints | int,
    element: Ints | int,
    amount: Floats,
    incurred: Ints,
    paid: Ints | None = None,
    flow: Ints | int = -1,
    through: Ints | int = -1,
) -> Postings:
    """Postings from one table; single numbers stand for all rows; a blank or missing payment is on the day
    incurred.
    """
    n = len(row)

    def whole(values: Ints | int) -> Ints:
        return np.array(np.broadcast_to(np.asarray(values, dtype=np.int64), n))

    due = incurred if paid is None else np.where(paid == BLANK_DAY, incurred, paid)
    number = TABLE_NAMES.index(table)
    return Postings(
        np.asarray(state, dtype=np.int64),
        whole(stage),
        whole(element),
        np.asarray(amount, dtype=np.float64),
        np.asarray(due, dtype=np.int64),
        np.asarray(incurred, dtype=np.int64),
        whole(number),
        np.asarray(row, dtype=np.int64),
        whole(flow),
        whole(through),
    )


def elements_of(estate: Estate) -> pd.Index:
    """Every cost element in use or in the schema's list; `capital` is among them."""
    used = [estate[table][column].cat.categories.to_numpy(dtype=object) for table, column in ELEMENT_COLUMNS]
    names: pd.Index = pd.Index(
        pd.unique(np.concatenate([np.array(lists()["element"], dtype=object), *used])), dtype=object
    )
    return names


def opening_postings(estate: Estate, chain: Chain, elements: pd.Index, basis: Basis) -> Postings:
    """Opening costs of the basis: rows that name it and rows that name none.

    A row with a way out belongs to goods that had gone before the records begin: it stands on no state.
    """
    frame = estate["opening_costs"]
    family = basis.opening_costs
    named = frame["basis"].astype(object)
    rows = np.flatnonzero((named.isna() | (named == family)).to_numpy())
    opened = np.flatnonzero(chain.flows.kind == Flow.OPENING)
    state_of_lot = np.full(len(chain.lots.names) + 1, -1, dtype=np.int64)
    state_of_lot[chain.flows.target[opened]] = chain.target_state[opened]
    had_gone = frame["way_out"].notna().to_numpy()[rows]
    state = np.where(had_gone, -1, state_of_lot[codes(frame["lot"], chain.lots.names)[rows]])
    stage = codes(frame["stage"], pd.Index(STAGES))[rows]
    begun = chain.states.start[state]
    fixed, paid = days(frame["incurred_date"])[rows], days(frame["mean_payment_date"])[rows]
    return posted(
        "opening_costs",
        rows,
        state,
        np.where(stage < 0, chain.states.stage[state], stage),
        codes(frame["element"], elements)[rows],
        frame["amount"].to_numpy()[rows],
        np.where(fixed == BLANK_DAY, begun, fixed),
        np.where(paid == BLANK_DAY, begun, paid),
        np.where(had_gone, -1, chain.states.flow[state]),
    )


def delivery_postings(
    estate: Estate, chain: Chain, elements: pd.Index, basis: Basis, at_prices_of: int | None = None
) -> Postings:
    """Price of every delivery, in its instalments, its expected premium, and what the final one differs by.

    Own grapes (rows with a growing cost) enter at that cost, paid on the day, or at their transfer price, as
    the basis says. at_prices_of: day whose grape prices replace those of the harvest (None: no).
    """
    frame = estate["deliveries"]
    n = len(frame)
    flow = np.flatnonzero(chain.flows.kind == Flow.DELIVERY)
    state = chain.target_state[flow]
    quantity, day = frame["quantity"].to_numpy(), days(frame["on_date"])
    growing = frame["growing_cost_per_unit"].to_numpy()
    price, priced_by = delivery_prices(estate, at_prices_of)
    own = ~np.isnan(growing) & ((basis.own_grapes == "growing cost") | np.isnan(price))
    unit_price = np.where(own, growing, np.nan_to_num(price))
    what = frame["what"].astype(object).to_numpy()
    paid_for = np.where(
        what == "grapes",
        "grapes",
        np.where(np.isin(what, ("on lees", "finished")), "bottles", "must and wine"),
    )
    element = elements.get_indexer(pd.Index(paid_for)).astype(np.int64)
    stage = chain.states.stage[state]
    row, share, paid = _instalments(estate, day, np.where(own, -1, codes(frame["terms"], _terms(estate))))
    amount = unit_price[row] * quantity[row] * share
    from_list = (priced_by >= 0) & ~own
    bought = posted("deliveries", row, state[row], stage[row], element[row], amount, day[row], paid, flow[row])
    listed = from_list[row]
    bought.table[listed] = TABLE_NAMES.index("grape_prices")
    bought.row[listed] = priced_by[row][listed]
    expected, fixed = np.nan_to_num(frame["expected_premium_per_unit"].to_numpy()), days(frame["premium_date"])
    premium = frame["premium_per_unit"].to_numpy() - expected  # trued up: what the final one differs by
    due = np.where(fixed == BLANK_DAY, day, fixed)
    hoped = np.flatnonzero((expected != 0) & ~own)
    foreseen = posted(
        "deliveries",
        hoped,
        state[hoped],
        stage[hoped],
        element[hoped],
        expected[hoped] * quantity[hoped],
        day[hoped],
        due[hoped],
        flow[hoped],
    )
    late = np.flatnonzero(~np.isnan(premium) & (premium != 0) & ~own) if n else np.zeros(0, dtype=np.int64)
    when = counted_from(estate, day, due)[late]
    final = posted(
        "deliveries",
        late,
        state[late],
        stage[late],
        element[late],
        premium[late] * quantity[late],
        when,
        due[late],
        flow[late],
    )
    return joined([bought, foreseen, final])


def counted_from(estate: Estate, belongs: Ints, fixed: Ints) -> Ints:
    """Day from which amounts count that were fixed on a day and belong to another.

    What belongs to the time up to a closing and is fixed after it, but before its accounts are approved, counts as of
    the closing (IAS 10.9). Closings: the valuation date, and the dates of the year-end sheets.
    """
    stock, chosen = estate["yearend_stock"], estate.settings
    latest = stock[stock["approved_on"].notna()].sort_values("version").drop_duplicates("closing_date", keep="last")
    approved = dict(zip(days(latest["closing_date"]).tolist(), days(latest["approved_on"]).tolist(), strict=True))
    if chosen.valuation_date is not None and chosen.accounts_approved_on is not None:
        closing, approval = (
            int(np.datetime64(day, "D").astype(np.int64))
            for day in (chosen.valuation_date, chosen.accounts_approved_on)
        )
        approved[closing] = approval
    counted = fixed.copy()
    for closing, approval in approved.items():
        counted[(belongs <= closing) & (fixed > closing) & (fixed <= approval)] = closing
    return counted


def delivery_prices(estate: Estate, at_prices_of: int | None = None) -> tuple[Floats, Ints]:
    """Price per unit of every delivery and the row of Grape prices it came from (−1: its own, or none: NaN).

    at_prices_of: day whose price replaces that of the harvest (None: no): the latest year of the same supplier, village
    and variety, a year's price being in force from its first day.
    """
    frame, listed = estate["deliveries"], estate["grape_prices"]
    price = frame["price_per_unit"].to_numpy().copy()
    priced = listed["price_per_kg"].notna().to_numpy()
    source = listed_row(frame, listed, priced, np.isnan(price))
    amounts = (listed["price_per_kg"] + listed["premium_per_kg"].fillna(0.0)).to_numpy()
    price[source >= 0] = amounts[source[source >= 0]]
    if at_prices_of is not None and priced.any():
        listed_since = days(pd.to_datetime(pd.DataFrame({"year": listed["vintage"], "month": 1, "day": 1})))
        keys = [pd.factorize(listed[name], use_na_sentinel=False)[0] for name in ("supplier", "village", "variety")]
        for every in series_of(keys, listed_since):
            series = every[priced[every]]
            newest = int(row_in_force(series, listed_since, np.array([at_prices_of]))[0])
            taken = np.isin(source, series)
            if newest >= 0:
                price[taken], source[taken] = amounts[newest], newest
    return price, source


def _terms(estate: Estate) -> pd.Index:
    names: pd.Index = estate["terms"]["terms"].cat.categories
    return names


def _instalments(estate: Estate, day: Ints, terms: Ints) -> tuple[Ints, Floats, Ints]:
    """Row of each instalment, its share of the amount and its day of payment; no terms: all on the day."""
    table = estate["terms"]
    name = codes(table["terms"], _terms(estate))
    order = np.argsort(name, kind="stable")
    count = np.bincount(name, minlength=len(_terms(estate)) + 1) if len(name) else np.zeros(1, dtype=np.int64)
    start = np.r_[0, np.cumsum(count)[:-1]]
    lines = np.where(terms >= 0, count[terms], 1)
    row = np.repeat(np.arange(len(day)), lines)
    within = np.arange(len(row)) - np.repeat(np.cumsum(lines) - lines, lines)
    credit = terms[row] >= 0
    if not len(order):
        return row, np.ones(len(row)), day[row]
    line = order[np.where(credit, np.minimum(start[terms[row]] + within, len(order) - 1), 0)]
    fixed, later = days(table["fixed_date"]), np.nan_to_num(table["days_after"].to_numpy())
    due = np.where(fixed[line] == BLANK_DAY, day[row] + np.rint(later[line]).astype(np.int64), fixed[line])
    share = np.where(credit, table["share"].to_numpy()[line], 1.0)
    return row, share, np.where(credit, due, day[row])


def direct_postings(estate: Estate, chain: Chain, elements: pd.Index) -> Postings:
    """Costs rows, each where `costing.money.entries` has it enter its lot."""
    frame = estate["costs"]
    day, lot = days(frame["on_date"]), codes(frame["lot"], chain.lots.names)
    entry = entries_of(chain, lot, day)
    row = entry.cost
    stage = codes(frame["stage"], pd.Index(STAGES))[row]
    return posted(
        "costs",
        row,
        entry.state,
        np.where(stage < 0, chain.states.stage[entry.held], stage),
        codes(frame["element"], elements)[row],
        frame["amount"].to_numpy()[row] * entry.share,
        day[row],
        days(frame["paid_date"])[row],
        entry.flow,
    )
