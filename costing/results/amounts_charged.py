"""Amounts charged: what became of the money of every row, so that no row is silent.

    given = stock + goods sold + expensed + idle + not yet due + services

Every row of the sheets of money (opening costs, deliveries, grape prices, pressings, costs, operation rates,
dry goods, pools) as of the valuation date: what of it lies in stock, what left with wine sold or given away,
what was expensed (abnormal losses, and what the basis keeps out of stock), what no quantity absorbed of its
pool, what is incurred only later or is of a pool that has not ended, and what was spent on other people's goods. Over
all rows `given` is the `Cost in` of the run's own identity. Capital is no row's money: it is charged by the rate, and
stands beside.

What is given on a basis: the amount of a cost or a pool (and what plans beyond the last period of a pool take
at its rate, not yet due); of a price or a rate, what it comes to with its quantities. A row that a basis does
not take (own grapes at growing cost, an opening cost of the other basis) gives nothing on that basis.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from costing.array_types import Floats, Ints
from costing.engine.shares import LOST
from costing.errors import CAUTION, Finding
from costing.graph.arrays import days
from costing.graph.states import Chain
from costing.inputs.estate import Estate
from costing.inputs.owners import both_sides, rows_in_whole
from costing.inputs.schema import sheets
from costing.money.charges import Accrued
from costing.money.deliveries import delivery_prices
from costing.money.postings import MONEY_COLUMNS, TABLE_NAMES
from costing.once import asked_once
from costing.results.origins import charge_steps
from costing.results.results import Results

FATES = ("stock", "goods_sold", "expensed", "idle", "not_yet_due", "services")
_CELLS: dict[str, list[str]] = {}
for _table, _column in MONEY_COLUMNS:
    _CELLS.setdefault(_table, []).append(_column)
"""Columns that hold the money of each table; the first that a row fills is its place."""
_POOLS = TABLE_NAMES.index("pools")
_LISTED = 6  # rows that a caution names


@asked_once
def amounts_charged(results: Results) -> pd.DataFrame:
    """What became of the money of every row on the basis of the results, in the order of the workbook.

    Columns: place (`Sheet!cell`), sheet, table, row, cell (what stands in it), given, and `FATES`, all money. Rows
    without money are left out.
    """
    whole = both_sides(results.estate)
    frame = _rows(whole)
    sizes = [len(whole[table]) for table in TABLE_NAMES]
    first = np.cumsum([0, *sizes])  # every row of every table in one array
    fates = np.zeros((first[-1], len(FATES)))
    for table, row, parts in _fates(results):
        np.add.at(fates, first[table] + row, parts)
    fates = fates[first[[TABLE_NAMES.index(table) for table in frame["table"]]] + frame["row"].to_numpy(dtype=np.int64)]
    lines = frame.assign(given=fates.sum(axis=1), **dict(zip(FATES, fates.T, strict=True)))
    assumed = (frame["table"] == "pressings").to_numpy() & ~fates.any(axis=1)  # a cost to complete that no split posts
    kept: pd.DataFrame = lines[~assumed].reset_index(drop=True)
    return kept


def _rows(estate: Estate) -> pd.DataFrame:
    """Every row that holds money: its cell and what stands in it."""
    lines = []
    for table in sorted(_CELLS, key=TABLE_NAMES.index):
        values = np.nan_to_num(estate[table][_CELLS[table]].to_numpy(dtype=float))
        for row in np.flatnonzero((values != 0).any(axis=1)):
            first = int(np.argmax(values[row] != 0))
            place = estate.place(table, int(row), _CELLS[table][first])
            lines.append((place, sheets()[table].title, table, int(row), values[row, first]))
    return pd.DataFrame(lines, columns=["place", "sheet", "table", "row", "cell"])


def _fates(results: Results) -> Iterator[tuple[Ints, Ints, Floats]]:
    """Table, row and fate [n, fates] of every amount of the run."""
    charges, today = results.charges, results.chain.valuation_day
    part_of = _where_cost_went(results)
    postings, apart = charges.postings, charges.expensed
    due = postings.incurred <= today
    went = np.where(due[:, np.newaxis], part_of[postings.state], 0.0) * postings.amount[:, np.newaxis]
    nothing = np.zeros(len(postings))
    yield postings.table, postings.row, np.column_stack([went, np.where(due, 0.0, postings.amount), nothing])
    idle = (apart.state < 0) & (apart.table == _POOLS)
    due = apart.incurred <= today
    nothing = np.zeros(len(apart))
    parts = [nothing, nothing, np.where(due & ~idle, apart.amount, 0.0), np.where(due & idle, apart.amount, 0.0)]
    yield apart.table, apart.row, np.column_stack([*parts, np.where(due, 0.0, apart.amount), nothing])
    for accrued in charges.accrued:
        yield _timed(results.chain, accrued, part_of if not accrued.expensed else None)
    yield from _on_services(results)


def _on_services(results: Results) -> Iterator[tuple[Ints, Ints, Floats]]:
    """What other people's goods took."""
    postings, accrued = results.charges.on_services()
    chain = results.chain.others
    if chain is None:
        return
    due = postings.incurred <= chain.valuation_day
    parts = np.zeros((len(postings), len(FATES)))
    parts[:, FATES.index("services")] = np.where(due, postings.amount, 0.0)
    parts[:, FATES.index("not_yet_due")] = np.where(due, 0.0, postings.amount)
    yield postings.table, rows_in_whole(results.estate, postings.table, postings.row), parts
    for part in accrued:
        number, row, fates = _timed(chain, part, None)
        fates[:, FATES.index("services")], fates[:, FATES.index("expensed")] = fates[:, FATES.index("expensed")], 0.0
        yield number, row, fates


def _timed(chain: Chain, accrued: Accrued, part_of: Floats | None) -> tuple[Ints, Ints, Floats]:
    """Fate of a charge for time, cut where the row of its sheet changes. part_of: where cost on each state went; None:
    it was expensed.
    """
    states, charge = chain.states, accrued.charge
    which, step, start, end = charge_steps(charge, states.start[accrued.states], states.end[accrued.states])
    state = accrued.states[which]
    amount = charge.curve.amount(start, end) * states.quantity[state]
    due = states.end[state] <= chain.valuation_day  # the valuation date cuts every lot
    went = part_of[state] if part_of is not None else np.tile([0.0, 0.0, 1.0, 0.0], (len(state), 1))
    parts = np.where(due[:, np.newaxis], went, 0.0) * amount[:, np.newaxis]
    return (
        np.full(len(state), charge.table),
        charge.rows[step],
        np.column_stack([parts, np.where(due, 0.0, amount), np.zeros(len(state))]),
    )


def _where_cost_went(results: Results) -> Floats:
    """Parts of a cost on each state that by the valuation date are in stock, sold and expensed [states, 4]."""
    chain, shares, solution = results.chain, results.shares, results.solution
    states, today = chain.states, chain.valuation_day
    begun = states.start <= today
    follows = np.zeros(len(states), dtype=bool)
    follows[states.previous[(states.previous >= 0) & begun]] = True
    in_stock = (begun & (states.lot >= 0) & ~follows).astype(np.float64)
    gone = begun[shares.exit_source] & (chain.flows.day[shares.exit_flow] <= today)
    lost = shares.exit_reason == LOST
    sold, beyond_norm = (
        np.bincount(shares.exit_source[which], shares.exit_share[which], len(states)).astype(np.float64)
        for which in (gone & ~lost, gone & lost)
    )
    parts = [solution.plain.backward(chosen) for chosen in (in_stock, sold, beyond_norm)]
    return np.column_stack([*parts, np.zeros(len(states))])


def silent_rows(results: Results) -> list[Finding]:
    """A caution per sheet: rates, prices, dry goods and pools that began by the valuation date, but not before the
    records do, and that nothing, planned work included, was charged by.
    """
    estate, today = results.estate, results.chain.valuation_day
    first = int(
        results.chain.flows.day.min(initial=today)
    )  # what holds from before the records charged what lies there
    lines = amounts_charged(results)
    charged = lines[["stock", "goods_sold", "expensed", "not_yet_due", "services"]].abs().sum(axis=1)
    findings: list[Finding] = []
    for table in ("operation_rates", "dry_goods", "pools"):
        silent = lines[(lines["table"] == table) & (charged == 0)]
        since = days(estate[table]["from_date"])[silent["row"].to_numpy(dtype=np.int64)]
        begun = (since <= today) & (since >= first)
        findings += _silent(silent["place"][begun].tolist(), _REMEDIES[table])
    taken = np.unique(delivery_prices(estate)[1])
    unused = lines[(lines["table"] == "grape_prices") & ~lines["row"].isin(taken)]
    vintage = estate["grape_prices"]["vintage"].to_numpy(dtype=np.float64)[unused["row"].to_numpy(dtype=np.int64)]
    over = days(pd.to_datetime(pd.Series(vintage, dtype=object).map(lambda year: f"{year:.0f}-12-31")))
    unused = unused[over > first]
    return [*findings, *_silent(unused["place"].tolist(), _REMEDIES["grape_prices"])]


_REMEDIES = {
    "operation_rates": "Check operation, stage, format and driver against what was done while each row was in force.",
    "dry_goods": "Check stage, format and presentation against what was bottled, disgorged and dispatched.",
    "pools": "Check driver, stage and location: nothing took any of the amount.",
    "grape_prices": "Check vintage, village and variety against the deliveries that have no price of their own.",
}


def _silent(places: list[str], remedy: str) -> Iterator[Finding]:
    if not places:
        return
    more = f" and {len(places) - _LISTED} more" if len(places) > _LISTED else ""
    also = f", as did {', '.join(places[1:_LISTED])}{more}" if len(places) > 1 else ""
    yield Finding(places[0], "", f"charged nothing{also}.", remedy, CAUTION)
