"""Rules on releases and on rows that stand twice: what is taken from a stack, into which lot, on which day.

A release is one cuvée and format, disgorged together and priced together; a few days of work are still one.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from costing.errors import CAUTION, FIRST_PLACES
from costing.inputs.rows import Breach, Rows, rule_of

DAYS_OF_ONE_RELEASE = 31
TWICE = {
    "deliveries": "lot",
    "movements": "from_lot",
    "tirage": "to_lot",
    "disgorgements": "release_lot",
    "dispatches": "release_lot",
}
"""Tables of things that happen once, and the column that names them."""


@rule_of("disgorgements")
def releases_apart(disgorgements: Rows) -> Iterator[Breach]:
    """Yield disgorgements into the stack they are drawn from, of no bottles, and releases of two dates."""
    release, stack = (disgorgements[column].astype(object) for column in ("release_lot", "from_lot"))
    rule = "is the stack drawn from: the release needs a lot of its own."
    yield release == stack, "release_lot", rule, "Enter a new name for the bottles disgorged."
    rule, remedy = "draws nothing: this row is no release.", "Enter the bottles, or delete the row."
    yield disgorgements["bottles_in"] == 0, "bottles_in", rule, remedy, CAUTION
    begun = disgorgements.by_name("release_lot", disgorgements.first_rows("release_lot"), 0)
    day = disgorgements["on_date"].to_numpy()
    apart = np.abs(day - day[begun]) > np.timedelta64(DAYS_OF_ONE_RELEASE, "D")

    def costed_as_one(row: int) -> str:
        return f"is disgorged at {disgorgements.place(int(begun[row]), 'on_date')} too, and costed as one release."

    yield apart, "release_lot", costed_as_one, "Give each disgorgement a release lot of its own.", CAUTION


@rule_of(*TWICE)
def rows_alike(rows: Rows) -> Iterator[Breach]:
    """Yield rows that say in every cell what an earlier row says: often one thing entered twice."""
    named = TWICE[rows.table]
    again, first = rows.repeated(rows.frame.columns)
    if len(again) > FIRST_PLACES:  # said once, of the first row that has others like it
        again, first = again[np.newaxis], first[:1]
    for which, like in zip(again, first.tolist(), strict=True):
        rule = f"has every cell like {rows.place(like, named)}, and both count."
        yield np.atleast_1d(which), named, rule, "Delete one if it was entered twice.", CAUTION


@rule_of("dispatches")
def returns(dispatches: Rows) -> Iterator[Breach]:
    """Caution where more bottles of a lot come back through a channel than had gone out by it."""
    frame = dispatches.frame
    bottles = np.nan_to_num(frame["bottles"].to_numpy(), posinf=0.0)
    if not (bottles < 0).any():
        return
    total = frame.assign(bottles=bottles).groupby(["release_lot", "channel"], observed=True)["bottles"].transform("sum")
    before = frame["release_lot"].astype(object).isin(dispatches.of("opening_stock")["lot"].astype(object)).to_numpy()
    known = ~np.isinf(frame["bottles"].to_numpy())
    more = (bottles < 0) & (total < 0).to_numpy() & ~before & known
    rule = "come back, but fewer had gone out by this channel."
    yield more, "bottles", rule, "Check the lot, the channel and the bottles.", CAUTION
