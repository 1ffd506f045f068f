"""The engine along the axes in which houses differ: movements, honest money, elements, rows of costs, dispatches.

The demo side by side has honest money where the ledger has an honest graph: twice the columns, seven times the rows of
rates. A pass is once over the memory of the solve: costs of every state copied, and the shares.
"""

from __future__ import annotations

import resource

import numpy as np

from costing.graph.arrays import Flow
from costing.inputs.basis import BOOK, ECONOMIC
from costing.inputs.estate import Estate
from costing.inputs.load import read_inputs
from costing.model import run
from costing.results.composition import composition
from costing.results.origins import origins
from costing.results.results import Results
from costing.results.stock import stock_values
from costing.workbook.blank.contents import tables_from_csv
from tests.benchmarks.ledger import ledger
from tests.benchmarks.measure import SHORT_S, seconds, timed
from tests.benchmarks.mistakes import DEMO, Tables, side_by_side, with_rows

ELEMENTS = 200
MONTHS = 120
Figures = dict[str, float]


def _read_and_run(rows: int, tables: Tables, repeats: int = 2) -> Figures:
    """Seconds to read the tables and to run either basis, the best of some, each run let go before the next; memory of
    the first reading and run, tables included.
    """
    estate, first_s = timed(lambda: read_inputs(tables))
    economic_s = seconds(lambda: run(estate, ECONOMIC))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    again_s = seconds(lambda: read_inputs(tables), repeats - 1) if repeats > 1 else first_s
    tries = repeats if economic_s >= SHORT_S else 10
    runs = {basis.name: seconds(lambda basis=basis: run(estate, basis), tries) for basis in (BOOK, ECONOMIC)}
    runs[ECONOMIC.name] = min(runs[ECONOMIC.name], economic_s)
    spent = {f"{name} (s)": seconds_spent for name, seconds_spent in runs.items()}
    return {"rows": rows, "peak (GB)": peak, "read (s)": min(first_s, again_s), **spent, **_solved(estate)}


def _solved(estate: Estate) -> Figures:
    """Size of the equation, the solve and one pass over its memory."""
    results = run(estate, ECONOMIC)
    matrix, cost = results.shares.matrix, results.cost[np.arange(len(results.total))]
    return {
        "states": len(cost),
        "columns": cost.shape[1],
        "solve (s)": seconds(lambda: results.solution.plain.forward(cost), 5),
        "pass (s)": seconds(lambda: (cost.copy(), matrix.copy()), 5),
    }


def movements(size: int) -> Figures:
    """A ledger of so many movements."""
    return _read_and_run(size, ledger(size))


def demo(copies: int) -> Figures:
    """The demo estate so many times."""
    tables = side_by_side(copies)
    return _read_and_run(len(tables["Movements"]), tables)


def elements(named: int, size: int = 20_000) -> Figures:
    """A ledger whose direct costs name so many elements."""
    tables = ledger(size)
    costs = tables["costs"]
    names = np.array([f"element {one}" for one in range(named)], dtype=object)[np.arange(len(costs)) % named]
    return _read_and_run(named, {**tables, "costs": costs.assign(Element=names)}, 1)


def many_elements(size: int) -> Figures:
    """A ledger of so many movements whose direct costs name two hundred elements."""
    return {**elements(ELEMENTS, size), "rows": size}


def cost_rows(rows: int) -> Figures:
    """A ledger with so many rows of costs."""
    tables = ledger(20_000)
    costs = tables["costs"]
    return _read_and_run(rows, {**tables, "costs": costs.iloc[np.arange(rows) % len(costs)].reset_index(drop=True)}, 1)


def dispatches(sales: int) -> Figures:
    """The demo estate with so many sales of one bottle out of one large lot."""
    day = np.datetime64("2025-02-01")
    tables = tables_from_csv(DEMO)
    bought = {"What": ["finished"], "Unit": ["bottles"], "Format": ["bottle"], "Cuvée": ["Brut"]}
    tables = with_rows(tables, "Deliveries", Date=[day], Lot=["BULK"], Quantity=[sales], Price_per_unit=[9.0], **bought)
    days, lot = day + np.arange(sales) % 300, np.full(sales, "BULK", dtype=object)
    sold = {"Release_lot": lot, "Channel": np.full(sales, "Trade", dtype=object), "Bottles": 1.0, "Net_price": 15.0}
    return _read_and_run(sales, with_rows(tables, "Dispatches", Date=days, **sold), 1)


def _last_release(results: Results) -> str:
    flows = results.chain.flows
    return str(results.chain.lots.names[flows.target[flows.kind == Flow.DISGORGEMENT][-1]])


def one_release(size: int) -> Figures:
    """Origins and composition of one release of a ledger that has been run."""
    results = run(read_inputs(ledger(size)), ECONOMIC)
    release = _last_release(results)
    # the composition of a chain is made once; a second question is what a person waits for
    first = seconds(lambda: composition(results, [release]))
    return {
        "rows": size,
        "origins (s)": seconds(lambda: origins(results, release)),
        "composition, first (s)": first,
        "composition (s)": seconds(lambda: composition(results, [release])),
    }


def month_ends(size: int) -> Figures:
    """Stock of a ledger at 120 ends of months."""
    results = run(read_inputs(ledger(size)), ECONOMIC)
    last = np.datetime64(results.chain.valuation_day, "D").astype("datetime64[M]")
    ends = [(last - month).astype("datetime64[D]") - 1 for month in range(MONTHS)]
    values, spent = timed(lambda: stock_values(results, ends))
    return {"rows": size, "values": len(values), "month-ends (s)": spent}
