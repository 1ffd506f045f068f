"""Result sheets of stock: value of every lot on both bases, lower of cost and market, roll-forward of the
year in quantities and value, what left.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.answers.charts import Chart
from costing.graph.arrays import Flow
from costing.results.composition import coverage
from costing.results.net_realisable import net_realisable_value
from costing.results.quantities import quantity_roll_forward
from costing.results.results import Results
from costing.results.roll_forward import exits, expensed_at_once, roll_forward
from costing.results.rounding import largest_remainder
from costing.results.stock import open_states, stock_values
from costing.results.ways_out import ABNORMAL
from costing.workbook.write import ResultSheet, ResultTable

ROLL = {
    "stage": "Stage",
    "opening": "Opening",
    "put_in": "Put in",
    "time_charges": "Charges for time",
    "capital": "Capital",
    "from_stages": "From other stages",
    "to_stages": "To other stages",
    "exits": "Sold and other exits",
    "losses": "Losses expensed",
    "closing": "Closing",
}
QUANTITIES = {
    "stage": "Stage",
    "unit": "Unit",
    "format": "Format",
    "opening": "Opening",
    "received": "Received",
    "from_stages": "From other stages",
    "added": "Added",
    "to_stages": "To other stages",
    "sent_away": "Sent away",
    "lost": "Lost",
    "closing": "Closing",
}


def year_before(results: Results) -> tuple[np.datetime64, np.datetime64]:
    """Last day of the financial year before the valuation date, and the valuation date."""
    end = np.datetime64(results.chain.valuation_day, "D")
    first_month = results.estate.settings.fiscal_year_start_month
    year, month = int(str(end)[:4]), int(str(end)[5:7])
    start = np.datetime64(f"{year if month >= first_month else year - 1}-{first_month:02d}-01", "D")
    return start - np.timedelta64(1, "D"), end


def stock_table(book: Results, economic: Results) -> pd.DataFrame:
    """Every lot on hand at the valuation date: what, how much, book, economic and market value, and what the
    economic value leaves out.
    """
    mine, theirs = net_realisable_value(book), stock_values(economic)
    return pd.DataFrame(
        {
            "Lot": mine["lot"],
            "Kind": mine["kind"],
            "Cuvée": mine["cuvee"],
            "Format": mine["format"],
            "Quantity": mine["quantity"],
            "Unit": mine["unit"],
            "Tirage": mine["tirage"],
            "Months on lees": mine["months_on_lees"],
            "Book value": largest_remainder(mine["value"].to_numpy(), 2),
            "Economic value": largest_remainder(theirs["value"].to_numpy(), 2),
            "Book per unit": mine["value_per_unit"].round(4),
            "Economic per unit": theirs["value_per_unit"].round(4),
            "Market per unit": mine["market_per_unit"],
            "Write-down to market": mine["write_down"].round(2).where(mine["market_per_unit"].notna()),
            "Coverage": mine["lot"].map(_coverage_by_lot(economic)),
        }
    )


def _coverage_by_lot(results: Results) -> dict[str, str]:
    """What the cost of each lot on hand at the valuation date leaves out."""
    chain = results.chain
    state = open_states(results, chain.valuation_day)
    is_cut = (
        chain.flows.kind[chain.states.flow[state]] == Flow.CUT
    )  # its cost runs on: the one before ends on that date
    state = np.where(is_cut, chain.states.previous[state], state)
    names = chain.lots.names[chain.states.lot[state]]
    return dict(zip(names, coverage(results, state), strict=True))


def stock_sheets(book: Results, economic: Results) -> list[ResultSheet]:
    """Sheets Stock value and Roll-forward."""
    currency = book.estate.settings.currency
    stock = stock_table(book, economic)
    start, end = year_before(book)
    by_kind = stock.groupby("Kind", as_index=False)[["Book value", "Economic value"]].sum()
    money = dict.fromkeys(("Book value", "Economic value", "Write-down to market"), "money")
    unit = dict.fromkeys(("Book per unit", "Economic per unit", "Market per unit"), "money4")
    value = ResultSheet(
        "Stock value",
        f"Stock at the end of {end} ({currency})",
        (
            "The write-down compares book cost with the market values that you entered (IAS 2, paragraph 9); it is "
            "shown, never posted, and blank where no market value is entered.",
        ),
        (
            ResultTable(
                "stock_by_kind",
                by_kind,
                {"Book value": "money", "Economic value": "money"},
                ("Book value", "Economic value"),
                title="By kind of goods",
            ),
            ResultTable(
                "stock_value",
                stock,
                {**money, **unit, "Quantity": "quantity", "Tirage": "date", "Months on lees": "integer"},
                ("Book value", "Economic value", "Write-down to market"),
                title="By lot",
            ),
        ),
        (
            Chart(
                "column",
                "Stock by kind of goods",
                "stock_by_kind",
                "Kind",
                ("Book value", "Economic value"),
                "Kind of goods",
                currency,
                "#,##0",
            ),
        )
        if len(by_kind)
        else (),
    )
    return [value, _roll_forward(book, economic, start, end, currency)]


def _to_the_cent(results: Results, start: np.datetime64, end: np.datetime64) -> pd.DataFrame:
    """Roll-forward by stage in cents: opening and closing are those of the lots, what leaves stages comes to
    others, and every row closes. What a row is out by, a cent or two, goes to the largest of what was put in.
    """
    roll = roll_forward(results, start, end)
    roll = roll.loc[roll["stage"] != "total", list(ROLL)].reset_index(drop=True)
    both = stock_values(results, [start, end])
    for column, day in (("opening", start), ("closing", end)):
        lots = both[both["date"] == day]
        by_stage = pd.Series(largest_remainder(lots["value"].to_numpy(), 2)).groupby(lots["stage"].to_numpy()).sum()
        roll[column] = roll["stage"].map(by_stage).fillna(0.0)
    moved = [column for column in roll.columns if column not in ("stage", "opening", "closing")]
    for column in moved:
        roll[column] = largest_remainder(roll[column].to_numpy(), 2)
    amounts = [column for column in roll.columns if column != "stage"]
    table = roll[amounts].to_numpy(dtype=float)
    inside = slice(1, len(amounts) - 1)
    out_by = table[:, -1] - table[:, 0] - table[:, inside].sum(axis=1)
    put_in = np.array([amounts.index(column) for column in ("put_in", "time_charges", "capital")])
    largest = put_in[np.abs(table[:, put_in]).argmax(axis=1)]
    table[np.arange(len(table)), largest] += out_by
    roll[amounts] = table.round(2) + 0.0
    return roll


def _quantities(results: Results, start: np.datetime64, end: np.datetime64) -> ResultTable:
    """What happened to kilograms, litres and bottles: the same on every basis."""
    held = quantity_roll_forward(results, start, end)[list(QUANTITIES)].rename(columns=QUANTITIES)
    moved = held.columns[3:]
    held[moved] = held[moved].round(3) + 0.0
    return ResultTable(
        "roll_forward_quantities",
        held,
        dict.fromkeys(moved, "quantity"),
        title="Quantities by stage, unit and bottle format",
    )


def _roll_forward(
    book: Results, economic: Results, start: np.datetime64, end: np.datetime64, currency: str
) -> ResultSheet:
    tables = []
    first = start + np.timedelta64(1, "D")
    for results, name in ((book, "book"), (economic, "economic")):
        roll = _to_the_cent(results, start, end).rename(columns=ROLL)
        amounts = tuple(column for column in roll.columns if column != "Stage")
        tables.append(
            ResultTable(
                f"roll_forward_{name}",
                roll,
                dict.fromkeys(amounts, "money"),
                amounts,
                title=f"By stage, {name} basis",
            )
        )
        left = exits(results, first, end).rename(
            columns={
                "way_out": "Way out",
                "channel": "Channel or operation",
                "quantity": "Quantity",
                "unit": "Unit",
                "cost": "Cost",
                "proceeds": "Proceeds",
                "result": "Proceeds − cost",
            }
        )
        lost = left["Way out"] == ABNORMAL
        left["Quantity"] = left["Quantity"].where(~lost)  # a loss beyond the norm is a part of what was lost
        for one in (lost, ~lost):
            left.loc[one, "Cost"] = largest_remainder(left.loc[one, "Cost"].to_numpy(dtype=float), 2)
        left["Proceeds − cost"] = (left["Proceeds"] - left["Cost"]).round(2)
        tables.append(
            ResultTable(
                f"exits_{name}",
                left,
                {"Quantity": "quantity", "Cost": "money", "Proceeds": "money", "Proceeds − cost": "money"},
                ("Cost",),
                title=f"What left from {first} to {end}, {name} basis",
            )
        )
    apart = expensed_at_once(book, first, end).rename(
        columns={"stage": "Stage", "element": "Element", "idle_pool": "Idle pool", "amount": "Amount"}
    )
    tables.append(
        ResultTable(
            "expensed_at_once",
            apart,
            {"Amount": "money"},
            ("Amount",),
            title="Expensed at once, book basis: storage after disgorgement, idle capacity",
        )
    )
    tables.append(_quantities(book, start, end))
    return ResultSheet(
        "Roll-forward",
        f"Stock from {start} to {end} ({currency})",
        ("Opening + put in + charges for time + capital + from other stages − to other stages − exits − losses.",),
        tuple(tables),
    )
