"""A figure by its name: the cost per bottle of a release, of the latest release made of a cuvée (in bottles of 75 cl
where it has any), or the value of stock; and how much of it passed through each row.

What it does not do: compute anything that `costing.results` does not give.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.array_types import Floats
from costing.errors import CostingError, nearest
from costing.graph.arrays import TABLES
from costing.money.postings import TABLE_NAMES
from costing.results.costs import releases
from costing.results.origins import release_states
from costing.results.results import Results
from costing.results.stock import open_states, stock_values

STOCK = "stock"


def costed_figure(results: Results, what: str) -> float:
    """Cost per bottle of a release or of the latest release made of a cuvée; of `stock`, its value.

    CostingError with the nearest name where there is neither.
    """
    if what == STOCK:
        return float(stock_values(results)["value"].sum())
    chosen = release_named(results, what)
    return float(chosen["total"] / chosen["bottles"])


def release_named(results: Results, what: str) -> pd.Series:
    """Row of `releases` of a release lot, or of the latest release made of a cuvée: in bottles of 75 cl, in another
    format where it was never released in them. CostingError as in `costed_figure`.
    """
    frame = releases(results)
    chosen = frame[frame["release"].astype(str) == what]
    if not len(chosen):
        made = frame[(frame["cuvee"].astype(str) == what) & ~frame["planned"]]
        usual = made[made["format"] == "bottle"]
        chosen = (usual if len(usual) else made).tail(1)
    if not len(chosen):
        names = [*frame["release"].astype(str), *frame["cuvee"].astype(str).unique(), STOCK]
        planned = list(frame["release"][frame["cuvee"].astype(str) == what].astype(str))
        message = f"there is no release or cuvée '{what}' with bottles. {nearest(what, names)}".strip()
        if planned:
            message = f"cuvée '{what}' has no release made by the valuation date. Planned ones: {', '.join(planned)}."
        raise CostingError(message)
    return chosen.iloc[0]


def cost_through_rows(results: Results, what: str) -> dict[str, Floats]:
    """How much of the figure's cost passed through each row of each table, as money."""
    chain, flows, postings = results.chain, results.chain.flows, results.charges.postings
    chosen = np.zeros(len(chain.states))
    stock_states = open_states(results, chain.valuation_day) if what == STOCK else None
    chosen[
        release_states(results, str(release_named(results, what)["release"])) if stock_states is None else stock_states
    ] = 1.0
    reaches = results.solution.plain.backward(chosen)
    through = np.abs(reaches * results.total)
    state = np.where(chain.target_state >= 0, chain.target_state, chain.source_state)
    batch = np.append(chain.states.batch_state, -1)[flows.batch]
    state = np.where(batch >= 0, batch, state)
    passed = np.where(state >= 0, through[state], 0.0)
    by_table = {name: np.zeros(len(results.estate[name])) for name in TABLE_NAMES}
    for kind, name in enumerate(TABLES):
        if name:
            of_table = flows.kind == kind
            np.maximum.at(by_table[name], flows.row[of_table], passed[of_table])
    posted = np.abs(postings.amount * reaches[postings.state])
    for number, name in enumerate(TABLE_NAMES):
        of_table = postings.table == number
        np.add.at(by_table[name], postings.row[of_table], posted[of_table])
    for part in results.charges.accrued:
        name = TABLE_NAMES[part.charge.table]
        by_table[name][part.charge.rows] += float(np.abs(part.amount @ reaches[part.states]))
    return by_table
