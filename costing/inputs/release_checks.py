"""Rules on releases and on rows that stand twice: what is taken from a stack, into which lot, on which day.

A release is one cuvée and format, disgorged together and priced together; a few days of work are still one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import islice

import numpy as np
import pandas as pd

from costing.errors import CAUTION, FIRST_PLACES, Finding
from costing.inputs.estate import Estate
from costing.inputs.row_findings import cell_place, each, first_rows, repeated

DAYS_OF_ONE_RELEASE = 31
TWICE = {
    "deliveries": "lot",
    "movements": "from_lot",
    "tirage": "to_lot",
    "disgorgements": "release_lot",
    "dispatches": "release_lot",
}
"""Tables of things that happen once, and the column that names them."""


def releases_apart(estate: Estate) -> Iterator[Finding]:
    """Yield disgorgements into the stack they are drawn from, of no bottles, and releases of two dates."""
    table = estate["disgorgements"]
    itself = (table["release_lot"].astype(object) == table["from_lot"].astype(object)).to_numpy()
    rule = "is the stack drawn from: the release needs a lot of its own."
    yield from each(estate, "disgorgements", itself, "release_lot", rule, "Enter a new name for the bottles disgorged.")
    nothing = (table["bottles_in"] == 0).to_numpy()
    rule, remedy = "draws nothing: this row is no release.", "Enter the bottles, or delete the row."
    yield from each(estate, "disgorgements", nothing, "bottles_in", rule, remedy, CAUTION)
    first = first_rows(estate, "disgorgements", "release_lot")
    begun = pd.Series(table["release_lot"].astype(object).map(first).fillna(0), dtype="int64").to_numpy()
    day = table["on_date"].to_numpy()
    apart = np.abs(day - day[begun]) > np.timedelta64(DAYS_OF_ONE_RELEASE, "D")

    def rule_of(row: int) -> str:
        place = cell_place(estate, "disgorgements", int(begun[row]), "on_date")
        return f"is disgorged at {place} too, and costed as one release."

    remedy = "Give each disgorgement a release lot of its own."
    yield from each(estate, "disgorgements", apart, "release_lot", rule_of, remedy, CAUTION)


def rows_alike(estate: Estate) -> Iterator[Finding]:
    """Yield rows that say in every cell what an earlier row says: often one thing entered twice."""
    for table, column in TWICE.items():
        columns = list(estate[table].columns)
        remedy = "Delete one if it was entered twice."
        pairs = list(islice(repeated(estate, table, columns), FIRST_PLACES + 1))
        if len(pairs) > FIRST_PLACES:
            rows = estate[table].duplicated(columns).to_numpy()
            rule = f"has every cell like {cell_place(estate, table, pairs[0][1], column)}, and both count."
            yield from each(estate, table, rows, column, rule, remedy, CAUTION)
            continue
        for row, first in pairs:
            rule = f"has every cell like {cell_place(estate, table, first, column)}, and both count."
            yield from each(estate, table, [row], column, rule, remedy, CAUTION)


def returns(estate: Estate) -> Iterator[Finding]:
    """Caution where more bottles of a lot come back through a channel than had gone out by it."""
    frame = estate["dispatches"]
    bottles = np.nan_to_num(frame["bottles"].to_numpy(), posinf=0.0)
    if not (bottles < 0).any():
        return
    total = frame.assign(bottles=bottles).groupby(["release_lot", "channel"], observed=True)["bottles"].transform("sum")
    before = frame["release_lot"].astype(object).isin(estate["opening_stock"]["lot"].astype(object)).to_numpy()
    known = ~np.isinf(frame["bottles"].to_numpy())
    more = (bottles < 0) & (total < 0).to_numpy() & ~before & known
    rule = "come back, but fewer had gone out by this channel."
    yield from each(estate, "dispatches", more, "bottles", rule, "Check the lot, the channel and the bottles.", CAUTION)


RELEASE_CHECKS: tuple[Callable[[Estate], Iterator[Finding]], ...] = (releases_apart, rows_alike, returns)
