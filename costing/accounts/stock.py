"""Stock on hand at the valuation date, and how it came there since the start of the financial year.

    opening + put in + charges for time + capital + from other stages + to other stages + exits + losses = closing

Conventions: what goes out (to other stages, exits, losses) stands with a minus, here and on every sheet. Kinds of goods
and stages stand in the order of the work. Amounts in cents; what a row of the roll-forward is out by, a cent or two,
goes to the largest of what was put in. The write-down compares book cost with the market value that was entered (IAS 2
Inventories, paragraph 9); it is shown, never posted.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.accounts.pledges import pledged_to
from costing.answers.answer import Answer
from costing.calendar import financial_year
from costing.graph.arrays import KINDS, Flow
from costing.model import Runs
from costing.once import asked_once
from costing.results.coverage import coverage
from costing.results.net_realisable import net_realisable_value
from costing.results.quantities import quantity_roll_forward
from costing.results.results import Results
from costing.results.roll_forward import exits, expensed_at_once, roll_forward
from costing.results.rounding import largest_remainder
from costing.results.stock import open_states, stock_values
from costing.results.ways_out import ABNORMAL

ROLL = (
    *("stage", "opening", "put_in", "time_charges", "capital", "from_stages", "to_stages", "exits", "losses"),
    "closing",
)
_QUANTITIES = {
    "opening": "opening_quantity",
    "from_stages": "from_stages_quantity",
    "to_stages": "to_stages_quantity",
    "lost": "lost_quantity",
    "closing": "closing_quantity",
}


def year_before(results: Results) -> tuple[np.datetime64, np.datetime64]:
    """Last day of the financial year before the valuation date, and the valuation date."""
    end = np.datetime64(results.chain.valuation_day, "D")
    _, begins = financial_year(end, results.estate.settings.fiscal_year_start_month)
    return np.datetime64(int(begins) - 1, "D"), end


@asked_once
def stock(runs: Runs) -> Answer:
    """Every lot on hand by kind and one by one, the roll-forward of the year on both bases, what left, what was
    expensed at once, and quantities.
    """
    lots = _lots(runs)
    start, end = year_before(runs.book)
    first = start + np.timedelta64(1, "D")
    tables = {"stock_by_kind": _by_kind(lots), "stock_value": lots}
    for name, results in (("book", runs.book), ("economic", runs.economic)):
        tables[f"roll_forward_{name}"] = _to_the_cent(results, start, end)
        tables[f"exits_{name}"] = _exits(results, first, end)
    tables["expensed_at_once"] = expensed_at_once(runs.book, first, end)
    quantities = quantity_roll_forward(runs.book, start, end).drop(columns="difference").rename(columns=_QUANTITIES)
    moved = [name for name in quantities.columns if name not in ("stage", "unit", "format")]
    tables["roll_forward_quantities"] = quantities.assign(**{name: quantities[name].round(3) for name in moved})
    facts = {"currency": runs.currency, "start": str(start), "first": str(first), "end": str(end)}
    return Answer(tables, facts=facts, empty="Nothing is in stock.")


def _lots(runs: Runs) -> pd.DataFrame:
    """Every lot on hand: what, how much, book, economic and market value, and what the economic value leaves out."""
    book, economic = net_realisable_value(runs.book), stock_values(runs.economic)
    return pd.DataFrame(
        {
            "lot": book["lot"],
            "kind": book["kind"],
            "stage": book["stage"],
            "location": book["location"],
            "cuvee": book["cuvee"],
            "format": book["format"],
            "quantity": book["quantity"],
            "unit": book["unit"],
            "tirage_date": book["tirage"],
            "months_on_lees": book["months_on_lees"],
            "book_value": largest_remainder(book["value"].to_numpy(), 2),
            "economic_value": largest_remainder(economic["value"].to_numpy(), 2),
            "book_per_unit": book["value_per_unit"].round(4),
            "economic_per_unit": economic["value_per_unit"].round(4),
            "market_per_unit": book["market_per_unit"],
            "write_down": book["write_down"].round(2).where(book["market_per_unit"].notna()),
            "pledged_to": pledged_to(runs.estate, book, runs.today),
            "coverage": book["lot"].map(_coverage_by_lot(runs.economic)),
        }
    )


def _by_kind(lots: pd.DataFrame) -> pd.DataFrame:
    """Value by kind of goods, in the order of the work."""
    by_kind = lots.groupby("kind", as_index=False)[["book_value", "economic_value"]].sum()
    return by_kind.iloc[np.argsort(pd.Index(KINDS).get_indexer(pd.Index(by_kind["kind"])))].reset_index(drop=True)


def _coverage_by_lot(results: Results) -> dict[str, str]:
    """What the cost of each lot on hand at the valuation date leaves out."""
    chain = results.chain
    state = open_states(results, chain.valuation_day)
    # the cost of a state that the valuation cuts runs on: the one before ends on that date
    is_cut = chain.flows.kind[chain.states.flow[state]] == Flow.CUT
    state = np.where(is_cut, chain.states.previous[state], state)
    names = chain.lots.names[chain.states.lot[state]]
    return dict(zip(names, coverage(results, state), strict=True))


def _to_the_cent(results: Results, start: np.datetime64, end: np.datetime64) -> pd.DataFrame:
    """Roll-forward by stage in cents: it opens and closes with the lots, and every row closes."""
    roll = roll_forward(results, start, end)
    roll = roll.loc[roll["stage"] != "total", list(ROLL)].reset_index(drop=True)
    both = stock_values(results, [start, end])
    for column, day in (("opening", start), ("closing", end)):
        lots = both[both["date"] == day]
        by_stage = pd.Series(largest_remainder(lots["value"].to_numpy(), 2)).groupby(lots["stage"].to_numpy()).sum()
        roll[column] = roll["stage"].map(by_stage).fillna(0.0)
    for column in ROLL[2:-1]:
        roll[column] = largest_remainder(roll[column].to_numpy(), 2)
    amounts = list(ROLL[1:])
    table = roll[amounts].to_numpy(dtype=float)
    out_by = table[:, -1] - table[:, 0] - table[:, 1:-1].sum(axis=1)
    put_in = np.array([amounts.index(column) for column in ("put_in", "time_charges", "capital")])
    largest = put_in[np.abs(table[:, put_in]).argmax(axis=1)]
    table[np.arange(len(table)), largest] += out_by
    roll[amounts] = table.round(2)
    return roll


def _exits(results: Results, first: np.datetime64, end: np.datetime64) -> pd.DataFrame:
    """What left, in cents; a loss beyond the norm is a part of what was lost and has no quantity of its own."""
    left = exits(results, first, end)
    lost = left["way_out"] == ABNORMAL
    left["quantity"] = left["quantity"].where(~lost)
    for chosen in (lost, ~lost):
        left.loc[chosen, "cost"] = largest_remainder(left.loc[chosen, "cost"].to_numpy(dtype=float), 2)
    left["result"] = (left["proceeds"] - left["cost"]).round(2)
    if left["proceeds"].isna().all():  # nothing was sold in bulk: what bottles brought stands on Margins
        left = left.drop(columns=["proceeds", "result"])
    return left.rename(columns={"way_out": "exit", "channel": "channel_or_operation"})
