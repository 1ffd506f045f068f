"""What was paid for deliveries: a price of their own or of the year's list, in instalments, or what own grapes cost to
grow; the premium expected, and what the final one differs by.

Each stands on the arrival of its delivery, whatever its date.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.array_types import Floats, Ints
from costing.graph.arrays import BLANK_DAY, Flow, codes, days
from costing.graph.states import Chain
from costing.inputs.estate import Estate
from costing.inputs.grape_prices import listed_row
from costing.inputs.in_force import row_in_force, series_of
from costing.money.postings import BOTTLE_OUT, KG, LITRE, MONEY_COLUMNS, Bearers, Postings, posted
from costing.once import asked_once

_DRIVER_OF_UNIT = np.array([KG, LITRE, BOTTLE_OUT])
"""By the unit of a lot (kg, litres, bottles), what its deliveries are charged by."""
_PRICE, _GROWN, _LISTED = (
    MONEY_COLUMNS.index(column)
    for column in (
        ("deliveries", "price_per_unit"),
        ("deliveries", "growing_cost_per_unit"),
        ("grape_prices", "price_per_kg"),
    )
)


def delivery_postings(
    estate: Estate, chain: Chain, elements: pd.Index, own_grapes: str, at_prices_of: int | None = None
) -> Postings:
    """Price of every delivery, in its instalments, its expected premium, and what the final one differs by.

    Own grapes (rows with a growing cost) enter at that cost, paid on the day, or at their transfer price, as
    own_grapes says. at_prices_of: day whose grape prices replace those of the harvest (None: no).
    """
    frame = estate["deliveries"]
    day, quantity = days(frame["on_date"]), frame["quantity"].to_numpy()
    growing = frame["growing_cost_per_unit"].to_numpy()
    price, listed = delivery_prices(estate, at_prices_of)
    own = ~np.isnan(growing) & ((own_grapes == "growing cost") | np.isnan(price))
    element = _element(frame["what"].astype(object).to_numpy(), elements)
    flow = np.flatnonzero(chain.flows.kind == Flow.DELIVERY)
    state, driver = chain.target_state[flow], _DRIVER_OF_UNIT[chain.lots.unit[chain.flows.target[flow]]]
    stage = chain.states.stage[state]

    def bearers(row: Ints, incurred: Ints) -> Bearers:
        return Bearers(state[row], stage[row], incurred, flow[row], driver[row], quantity[row])

    row, share, paid = _instalments(estate, day, np.where(own, -1, codes(frame["terms"], _terms(estate))))
    unit_price = np.where(own, growing, np.nan_to_num(price))
    column = np.where(own, _GROWN, np.where(listed >= 0, _LISTED, _PRICE))
    cell = np.where(column == _LISTED, listed, np.arange(len(frame)))
    amount = unit_price[row] * quantity[row] * share
    parts = [posted(column[row], cell[row], bearers(row, day[row]), element[row], amount, paid)]
    expected, fixed = np.nan_to_num(frame["expected_premium_per_unit"].to_numpy()), days(frame["premium_date"])
    differs = np.nan_to_num(frame["premium_per_unit"].to_numpy() - expected)
    due = np.where(fixed == BLANK_DAY, day, fixed)
    for name, premium, incurred in (
        ("expected_premium_per_unit", expected, day),
        ("premium_per_unit", differs, counted_from(estate, day, due)),
    ):
        row = np.flatnonzero((premium != 0) & ~own)
        amount = premium[row] * quantity[row]
        parts.append(posted(("deliveries", name), row, bearers(row, incurred[row]), element[row], amount, due[row]))
    return Postings.joined(parts)


def _element(what: np.ndarray, elements: pd.Index) -> Ints:
    """Cost element of each delivery, by what was received."""
    bottles = np.isin(what, ("on lees", "finished"))
    names = np.where(what == "grapes", "grapes", np.where(bottles, "bottles", "must and wine"))
    return elements.get_indexer(pd.Index(names, dtype=object)).astype(np.int64)


def counted_from(estate: Estate, belongs: Ints, fixed: Ints) -> Ints:
    """Day from which amounts count that were fixed on a day and belong to another.

    What belongs to the time up to a closing and is fixed after it, but before its accounts are approved, counts as of
    the closing (IAS 10.9).
    """
    counted = fixed.copy()
    for closing, approval in _approvals(estate).items():
        counted[(belongs <= closing) & (fixed > closing) & (fixed <= approval)] = closing
    return counted


@asked_once
def _approvals(estate: Estate) -> dict[int, int]:
    """Day on which the accounts of each closing were approved: of the valuation date, and of the year-end sheets."""
    stock, chosen, approved = estate["yearend_stock"], estate.settings, dict[int, int]()
    if len(stock):
        latest = stock[stock["approved_on"].notna()].sort_values("version").drop_duplicates("closing_date", keep="last")
        approved = dict(zip(days(latest["closing_date"]).tolist(), days(latest["approved_on"]).tolist(), strict=True))
    if chosen.valuation_date is not None and chosen.accounts_approved_on is not None:
        closing, approval = (
            int(np.datetime64(day, "D").astype(np.int64))
            for day in (chosen.valuation_date, chosen.accounts_approved_on)
        )
        approved[closing] = approval
    return approved


@asked_once
def delivery_prices(estate: Estate, at_prices_of: int | None = None) -> tuple[Floats, Ints]:
    """Price per unit of every delivery and the row of Grape prices it came from (−1: its own, or none: NaN).

    at_prices_of: day whose price replaces that of the harvest (None: no): the latest year of the same supplier, village
    and variety, a year's price being in force from its first day.
    """
    frame, listed = estate["deliveries"], estate["grape_prices"]
    price = frame["price_per_unit"].to_numpy().copy()
    per_kg = listed["price_per_kg"].to_numpy()
    priced = ~np.isnan(per_kg)
    source = listed_row(frame, listed, priced, np.isnan(price))
    amounts = per_kg + np.nan_to_num(listed["premium_per_kg"].to_numpy())
    price[source >= 0] = amounts[source[source >= 0]]
    if at_prices_of is not None and priced.any():
        listed_since = days(pd.to_datetime(pd.DataFrame({"year": listed["vintage"], "month": 1, "day": 1})))
        keys = [pd.factorize(listed[name], use_na_sentinel=False)[0] for name in ("supplier", "village", "variety")]
        for rows_alike in series_of(keys, listed_since):
            series = rows_alike[priced[rows_alike]]
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
    count = np.bincount(name, minlength=len(_terms(estate)) + 1)
    start = np.r_[0, np.cumsum(count)[:-1]]
    lines = np.where(terms >= 0, count[terms], 1)
    row = np.repeat(np.arange(len(day)), lines)
    within = np.arange(len(row)) - np.repeat(np.cumsum(lines) - lines, lines)
    credit = terms[row] >= 0
    if not len(order):
        return row, np.ones(len(row)), day[row]
    line = order[np.where(credit, start[terms[row]] + within, 0)]
    fixed, later = days(table["fixed_date"]), np.nan_to_num(table["days_after"].to_numpy())
    due = np.where(fixed[line] == BLANK_DAY, day[row] + np.rint(later[line]).astype(np.int64), fixed[line])
    share = np.where(credit, table["share"].to_numpy()[line], 1.0)
    return row, share, np.where(credit, due, day[row])
