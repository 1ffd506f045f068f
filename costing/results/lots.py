"""What a lot is called by people: its cuvée, its format, when it was bottled and when disgorged.

A lot carries what its own row says; otherwise what the lot it was filled from carries. Bottles of several
tirages in one lot have the date of the last of them: the cautious one for the months on lees.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from costing.array_types import Days, Ints, Names
from costing.graph.arrays import BLANK_DAY, BOTTLE, Flow, codes, days
from costing.graph.states import Chain
from costing.inputs.estate import Estate
from costing.once import asked_once
from costing.units import FORMATS_L

FORMAT_NAMES = np.array([*FORMATS_L, ""], dtype=object)


@dataclass(frozen=True)
class LotLabels:
    """Per lot: name, cuvée and format ("" if none), day of tirage and of disgorgement (BLANK_DAY if none)."""

    name: Names
    cuvee: Names
    format: Names
    tirage_day: Ints
    disgorged_day: Ints


@asked_once
def lot_labels(estate: Estate, chain: Chain) -> LotLabels:
    """Labels of every lot of the chain."""
    names, flows = chain.lots.names, chain.flows
    n = len(names)
    cuvees = pd.Index(
        pd.unique(
            np.concatenate(
                [
                    estate[table]["cuvee"].cat.categories.to_numpy(dtype=object)
                    for table in ("opening_stock", "deliveries", "movements", "tirage")
                ]
            )
        )
    )
    cuvee, tirage = np.full(n, -1, dtype=np.int64), np.full(n, BLANK_DAY, dtype=np.int64)
    disgorged = np.full(n, BLANK_DAY, dtype=np.int64)
    for table, column in (
        ("opening_stock", "lot"),
        ("deliveries", "lot"),
        ("movements", "to_lot"),
        ("tirage", "to_lot"),
    ):
        frame = estate[table]
        lot, named = chain.lots.of_rows[table, column], codes(frame["cuvee"], cuvees)
        cuvee[lot[named >= 0]] = named[named >= 0]
        if table != "movements":
            day = days(frame["on_date" if table == "tirage" else "tirage_date"])
            known = day != BLANK_DAY
            np.maximum.at(tirage, lot[known], day[known])
    released = estate["disgorgements"]
    np.maximum.at(disgorged, chain.lots.of_rows["disgorgements", "release_lot"], days(released["on_date"]))
    passes = np.flatnonzero(
        np.isin(flows.kind, (Flow.MOVEMENT, Flow.DISGORGEMENT)) & (flows.source >= 0) & (flows.target >= 0)
    )
    source, target = flows.source[passes], flows.target[passes]
    bottles = (chain.lots.unit[source] == BOTTLE) & (chain.lots.unit[target] == BOTTLE)
    source, target = source[bottles], target[bottles]

    def handed_on(values: Ints, blank: int, join: Callable[[Ints], Ints] = lambda given: given) -> Ints:
        for _ in range(n):
            missing = (values[target] == blank) & (values[source] != blank)
            if not missing.any():
                break
            values[target[missing]] = join(values[source[missing]])
        return values

    cuvee = handed_on(cuvee, -1)
    tirage = handed_on(tirage, BLANK_DAY)
    disgorged = handed_on(disgorged, BLANK_DAY)
    return LotLabels(
        names.to_numpy(dtype=object),
        np.append(cuvees.to_numpy(dtype=object), "")[cuvee],
        FORMAT_NAMES[chain.lots.format],
        tirage,
        disgorged,
    )


def as_dates(day: Ints) -> Days:
    """Day numbers as dates; NaT where blank."""
    return np.asarray(day).astype("datetime64[D]").astype("datetime64[s]")
