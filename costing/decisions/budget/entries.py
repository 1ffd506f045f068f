"""Money by the day on which it is paid, from the rows of the workbook; sales of bottles: `decisions.budget.sales`.

    postings of the engine, by the day paid; operation rates for time, month by month as they accrue; pools evenly over
    their period, the last one that plans are carried on from at the same yearly amount; bulk sales; what owners pay for
    work on their goods; other payments

Conventions: money in is above 0, money out below. Own grapes cost what growing them costs. Costs of opening stock were
paid before the records begin. What fractions of a press load hand each other is no cash.

What it does not do: VAT on purchases, which comes back, and taxes on profit; those belong on Other payments.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from costing.accounts.services import services_of
from costing.array_types import Flags, Floats, Ints, ParallelArrays
from costing.calendar import add_months, month_ends
from costing.engine.carrying import day_numbers
from costing.graph.arrays import codes, days
from costing.inputs.basis import book_basis
from costing.inputs.owners import rows_in_whole
from costing.model import Runs
from costing.money.postings import TABLE_NAMES
from costing.money.time_charges import by_month
from costing.results.results import Results

CASH_KINDS = (
    *("customers", "services", "growers", "own vineyards", "dry goods", "labour", "storage", "duty", "VAT"),
    *("loans", "other"),
)
BY_ELEMENT = {"dry goods": "dry goods", "labour": "labour", "picking": "labour", "storage": "storage"}
"""Cost element -> kind of payment; every other one is `other`, and what is bought is `growers`."""
_BOUGHT = ("deliveries", "grape_prices")


@dataclass(frozen=True, eq=False)
class CashEntries(ParallelArrays):
    """An entry an amount: kind (of `CASH_KINDS`), table and row where it stands, day incurred, day
    paid, amount (money in above 0), whether it is spent on other people's goods.
    """

    kind: Ints
    table: Ints
    row: Ints
    incurred: Ints
    paid: Ints
    amount: Floats
    for_others: Flags


def cash_entries(
    kind: str | Ints,
    table: str | Ints,
    row: Ints,
    incurred: Ints,
    paid: Ints,
    amount: Floats,
    *,
    for_others: bool = False,
) -> CashEntries:
    """Entries of one kind or table, or of several; nothing where the amount is 0 or not known."""
    row = np.asarray(row, dtype=np.int64)
    of = np.full(len(row), CASH_KINDS.index(kind)) if isinstance(kind, str) else kind
    on = np.full(len(row), TABLE_NAMES.index(table)) if isinstance(table, str) else table
    some = np.isfinite(amount) & (amount != 0)
    whole = (of, on, row, incurred, paid, np.asarray(amount, dtype=np.float64), np.full(len(row), for_others))
    return CashEntries(*(np.asarray(values)[some] for values in whole))


def spent_and_other(runs: Runs, until: int) -> CashEntries:
    """Everything but sales of bottles, paid up to the end of a day."""
    basis = book_basis(runs.estate.settings).replace(own_grapes="growing cost", by_product="at split")
    results = runs.on(basis)
    parts = [posted_entries(results), _accrued(results, until), _pools(runs, until), _bulk(runs)]
    parts += [_invoiced(runs, until), _other(runs, until)]
    all_entries = CashEntries.joined(parts)
    return all_entries.take(all_entries.paid <= until)


def posted_entries(results: Results) -> CashEntries:
    """The engine's postings by the day paid; pools and opening costs left out."""
    charges = results.charges
    names = results.charges.elements.to_numpy(dtype=object)
    of_element = np.array([CASH_KINDS.index(BY_ELEMENT.get(str(name), "other")) for name in names])
    apart = [TABLE_NAMES.index(name) for name in ("pools", "opening_costs")]
    bought = [TABLE_NAMES.index(name) for name in _BOUGHT]
    parts = []
    served = charges.on_services()[0]
    served = replace(served, row=rows_in_whole(results.estate, served.table, served.row))
    for part in (charges.postings, charges.expensed, served):
        handed_over = part.of("pressings", "cost_to_complete_per_l")  # between fractions: no cash
        kept = part.take(~handed_over & ~np.isin(part.table, apart))
        kind = of_element[kept.element]
        kind = np.where(np.isin(kept.table, bought), CASH_KINDS.index("growers"), kind)
        kind = np.where(kept.of("deliveries", "growing_cost_per_unit"), CASH_KINDS.index("own vineyards"), kind)
        dated = kept.incurred, kept.paid
        parts.append(cash_entries(kind, kept.table, kept.row, *dated, -kept.amount, for_others=part is served))
    return CashEntries.joined(parts)


def _accrued(results: Results, until: int) -> CashEntries:
    """Operation rates for time, month by month as they accrue, each at the end of the month."""
    charges, others = results.charges, results.chain.others
    parts = [(results.chain, part) for part in charges.accrued]
    parts += [(others, part) for part in charges.on_services()[1] if others is not None]
    accrued = [nothing()]
    for chain, part in parts:
        if part.charge.table == TABLE_NAMES.index("pools"):
            continue
        ends, row, amount = by_month(part.charge, part.states, chain, until)
        kind = BY_ELEMENT.get(str(charges.elements[part.charge.element]), "other")
        of_others = chain is not results.chain
        accrued.append(cash_entries(kind, "operation_rates", row, ends, ends, -amount, for_others=of_others))
    return CashEntries.joined(accrued)


def _pools(runs: Runs, until: int) -> CashEntries:
    """Pools month by month, evenly over the days of their period; after the last one, on at the same yearly amount."""
    table = runs.estate["pools"]
    if not len(table):
        return nothing()
    begin, last = days(table["from_date"]), days(table["to_date"])
    per_day = table["amount"].to_numpy() / (last - begin + 1)
    ends = pd.Series(last).groupby(table["pool"].astype(object).to_numpy()).transform("max").to_numpy()
    goes_on = (last == ends) & (until > last)
    stop = np.where(goes_on, until, np.minimum(last, until))
    edges = month_ends(int(begin.min()) - 31, until)
    parts = []
    for opens, closes in zip(edges[:-1] + 1, edges[1:], strict=True):
        length = np.maximum(np.minimum(stop, closes) - np.maximum(begin, opens) + 1, 0)
        rows = np.flatnonzero(length > 0)
        when = np.minimum(stop[rows], closes)
        kind = np.array([CASH_KINDS.index(BY_ELEMENT.get(str(name), "other")) for name in table["element"].iloc[rows]])
        parts.append(cash_entries(kind, "pools", rows, when, when, -(per_day * length)[rows]))
    return CashEntries.joined([nothing(), *parts])


def _bulk(runs: Runs) -> CashEntries:
    """What sales in bulk brought, on their day."""
    table = runs.estate["movements"]
    brought = table["proceeds"].to_numpy(dtype=float)
    rows = np.flatnonzero(np.nan_to_num(brought) != 0)
    day = days(table["on_date"])[rows]
    return cash_entries("customers", "movements", rows, day, day, brought[rows])


def _invoiced(runs: Runs, until: int) -> CashEntries:
    """What owners pay for work on their goods, the days of each rate after it."""
    lines = services_of(runs, until)
    later = np.nan_to_num(runs.estate["service_rates"]["customer_days"].to_numpy(dtype=float))[lines.row]
    paid = lines.day + later.astype(np.int64)
    return cash_entries("services", "service_rates", lines.row, lines.day, paid, lines.amount)


def _other(runs: Runs, until: int) -> CashEntries:
    """Other payments, on each of their days."""
    table = runs.estate["other_payments"]
    first, last = days(table["from_date"]), days(table["to_date"])
    kind = codes(table["kind"], CASH_KINDS)
    months_apart = table["every_months"].fillna(1.0).to_numpy()
    amount = table["amount"].to_numpy(dtype=float)
    parts = [nothing()]
    for row in range(len(table)):
        count = 1
        if pd.notna(table["to_date"].iloc[row]):
            count = max(int((min(int(last[row]), until) - first[row]) // 28 // months_apart[row]) + 2, 1)
        day = day_numbers(add_months(np.datetime64(int(first[row]), "D"), months_apart[row] * np.arange(count)))
        if count > 1:
            day = day[day <= last[row]]
        n = len(day)
        of = np.full(n, CASH_KINDS.index("other") if kind[row] < 0 else kind[row])
        table_number = np.full(n, TABLE_NAMES.index("other_payments"))
        parts.append(cash_entries(of, table_number, np.full(n, row), day, day, np.full(n, -amount[row])))
    return CashEntries.joined(parts)


def nothing() -> CashEntries:
    """No entries."""
    none = np.zeros(0, dtype=np.int64)
    return CashEntries(none, none, none, none, none, np.zeros(0), none.astype(bool))
