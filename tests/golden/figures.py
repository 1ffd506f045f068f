"""The figures of the worked cases, taken out of a run by the names that the cases use.

Conventions: a batch (load, disgorgement, exit in bulk) is worth what passes through it on its day; a stock is
    worth what its last state cost at the end of the records.
What it does not do: compute. Every figure is read from the results of `costing.model.run`.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import numpy as np
import pandas as pd

from costing.engine.shares import LOST
from costing.graph.arrays import Flow
from costing.inputs.basis import Basis
from costing.inputs.load import read_inputs
from costing.model import run
from costing.results.costs import cost_per_bottle
from costing.results.results import Results
from costing.results.stock import stock_values

Tables = Mapping[str, pd.DataFrame]


def _flow(results: Results, kind: Flow, row: int) -> int:
    flows = results.chain.flows
    return int(np.flatnonzero((flows.kind == kind) & (flows.row == row))[0])


def load_total(results: Results, load: str) -> float:
    """Joint cost of a press load, by-product credit taken off."""
    chain = results.chain
    return float(results.total[chain.states.batch_state[chain.flows.load_names.get_loc(load)]])


def batch_total(results: Results, kind: Flow, row: int) -> float:
    """Cost that passes through the batch of one row."""
    chain = results.chain
    return float(results.total[chain.states.batch_state[chain.flows.batch[_flow(results, kind, row)]]])


def arrived(results: Results, kind: Flow, row: int) -> float:
    """Cost of the lot that a row filled or measured, just after it."""
    return float(results.solution.arrived[results.chain.target_state[_flow(results, kind, row)]])


def stock(results: Results, lot: str) -> float:
    """Cost of what a lot holds at the end of the records."""
    chain = results.chain
    return float(results.total[chain.states.last_of_lot[chain.lots.names.get_loc(lot)]])


def unit(tables: Tables, basis: Basis, day: date, lot: str) -> float:
    """Value of a litre or a bottle of a lot on a day, as the table of stock prints it."""
    printed = stock_values(run(read_inputs(valued_on(tables, day)), basis))
    return float(printed.set_index("lot").loc[lot, "value_per_unit"])


def expensed(results: Results) -> float:
    """Abnormal losses."""
    return float(results.exit_amount[results.shares.exit_reason == LOST].sum())


def line(results: Results, name: str) -> float:
    """One line of the reconciliation."""
    return float(results.reconciliation().set_index("line").loc[name, "amount"])


def press_case(tables: Tables, basis: Basis) -> dict[str, float]:
    """Figures of the press load: with the late premium, as the folder has it, and before it was known."""
    known = {**tables, "deliveries": tables["deliveries"].drop(columns=["Final premium per unit"])}
    before, after = run(read_inputs(known), basis), run(read_inputs(tables), basis)
    capital = before.columns.get_level_values("element") == "capital"
    grapes = before.columns.get_level_values("element") == "grapes"
    load = before.chain.states.batch_state[0]
    return {
        "joint": load_total(before, "P1"),
        "grapes": float(before.cost[load][grapes | capital].sum()),
        "capital": float(before.cost[load][capital].sum()),
        "first": arrived(before, Flow.PRESS_OUT, 0),
        "second": arrived(before, Flow.PRESS_OUT, 1),
        "first after premium": arrived(after, Flow.PRESS_OUT, 0),
        "second after premium": arrived(after, Flow.PRESS_OUT, 1),
        "first on 30 June": stock(after, "V-FIRST"),
        "first unit on 30 June": unit(tables, basis, date(2026, 6, 30), "V-FIRST"),
    }


def reserve_case(tables: Tables, basis: Basis) -> dict[str, float]:
    """Figures of the reserve over three years."""
    results = run(read_inputs(tables), basis)
    return {
        "4,000 L out": batch_total(results, Flow.MOVEMENT, 0),
        "expensed": expensed(results),
        "unit after gauging": unit(tables, basis, date(2024, 1, 1), "RES"),
        "3,000 L out": batch_total(results, Flow.MOVEMENT, 1),
        "7,800 L left": stock(results, "RES"),
        "capital": line(results, "Capital charged"),
    }


def tirage_case(tables: Tables, basis: Basis) -> dict[str, float]:
    """Figures of one tirage and its two disgorgements."""
    results = run(read_inputs(tables), basis)
    per_bottle = cost_per_bottle(results).set_index("release")["per_bottle"]
    return {
        "expensed": expensed(results),
        "A on-lees unit": unit(tables, basis, date(2025, 3, 1), "T22"),  # of the bottles that stay, as of those gone
        "A total": batch_total(results, Flow.DISGORGEMENT, 0),
        "A per bottle": float(per_bottle["D-A"]),
        "B total": batch_total(results, Flow.DISGORGEMENT, 1),
        "B per bottle": float(per_bottle["D-B"]),
        "cash cost": line(results, "Cost in"),
    }


def valued_on(tables: Tables, day: date) -> Tables:
    """The same tables with another valuation date: later rows become plans."""
    settings = tables["settings"].copy()
    settings.loc[settings["Setting"] == "Valuation date", "Value"] = day.isoformat()
    return {**tables, "settings": settings}
