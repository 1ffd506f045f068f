"""Rules on offers: parts that belong together, a lot for what is asked of us, a cuvée and a tirage for bottles."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from costing.errors import Finding
from costing.inputs.estate import Estate
from costing.inputs.row_findings import each, filled, first_rows, shown

_SAME = ("deal", "on_date", "what", "lot", "cuvee", "format", "tirage_date", "unit")


def parts_belong_together(estate: Estate) -> Iterator[Finding]:
    """Yield parts of an offer that differ in more than origin, quantity and price."""
    table = estate["offers"]
    first = first_rows(estate, "offers", "offer")
    head = table["offer"].astype(object).map(first).to_numpy()
    for column in _SAME:
        values = table[column].astype(object).to_numpy()
        for row in range(len(table)):
            if table["offer"].isna().iloc[row] or shown(estate, "offers", row, column) == shown(
                estate, "offers", int(head[row]), column
            ):
                continue
            rule = f"differs from the first part of offer '{table['offer'].iloc[row]}': {values[int(head[row])]}."
            yield from each(estate, "offers", [row], column, rule, "Enter the same, or give it a name of its own.")


def offers_say_what(estate: Estate) -> Iterator[Finding]:
    """Yield goods asked of us without a lot, and bottles offered to us without a cuvée, format or tirage."""
    table = estate["offers"]
    sells = (table["deal"] == "sell").to_numpy()
    bottles = ~sells & table["what"].isin(["on lees", "finished"]).to_numpy()
    rule, remedy = "no lot: what of ours is asked for?", "Enter the lot."
    yield from each(estate, "offers", sells & ~filled(estate, "offers", "lot"), "lot", rule, remedy)
    rule, remedy = "a lot of ours stands on an offer to us.", "Leave it blank, or enter 'sell'."
    yield from each(estate, "offers", ~sells & filled(estate, "offers", "lot"), "lot", rule, remedy)
    for column, word in (("cuvee", "cuvée"), ("tirage_date", "tirage date")):
        rule = f"no {word}: what these bottles will bring is not known."
        yield from each(estate, "offers", bottles & ~filled(estate, "offers", column), column, rule, "Enter it.")
    none = np.asarray(table["quantity"] == 0)
    yield from each(estate, "offers", none, "quantity", "is no quantity.", "Enter how much, or delete the row.")


OFFER_CHECKS: tuple[Callable[[Estate], Iterator[Finding]], ...] = (parts_belong_together, offers_say_what)
