"""What became of the money of every row: amounts, prices and rates, on both bases.

    given = in stock + sold or gone + expensed + idle + not yet due + spent on other people's goods

Amounts are rounded so that each line adds up, and the lines to the money that the run was given.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.answers.answer import Answer
from costing.model import Runs
from costing.once import asked_once
from costing.results.amounts_charged import FATES, amounts_charged
from costing.results.rounding import largest_remainder


@asked_once
def charged(runs: Runs) -> Answer:
    """Every row of the sheets of money, by sheet and one by one."""
    sides = {"book": _in_cents(amounts_charged(runs.book)), "economic": _in_cents(amounts_charged(runs.economic))}
    rows = sides["book"][["place", "sheet", "cell"]].rename(columns={"cell": "found_figure"})
    fates = [fate for fate in FATES if fate != "services" or runs.estate.others is not None]
    money = {f"{name}_{fate}": lines[fate] for name, lines in sides.items() for fate in ("given", *fates)}
    rows = rows.assign(**money)
    by_sheet = rows.groupby("sheet", sort=False)[list(money)].sum().reset_index()
    facts = runs.facts
    return Answer({"amounts_by_sheet": by_sheet, "amounts_charged": rows}, facts=facts, empty="No row gives money.")


def _in_cents(lines: pd.DataFrame) -> pd.DataFrame:
    """Lines in cents: `given` adds up to its rounded sum, and the parts of each line to its `given`."""
    parts = lines[list(FATES)].to_numpy(dtype=float)
    given = largest_remainder(lines["given"].to_numpy(dtype=float), 2)
    cents = np.round(parts, 2)
    largest = np.argmax(np.abs(parts), axis=1)
    cents[np.arange(len(cents)), largest] += given - cents.sum(axis=1)
    return lines.assign(given=given, **dict(zip(FATES, np.round(cents, 2).T, strict=True)))
