"""Money by the day on which it is paid, from the rows of the workbook; sales of bottles: `decisions.cash.sales`.

    postings of the engine, by the day paid; operation rates for time, month by month as they accrue; pools evenly over
    their period, the last one that plans are carried on from at the same yearly amount; bulk sales; other payments

Conventions: money in is above 0, money out below. Own grapes cost what growing them costs. Costs of opening stock were
paid before the records begin. What fractions of a press load hand each other is no cash.

What it does not do: VAT on purchases, which comes back, and taxes on profit; those belong on Other payments.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import pandas as pd

from costing.calendar import add_months
from costing.engine.carrying import day_numbers
from costing.graph.arrays import Floats, Ints, codes, days
from costing.inputs.basis import book_basis
from costing.model import Runs
from costing.money.postings import TABLE_NAMES
from costing.results.results import Results

KINDS = (
    *("customers", "growers", "own vineyards", "dry goods", "labour", "storage", "duty", "VAT"),
    *("loans", "other"),
)
BY_ELEMENT = {"dry goods": "dry goods", "labour": "labour", "picking": "labour", "storage": "storage"}
"""Cost element -> kind of payment; every other one is `other`, and what is bought is `growers`."""
_BOUGHT = ("deliveries", "grape_prices")


@dataclass(frozen=True, eq=False)
class Entries:
    """Parallel arrays, an entry an amount: kind (of `KINDS`), table and row where it stands, day incurred, day paid,
    amount (money in above 0).
    """

    kind: Ints
    table: Ints
    row: Ints
    incurred: Ints
    paid: Ints
    amount: Floats

    def take(self, which: np.ndarray) -> Entries:
        """Those entries."""
        return Entries(*(getattr(self, field.name)[which] for field in fields(self)))


def joined(parts: Sequence[Entries]) -> Entries:
    """All entries one after the other."""
    return Entries(*(np.concatenate([getattr(part, field.name) for part in parts]) for field in fields(Entries)))


def entries(kind: str | Ints, table: str | Ints, row: Ints, incurred: Ints, paid: Ints, amount: Floats) -> Entries:
    """Entries of one kind or table, or of several; nothing where the amount is 0 or not known."""
    row = np.asarray(row, dtype=np.int64)
    of = np.full(len(row), KINDS.index(kind)) if isinstance(kind, str) else kind
    on = np.full(len(row), TABLE_NAMES.index(table)) if isinstance(table, str) else table
    some = np.isfinite(amount) & (amount != 0)
    whole = (of, on, row, incurred, paid, np.asarray(amount, dtype=np.float64))
    return Entries(*(np.asarray(one)[some] for one in whole))


def spent_and_other(runs: Runs, until: int) -> Entries:
    """Everything but sales of bottles, paid up to the end of a day."""
    basis = book_basis(runs.estate.settings).replace(own_grapes="growing cost", by_product="at split")
    results = runs.on(basis)
    parts = [posted_entries(results), _accrued(results, until), _pools(runs, until), _bulk(runs), _other(runs, until)]
    every = joined(parts)
    return every.take(every.paid <= until)


def posted_entries(results: Results) -> Entries:
    """The engine's postings by the day paid; pools and opening costs left out."""
    charges = results.charges
    names = results.charges.elements.to_numpy(dtype=object)
    of_element = np.array([KINDS.index(BY_ELEMENT.get(str(name), "other")) for name in names])
    apart = [TABLE_NAMES.index(name) for name in ("pools", "opening_costs")]
    bought = [TABLE_NAMES.index(name) for name in _BOUGHT]
    found = []
    for part in (charges.postings, charges.expensed):
        handed_over = part.of("pressings", "cost_to_complete_per_l")  # between fractions: no cash
        kept = part.take(~handed_over & ~np.isin(part.table, apart))
        kind = of_element[kept.element]
        kind = np.where(np.isin(kept.table, bought), KINDS.index("growers"), kind)
        kind = np.where(kept.of("deliveries", "growing_cost_per_unit"), KINDS.index("own vineyards"), kind)
        found.append(entries(kind, kept.table, kept.row, kept.incurred, kept.paid, -kept.amount))
    return joined(found)


def _accrued(results: Results, until: int) -> Entries:
    """Operation rates for time, month by month as they accrue, each at the end of the month."""
    states, charges = results.chain.states, results.charges
    first = int(states.start.min(initial=0))
    last = min(until, results.chain.horizon_day) + 1
    day = np.arange(first, max(last, first), dtype=np.int64)
    month = day.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)
    found = [nothing()]
    for part in charges.accrued:
        if part.charge.table == TABLE_NAMES.index("pools"):
            continue
        borne = part.states
        n = len(day) + 1
        start = np.clip(states.start[borne] - first, 0, n - 1)
        end = np.clip(states.end[borne] - first, 0, n - 1)
        held = np.cumsum(np.bincount(start, states.quantity[borne], n) - np.bincount(end, states.quantity[borne], n))
        amount = part.charge.curve.amount(day, day + 1) * held[:-1]
        names, at = np.unique(month, return_inverse=True)
        by_month = np.asarray(np.bincount(at, amount, len(names)), dtype=np.float64)
        ends = ((names + 1).astype("datetime64[M]").astype("datetime64[D]").astype(np.int64) - 1).clip(max=last - 1)
        since = np.searchsorted(part.charge.since, ends, side="right") - 1
        row = part.charge.rows[np.maximum(since, 0)]
        kind = BY_ELEMENT.get(str(charges.elements[part.charge.element]), "other")
        by_month = np.where(np.abs(by_month) > 1e-9, by_month, 0.0)  # what rounding leaves when lots have gone
        found.append(entries(kind, "operation_rates", row, ends, ends, -by_month))
    return joined(found)


def _pools(runs: Runs, until: int) -> Entries:
    """Pools month by month, evenly over the days of their period; after the last one, on at the same yearly amount."""
    table = runs.estate["pools"]
    if not len(table):
        return nothing()
    begin, last = days(table["from_date"]), days(table["to_date"])
    per_day = table["amount"].to_numpy() / (last - begin + 1)
    ends = pd.Series(last).groupby(table["pool"].astype(object).to_numpy()).transform("max").to_numpy()
    goes_on = (last == ends) & (until > last)
    stop = np.where(goes_on, until, np.minimum(last, until))
    edges = _month_ends(int(begin.min()), until)
    found = []
    for opens, closes in zip(edges[:-1] + 1, edges[1:], strict=True):
        length = np.maximum(np.minimum(stop, closes) - np.maximum(begin, opens) + 1, 0)
        rows = np.flatnonzero(length > 0)
        when = np.minimum(stop[rows], closes)
        kind = np.array([KINDS.index(BY_ELEMENT.get(str(name), "other")) for name in table["element"].iloc[rows]])
        found.append(entries(kind, "pools", rows, when, when, -(per_day * length)[rows]))
    return joined([nothing(), *found])


def _month_ends(first: int, last: int) -> Ints:
    """Last days of the months from the one before `first` to that of `last`."""
    months = np.arange(
        np.datetime64(first, "D").astype("datetime64[M]"), np.datetime64(last, "D").astype("datetime64[M]") + 2
    )
    return day_numbers(months.astype("datetime64[D]")) - 1


def _bulk(runs: Runs) -> Entries:
    """What sales in bulk brought, on their day."""
    table = runs.estate["movements"]
    brought = table["proceeds"].to_numpy(dtype=float)
    rows = np.flatnonzero(np.nan_to_num(brought) != 0)
    day = days(table["on_date"])[rows]
    return entries("customers", "movements", rows, day, day, brought[rows])


def _other(runs: Runs, until: int) -> Entries:
    """Other payments, on each of their days."""
    table = runs.estate["other_payments"]
    first, last = days(table["from_date"]), days(table["to_date"])
    kind = codes(table["kind"], pd.Index(KINDS))
    every = table["every_months"].fillna(1.0).to_numpy()
    amount = table["amount"].to_numpy(dtype=float)
    found = [nothing()]
    for row in range(len(table)):
        count = 1
        if pd.notna(table["to_date"].iloc[row]):
            count = max(int((min(int(last[row]), until) - first[row]) // 28 // every[row]) + 2, 1)
        day = day_numbers(add_months(np.datetime64(int(first[row]), "D"), every[row] * np.arange(count)))
        if count > 1:
            day = day[day <= last[row]]
        n = len(day)
        of = np.full(n, KINDS.index("other") if kind[row] < 0 else kind[row])
        table_number = np.full(n, TABLE_NAMES.index("other_payments"))
        found.append(entries(of, table_number, np.full(n, row), day, day, np.full(n, -amount[row])))
    return joined(found)


def nothing() -> Entries:
    """No entries."""
    none = np.zeros(0, dtype=np.int64)
    return Entries(none, none, none, none, none, np.zeros(0))
