"""Doubts worth voicing: what is possible, and more often a slip. All are cautions, one for each kind and sheet.

Factors and shares are common practice, no source: a price ten times off its own history is a decimal sign that slipped
(119 for 11.90, 60.5 for 6.05); a slip of the pen is between 8 and 12.5 times off.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd

from costing.array_types import Floats
from costing.errors import CAUTION, Finding
from costing.inputs.cells import number_text
from costing.inputs.estate import Estate
from costing.inputs.press_checks import setting_place
from costing.inputs.rows import Breach, Check, Rows, Words, also_at, rule_of

LEAST_SLIP, MOST_SLIP = 8.0, 12.5
HISTORIES: dict[str, tuple[tuple[str, tuple[tuple[str, ...], ...]], ...]] = {
    "grape_prices": (("price_per_kg", (("village", "variety"), ("variety",))),),
    "deliveries": (
        ("price_per_unit", (("what", "variety"), ("what",))),
        ("growing_cost_per_unit", (("what", "variety"), ("what",))),
    ),
    "dry_goods": (("unit_price", (("item", "format"),)),),
    "dispatches": (("net_price", (("release_lot", "currency"), ("currency",))),),
    "price_list": (("list_price", (("cuvee", "format", "currency"),)),),
    "operation_rates": (("amount", (("operation", "driver", "element", "format"),)),),
}
"""Prices and what makes them comparable; a price without a history of the first kind is held against the second."""
HISTORY = 3
"""Other prices that make a history."""


@rule_of("costs")
def invoices_twice(costs: Rows) -> Iterator[Breach]:
    """Caution where a cost has reference, element, amount and lot of an earlier one: often one invoice twice."""
    named = costs.given("reference")
    again, first_like = costs.repeated(["reference", "element", "amount", "lot"])
    firsts = {row: first for row, first in zip(again.tolist(), first_like.tolist(), strict=True) if named[row]}

    def rule(row: int) -> str:
        place, day = costs.place(firsts[row], "reference"), costs.shown(firsts[row], "on_date")
        return f"has reference, element, amount and lot of {place} of {day}."

    yield from _once(costs, sorted(firsts), "reference", rule, "Delete one if it was entered twice.")


@rule_of(*HISTORIES)
def prices_off_their_history(rows: Rows) -> Iterator[Breach]:
    """Caution where a price is ten times, or a tenth of, the usual one of its kind."""
    for column, kinds in HISTORIES[rows.table]:
        price = rows[column].to_numpy(dtype=float)
        usual = np.full(len(price), np.nan)
        for kind in kinds[::-1]:
            own = _usual(rows.frame, price, kind)
            usual = np.where(np.isnan(own), usual, own)
        with np.errstate(divide="ignore", invalid="ignore"):
            times = np.where(price > 0, np.maximum(price / usual, usual / price), np.nan)
        slips = np.flatnonzero((times >= LEAST_SLIP) & (times <= MOST_SLIP)).tolist()
        if slips:
            rule = f"is ten times off: {number_text(round(float(usual[slips[0]]), 2))} is usual here."
            yield from _once(rows, slips, column, rule, "Check the decimal sign.")


def _usual(frame: pd.DataFrame, price: Floats, kind: Sequence[str]) -> Floats:
    """Median price of the rows of one kind; NaN where fewer than `HISTORY` others stand beside a row."""
    if len(price) <= HISTORY:
        return np.full(len(price), np.nan)
    given = pd.Series(np.where(price > 0, price, np.nan))
    codes = [pd.factorize(frame[name], use_na_sentinel=False)[0] for name in kind]
    groups = given.groupby(codes)
    enough = groups.transform("count").to_numpy() > HISTORY
    return np.where(enough, groups.transform("median").to_numpy(), np.nan)


@rule_of("deliveries")
def bottles_back_without_a_price(deliveries: Rows) -> Iterator[Breach]:
    """Caution where finished bottles arrive without a price: returned goods come back at no cost."""
    bottles = deliveries.are("what", "finished", "on lees")
    free = bottles & ~deliveries.given("price_per_unit") & ~deliveries.given("growing_cost_per_unit")
    remedy = (
        "Enter what they cost. Bottles returned stand on Dispatches, below 0; where their lot is not in this workbook"
        " any more, here at their book cost per bottle."
    )
    rule = "no price stands here: these bottles come in at no cost."
    yield from _once(deliveries, np.flatnonzero(free).tolist(), "price_per_unit", rule, remedy)


@Check
def norms_missing(estate: Estate) -> Iterator[Finding]:
    """Caution where no loss norm is given at all, though wine is moved or disgorged: every loss is abnormal."""
    if len(estate["loss_norms"]) or "loss_norms" in estate.wrong_rows:
        return
    moves, disgorged = estate["movements"], estate["disgorgements"]
    lost = moves["out_l"] + moves["added_l"].fillna(0.0) > moves["in_l"] + 1e-9
    count = int(lost.sum() + (disgorged["bottles_in"] > disgorged["bottles_out"]).sum())
    if count:
        rule = f"holds no norm: all that is lost, in {count:,} rows, counts as abnormal, and is expensed in the books."
        remedy = "Enter the usual loss of each operation (racking 1 % per movement) and stage (on lees 0.5 % per year)."
        yield Finding("Loss norms", "", rule, remedy, CAUTION)


@Check
def opening_after_the_valuation_date(estate: Estate) -> Iterator[Finding]:
    """Caution where the records begin after the valuation date: nothing is on hand on it."""
    valued, opened = estate.settings.valuation_date, estate["opening_stock"]["on_date"]
    if valued is None or not opened.notna().any() or opened.min() <= pd.Timestamp(valued):
        return
    first = estate.place("opening_stock", int(opened.argmin()), "on_date")
    rule = f"is before the opening stock ({first} of {opened.min():%Y-%m-%d}): nothing is on hand on this day."
    remedy = (
        "Value on that day or later, or correct the date of the opening stock: it holds from the start of its day on."
    )
    yield Finding(setting_place(estate, "valuation_date"), str(valued), rule, remedy, CAUTION)


@rule_of("pools")
def pools_end_before_the_records(pools: Rows) -> Iterator[Breach]:
    """Caution where the last period of a pool ends before the valuation date: what follows bears its rate."""
    valued = pools.estate.settings.valuation_date
    if valued is None:
        return
    last = pools.frame.groupby("pool", observed=True)["to_date"].transform("max")
    spent = pools["amount"] > 0  # a period of amount 0 ends a pool
    latest = (pools["to_date"] == last) & (last < pd.Timestamp(valued)) & spent
    behind = latest & (last + pd.DateOffset(years=1) >= pools["to_date"].max())
    rows = pools.frame[behind].drop_duplicates("pool").index.tolist()
    rule = f"is the last day of this pool, before the valuation date ({setting_place(pools.estate, 'valuation_date')})."
    yield from _once(pools, rows, "to_date", rule, "Enter the next period; until then its last rate is carried on.")


def _once(rows: Rows, which: list[int], column: str, rule: Words, remedy: str) -> Iterator[Breach]:
    """One caution for rows of a kind: the first in words, the others by place."""
    if which:
        words = rule if isinstance(rule, str) else rule(which[0])
        places = [rows.place(row, column) for row in which[1:]]
        yield which[:1], column, words + also_at(places, len(places)), remedy, CAUTION
