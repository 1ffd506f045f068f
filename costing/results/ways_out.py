"""By which way bottles and wine left: the terms of their channel on the day of the dispatch, or the operation.

The one answer to "was it a sale?": cost of goods sold, margins, the flow of cost and the rules of place ask here. A
channel that becomes another way out changes nothing that left before. A dispatch on which no terms hold yet is a
sale; a caution names it.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.array_types import Ints, Names
from costing.engine.shares import LOST
from costing.graph.arrays import OPERATIONS, Flow, days
from costing.inputs.estate import Estate, text_of
from costing.inputs.in_force import named_row_in_force
from costing.inputs.schema import operations
from costing.results.results import Results

SALE = "sale"
ABNORMAL = "loss beyond the norm"
COUNTED = "gauging or count"


def channel_rows(estate: Estate, channel: pd.Series, day: Ints) -> Ints:
    """Row of Channels that holds for each channel on its day (−1: none)."""
    table = estate["channels"]
    names, since = table["channel"].astype(object).to_numpy(), days(table["from_date"])
    return named_row_in_force(names, since, channel.astype(object).to_numpy(), day)


def ways_out(estate: Estate) -> Names:
    """Way out of each row of Dispatches: what the terms of its channel say on its day; a sale where none do."""
    sent, way = estate["dispatches"], estate["channels"]["way_out"].astype(object).fillna(SALE).to_numpy()
    row = channel_rows(estate, sent["channel"], days(sent["on_date"]))
    return np.asarray(np.append(way, SALE)[row], dtype=object)


def names_of_exits(results: Results) -> tuple[Names, Names]:
    """Way out, and channel, operation or cause, of each exit of a run."""
    estate, flows, shares = results.estate, results.chain.flows, results.shares
    flow = shares.exit_flow
    way, through = np.full(len(flow), "", dtype=object), np.full(len(flow), "", dtype=object)
    dispatched = flows.kind[flow] == Flow.DISPATCH
    row = flows.row[flow[dispatched]]
    way[dispatched] = ways_out(estate)[row]
    through[dispatched] = text_of(estate["dispatches"]["channel"])[row]
    done = np.array([*OPERATIONS, COUNTED], dtype=object)
    lost = shares.exit_reason == LOST
    bulk = (flows.kind[flow] == Flow.MOVEMENT) & ~lost
    exit_of = np.array([row.exit or "" for row in operations().values()] + [""], dtype=object)
    way[bulk], through[bulk] = exit_of[flows.operation[flow[bulk]]], done[flows.operation[flow[bulk]]]
    way[lost], through[lost] = ABNORMAL, done[flows.operation[flow[lost]]]
    counted = np.flatnonzero(lost & (flows.kind[flow] == Flow.STOCKTAKE))
    cause = text_of(estate["stocktakes"]["cause"])[flows.row[flow[counted]]]
    through[counted] = [f"{COUNTED}: {why}" if why else COUNTED for why in cause]
    return way, through
