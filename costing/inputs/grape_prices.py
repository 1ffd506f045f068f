"""Which row of Grape prices a delivery of grapes takes, and final premiums given there for all deliveries of a year.

The most particular row of the harvest wins: that of the supplier before that of any; then village and variety, then
village, then variety, then neither. A final premium on Grape prices goes to every delivery of bought grapes that has
none of its own, as if it had been typed there, and its place is the row that gives it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd

from costing.array_types import Flags, Ints
from costing.inputs.estate import Estate, harvest_years, text_of
from costing.inputs.rows import Breach, Rows, rule_of

_NAMES = ("supplier", "village", "variety")


def listed_row(deliveries: pd.DataFrame, listed: pd.DataFrame, counts: Flags, wanted: Flags) -> Ints:
    """Row of Grape prices for each delivery (−1: none). counts: rows that may be taken; wanted: deliveries."""
    taken = np.full(len(deliveries), -1, dtype=np.int64)
    if not counts.any():
        return taken
    year = harvest_years(deliveries)
    priced, delivered = ([text_of(frame[name]) for name in _NAMES] for frame in (listed, deliveries))
    harvest = listed["vintage"].to_numpy()  # blank on a row that is refused
    counts = counts & ~np.isnan(harvest)
    table = {(int(harvest[row]), *(names[row] for names in priced)): row for row in np.flatnonzero(counts).tolist()}
    for row in np.flatnonzero(wanted & (deliveries["what"] == "grapes").to_numpy() & ~np.isnan(year)).tolist():
        ways = product(*((names[row], "") for names in delivered))
        taken[row] = next((table[key] for way in ways if (key := (int(year[row]), *way)) in table), -1)
    return taken


def with_premiums(estate: Estate) -> Estate:
    """The estate with the final premiums of Grape prices on the deliveries that they fit."""
    frame, listed = estate["deliveries"], estate["grape_prices"]
    bare = frame["premium_per_unit"].isna().to_numpy() & _bought(frame)
    row = listed_row(frame, listed, listed["final_premium_per_kg"].notna().to_numpy(), bare)
    taken = np.flatnonzero(row >= 0)
    if not len(taken):
        return estate
    premium, on = (frame[name].to_numpy(copy=True) for name in ("premium_per_unit", "premium_date"))
    premium[taken] = listed["final_premium_per_kg"].to_numpy()[row[taken]]
    on[taken] = listed["premium_date"].to_numpy()[row[taken]]
    places = {
        (int(delivery), column): estate.place("grape_prices", int(row[delivery]), source)
        for delivery in taken
        for column, source in (("premium_per_unit", "final_premium_per_kg"), ("premium_date", "premium_date"))
    }
    source = replace(estate.sources["deliveries"], elsewhere=places)
    tables = {**estate.tables, "deliveries": frame.assign(premium_per_unit=premium, premium_date=on)}
    return replace(estate, tables=tables, sources={**estate.sources, "deliveries": source})


@rule_of("grape_prices")
def premiums_that_fit_nothing(listed: Rows) -> Iterator[Breach]:
    """Yield rows without a price or a final premium, final premiums without their day, and those of no delivery."""
    deliveries = listed.of("deliveries").frame
    price, final, dated = (listed.given(column) for column in ("price_per_kg", "final_premium_per_kg", "premium_date"))
    rule = "neither a price nor a final premium stands here."
    yield ~price & ~final, "price_per_kg", rule, "Enter one, or delete the row."
    rule = "no day stands here, though a final premium stands beside it."
    yield final & ~dated, "premium_date", rule, "Enter when it was fixed and paid."
    rule = "is given for no delivery: none of that harvest has this supplier, village and variety."
    remedy = (
        "Check the year and the names. In a workbook opened after the harvest, enter it on Costs, or close the year"
        " once more with --again."
    )
    fits = np.isin(np.arange(len(listed)), fitting_premiums(deliveries, listed.frame))
    yield final & ~fits, "final_premium_per_kg", rule, remedy


def fitting_premiums(deliveries: pd.DataFrame, listed: pd.DataFrame) -> Ints:
    """Rows of Grape prices whose final premium fits a delivery, whether or not a more particular one goes before."""
    fitting = []
    for row in np.flatnonzero(listed["final_premium_per_kg"].notna().to_numpy()).tolist():
        alone = np.arange(len(listed)) == row
        if (listed_row(deliveries, listed, alone, _bought(deliveries)) >= 0).any():
            fitting.append(row)
    return np.array(fitting, dtype=np.int64)


def _bought(deliveries: pd.DataFrame) -> Flags:
    return np.asarray(deliveries["growing_cost_per_unit"].isna() & deliveries["owner"].isna())
