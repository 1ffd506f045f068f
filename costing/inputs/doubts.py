"""Doubts worth voicing: what is possible, and more often a slip. All are cautions, one for each kind and sheet.

Factors and shares are common practice, no source: a price ten times off its own history is a decimal sign that slipped
(119 for 11.90, 60.5 for 6.05); a slip of the pen is between 8 and 12.5 times off.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from costing.errors import CAUTION, Finding, also
from costing.inputs.cells import number_text
from costing.inputs.estate import Estate
from costing.inputs.press_checks import setting_place
from costing.inputs.row_findings import Mask, Words, cell_place, each, filled, repeated, shown

LEAST_SLIP, MOST_SLIP = 8.0, 12.5
HISTORIES = (
    ("grape_prices", "price_per_kg", ("village", "variety"), ("variety",)),
    ("deliveries", "price_per_unit", ("what", "variety"), ("what",)),
    ("deliveries", "growing_cost_per_unit", ("what", "variety"), ("what",)),
    ("dry_goods", "unit_price", ("item", "format"),),
    ("dispatches", "net_price", ("release_lot", "currency"), ("currency",)),
    ("price_list", "list_price", ("cuvee", "format", "currency"),),
    ("operation_rates", "amount", ("operation", "driver", "element", "format"),),
)  # fmt: skip
"""Prices and what makes them comparable; a price without a history of the first kind is held against the second."""
HISTORY = 3
"""Other prices that make a history."""
MONTHS_A_YEAR = 12


def invoices_twice(estate: Estate) -> Iterator[Finding]:
    """Caution where a cost has reference, element, amount and lot of an earlier one: often one invoice twice."""
    named = filled(estate, "costs", "reference")
    keys = ["reference", "element", "amount", "lot"]
    rows = [(row, first) for row, first in repeated(estate, "costs", keys) if named[row]]
    if not rows:
        return
    firsts = dict(rows)

    def rule(row: int) -> str:
        first = firsts[row]
        day = shown(estate, "costs", first, "on_date")
        return f"has reference, element, amount and lot of {cell_place(estate, 'costs', first, 'reference')} of {day}."

    yield from _one(estate, "costs", sorted(firsts), "reference", rule, "Delete one if it was entered twice.")


def prices_off_their_history(estate: Estate) -> Iterator[Finding]:
    """Caution where a price is ten times, or a tenth of, the usual one of its kind."""
    for table, column, *kinds in HISTORIES:
        price = estate[table][column].to_numpy(dtype=float)
        usual = np.full(len(price), np.nan)
        for kind in kinds[::-1]:
            own = _usual(estate[table], price, list(kind))
            usual = np.where(np.isnan(own), usual, own)
        with np.errstate(divide="ignore", invalid="ignore"):
            times = np.where(price > 0, np.maximum(price / usual, usual / price), np.nan)

        def rule(row: int, usual: NDArray[np.float64] = usual) -> str:
            return f"is ten times off: {number_text(round(float(usual[row]), 2))} is usual here."

        slip = (times >= LEAST_SLIP) & (times <= MOST_SLIP)
        yield from _one(estate, table, np.flatnonzero(slip).tolist(), column, rule, "Check the decimal sign.")


def _usual(frame: pd.DataFrame, price: NDArray[np.float64], kind: list[str]) -> NDArray[np.float64]:
    """Median price of the rows of one kind; NaN where fewer than `HISTORY` others stand beside a row."""
    given = pd.Series(np.where(price > 0, price, np.nan))
    codes = [pd.factorize(frame[name], use_na_sentinel=False)[0] for name in kind]
    groups = given.groupby(codes)
    enough = groups.transform("count").to_numpy() > HISTORY
    return np.where(enough, groups.transform("median").to_numpy(), np.nan)


def bottles_back_without_a_price(estate: Estate) -> Iterator[Finding]:
    """Caution where finished bottles arrive without a price: returned goods come back at no cost."""
    frame = estate["deliveries"]
    back = frame["what"].isin(["finished", "on lees"]).to_numpy()
    free = (
        back & ~filled(estate, "deliveries", "price_per_unit") & ~filled(estate, "deliveries", "growing_cost_per_unit")
    )
    rule = "no price: these bottles come in at no cost."
    remedy = (
        "Enter what they cost. Bottles returned stand on Dispatches, below 0; where their lot is not in this workbook"
        " any more, here at their book cost per bottle."
    )
    yield from _one(estate, "deliveries", np.flatnonzero(free).tolist(), "price_per_unit", rule, remedy)


def norms_missing(estate: Estate) -> Iterator[Finding]:
    """Caution where no loss norm is given at all, though wine is moved or disgorged: every loss is abnormal."""
    if len(estate["loss_norms"]) or "loss_norms" in estate.wrong_rows:
        return
    moved = int(np.sum(_loses(estate)))
    if moved:
        rule = f"holds no norm: all that is lost, in {moved:,} rows, counts as abnormal, and is expensed in the books."
        remedy = "Enter the usual loss of each operation (racking 1 % per movement) and stage (on lees 0.5 % per year)."
        yield Finding("Loss norms", "", rule, remedy, CAUTION)


def _loses(estate: Estate) -> Mask:
    moves, disgorged = estate["movements"], estate["disgorgements"]
    lost = moves["out_l"].to_numpy() + np.nan_to_num(moves["added_l"].to_numpy()) > moves["in_l"].to_numpy() + 1e-9
    broken = disgorged["bottles_in"].to_numpy() > disgorged["bottles_out"].to_numpy()
    return np.concatenate([lost, broken])


def pools_end_before_the_records(estate: Estate) -> Iterator[Finding]:
    """Caution where the last period of a pool ends before the valuation date: what follows bears its rate."""
    pools, valued = estate["pools"], estate.settings.valuation_date
    if not len(pools) or valued is None:
        return
    last = pools.groupby("pool", observed=True)["to_date"].transform("max")
    spent = pools["amount"].to_numpy() > 0  # a period of amount 0 ends a pool
    latest = (pools["to_date"] == last) & (last < pd.Timestamp(valued)) & spent
    periods = pools["to_date"].max()
    behind = latest & (last + pd.DateOffset(months=MONTHS_A_YEAR) >= periods)
    rows = pools[behind].drop_duplicates("pool").index.tolist()
    rule = f"is the last day of this pool, before the valuation date ({setting_place(estate, 'valuation_date')})."
    remedy = "Enter the next period; until then its last rate is carried on."
    yield from _one(estate, "pools", rows, "to_date", rule, remedy)


def _one(estate: Estate, table: str, rows: list[int], column: str, rule: Words, remedy: str) -> Iterator[Finding]:
    """One caution for rows of a kind: the first in words, the others by place."""
    if rows:
        told = rule if isinstance(rule, str) else rule(rows[0])
        places = [cell_place(estate, table, row, column).rpartition("!")[2] for row in rows[1:]]
        yield from each(estate, table, rows[:1], column, told + also(places), remedy, CAUTION)


DOUBTS: tuple[Callable[[Estate], Iterator[Finding]], ...] = (
    invoices_twice,
    prices_off_their_history,
    bottles_back_without_a_price,
    norms_missing,
    pools_end_before_the_records,
)
