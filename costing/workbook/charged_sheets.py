"""Result sheet of amounts charged: every row of the sheets of money, and what became of it on both bases.

Amounts are rounded so that each line adds up, and the lines to the money that the run was given.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.results.amounts_charged import FATES, amounts_charged
from costing.results.results import Results
from costing.results.rounding import largest_remainder
from costing.workbook.write import ResultSheet, ResultTable

HEADERS = {
    "given": "given",
    "stock": "in stock",
    "goods_sold": "sold or gone",
    "expensed": "expensed",
    "idle": "idle",
    "not_yet_due": "not yet due",
}


def charged_sheet(book: Results, economic: Results, *, links: bool) -> ResultSheet:
    """Sheet Amounts charged. links: to cells of this workbook."""
    both = [(one.basis.name.capitalize(), _in_cents(amounts_charged(one))) for one in (book, economic)]
    frame = both[0][1][["place", "sheet", "cell"]].set_axis(["Where", "Sheet", "Stands there"], axis=1)
    money = {f"{name} {header}": lines[key] for name, lines in both for key, header in HEADERS.items()}
    table = frame.assign(**money)
    by_sheet = table.groupby("Sheet", sort=False)[list(money)].sum().reset_index()
    formats = dict.fromkeys(money, "money")
    currency, day = book.estate.settings.currency, np.datetime64(book.chain.valuation_day, "D")
    return ResultSheet(
        "Amounts charged",
        f"What became of every amount, price and rate by {day} ({currency})",
        (
            "Given = in stock + sold or gone + expensed + idle + not yet due. All rows together are the cost in of the "
            "run; capital is charged on top. A price or rate gives what it comes to with its quantities.",
            "Sold or gone: cost of goods sold and other ways out. Idle: of a pool, beyond what was used of it. Not yet "
            "due: incurred later, plans included, and what a pool still open has not charged.",
        ),
        (
            ResultTable("amounts_by_sheet", by_sheet, formats, tuple(money), title="By sheet"),
            ResultTable(
                "amounts_charged",
                table,
                {"Stands there": "money4", **formats},
                tuple(money),
                {"Where": "Where"} if links else {},
                title="Row by row",
            ),
        ),
    )


def _in_cents(lines: pd.DataFrame) -> pd.DataFrame:
    """Lines in cents: `given` adds up to its rounded sum, and the parts of each line to its `given`."""
    parts = lines[list(FATES)].to_numpy(dtype=float)
    given = largest_remainder(lines["given"].to_numpy(dtype=float), 2)
    cents = np.round(parts, 2)
    largest = np.argmax(np.abs(parts), axis=1)
    cents[np.arange(len(cents)), largest] += given - cents.sum(axis=1)
    return lines.assign(given=given, **dict(zip(FATES, np.round(cents, 2).T + 0.0, strict=True)))
