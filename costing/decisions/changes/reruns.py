"""A changed estate, run again: later rows follow, and what the change did not touch is taken from the recorded runs.

How wine moved stays where no sheet of quantities or norms was changed, and money where no sheet of money was either.
"""

from __future__ import annotations

from costing.decisions.changes.replay import later_rows_follow
from costing.inputs.estate import Estate
from costing.model import Runs

_SOLD = ("price_by_age", "channels", "price_list", "targets")
_STILL_WINE = ("interest_rates", "price_indices", "market_values", *_SOLD)
"""Sheets of which no later row draws more or less."""
_NO_MONEY = ("interest_rates", "uncertainty", *_SOLD)
"""Sheets of which what was spent says nothing."""
_MOVING = (
    *("opening_stock", "deliveries", "pressings", "movements", "tirage", "disgorgements", "dispatches", "stocktakes"),
    "loss_norms",
)


def rerun(recorded: Runs, changed: Estate) -> tuple[Runs, int]:
    """Runs of a changed estate, and how many later rows wanted more than there was and were scaled.

    changed: the sheets of `recorded`, row by row, with other figures. InputError where they make no sense.
    """
    touched = _touched(recorded.estate, changed)
    short = 0
    if not touched <= set(_STILL_WINE):
        changed, short = later_rows_follow(recorded.estate, recorded.chain, changed)
        touched = _touched(recorded.estate, changed)
    if touched & set(_MOVING):
        return Runs(changed), short
    return Runs(changed, recorded.chain, recorded.common if touched <= set(_NO_MONEY) else None), short


def _touched(before: Estate, after: Estate) -> set[str]:
    return {name for name in before.tables if after[name] is not before[name]}
