"""Rules on cost pools: their periods, and which serves which."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import pairwise

import numpy as np
import pandas as pd

from costing.errors import CAUTION, Finding
from costing.inputs.estate import Estate
from costing.inputs.headers import closest
from costing.inputs.row_findings import cell_place, each, filled

_PERIOD = ["from_date", "to_date", "stage", "location", "driver"]


def with_subsidies(pools: pd.DataFrame) -> pd.DataFrame:
    """Pools in which a subsidy (a row below 0 beside that of its pool and period) has its pool's normal capacity."""
    subsidy = (pools["amount"] < 0) & pools["normal_capacity"].isna()
    if not subsidy.any():
        return pools
    own = pools.groupby(["pool", *_PERIOD], observed=True, dropna=False)["normal_capacity"].transform("max")
    return pools.assign(normal_capacity=pools["normal_capacity"].where(~subsidy, own))


def pool_periods(estate: Estate) -> Iterator[Finding]:
    """Yield pool periods that end before they begin or overlap (a subsidy beside its pool does not)."""
    table = estate["pools"]
    if not len(table):
        return
    begins, ends, amounts = (table[name].to_numpy() for name in ("from_date", "to_date", "amount"))
    yield from each(
        estate, "pools", ends < begins, "to_date", "is before the first day.", "Correct one of the two dates."
    )
    keys = ["pool", "element", "stage", "location", "driver"]
    drives = table[filled(estate, "pools", "driver")]
    for rows in drives.groupby(keys, observed=True, dropna=False).groups.values():
        spent = {(begins[row], ends[row]) for row in rows if amounts[row] >= 0}
        counted = (int(row) for row in rows if amounts[row] >= 0 or (begins[row], ends[row]) not in spent)
        ordered = sorted((row for row in counted if begins[row] <= ends[row]), key=lambda row: begins[row])
        for earlier, later in pairwise(ordered):
            if begins[later] <= ends[earlier]:
                place = cell_place(estate, "pools", earlier, "from_date")
                rule = f"falls into the period of {place}: its days count twice."
                yield from each(
                    estate,
                    "pools",
                    [later],
                    "from_date",
                    rule,
                    "Let the periods of one pool follow each other.",
                )


def served_pools(estate: Estate) -> Iterator[Finding]:
    """Yield pools that neither have a driver nor serve another or do both, and service to a pool that is not there."""
    driver, serves = filled(estate, "pools", "driver"), filled(estate, "pools", "serves")
    rule, remedy = "no driver, and no pool that this one serves.", "Enter what shares it out, or the pool it serves."
    yield from each(estate, "pools", ~driver & ~serves, "driver", rule, remedy)
    rule, remedy = "shares out a pool that serves another pool: its cost goes there.", "Leave one of the two blank."
    yield from each(estate, "pools", driver & serves, "driver", rule, remedy)
    frame = estate["pools"]
    for rows in _services(frame):
        period = frame.iloc[rows]
        names = list(dict.fromkeys(period["pool"].dropna()))
        by_driver = set(period.loc[period["serves"].isna(), "pool"])
        for row in rows[period["serves"].notna().to_numpy()].tolist():
            if frame["pool"].iloc[row] in by_driver:
                rule = "serves another pool in this row and has a driver in another row of the period."
                yield from each(estate, "pools", [row], "pool", rule, "Give the two parts names of their own.")
            to = frame["serves"].iloc[row]
            if to not in names:
                near = closest(str(to), [str(one) for one in names], 0.6)
                hint = f"Did you mean '{near}'?" if near else "Enter a pool with the same first and last day."
                yield from each(estate, "pools", [row], "serves", "is no pool of this period.", hint)


def service_methods(estate: Estate) -> Iterator[Finding]:
    """Yield pools whose cost reaches no pool with a driver; caution where a pool serves itself in a ring by a method
    that leaves such service out.
    """
    frame, method = estate["pools"], estate.settings.service_method
    for rows in _services(frame):
        period = frame.iloc[rows]
        by_driver = set(period.loc[period["serves"].isna(), "pool"])
        links = period[period["serves"].notna() & (period["share"].fillna(1.0) > 0)]
        services = list(dict.fromkeys(period.loc[period["serves"].notna(), "pool"]))
        serves = {name: set(links.loc[links["pool"] == name, "serves"]) for name in services}
        reached = {name: _reach(name, serves) for name in services}
        for position, name in enumerate(services):
            first = int(rows[(period["pool"] == name).to_numpy()][0])
            useful = {
                "direct": serves[name] & by_driver,
                "step-down": serves[name] & (by_driver | set(services[position + 1 :])),
                "reciprocal": reached[name] & by_driver,
            }[method]
            if not useful:
                rule = f"serves no pool with a driver by the {method} method: its cost goes nowhere."
                yield from each(estate, "pools", [first], "pool", rule, "Enter which pools it serves.")
        ring = [name for name in services if name in reached[name]]
        if ring and method != "reciprocal":
            first = int(rows[(period["pool"] == ring[0]).to_numpy()][0])
            rule = f"serves itself in a ring ({', '.join(ring)}), of which the {method} method leaves a part out."
            remedy = "Set 'Service pools' on Settings to reciprocal, or take one of the services out."
            yield from each(estate, "pools", [first], "serves", rule, remedy, CAUTION)


def _services(frame: pd.DataFrame) -> Iterator[np.ndarray]:
    """Rows of each period in which a pool serves another."""
    for rows in frame.groupby(["from_date", "to_date"], observed=True).indices.values():
        if frame["serves"].iloc[rows].notna().any():
            yield np.asarray(rows)


def _reach(name: str, serves: dict[str, set[str]]) -> set[str]:
    """Pools that the cost of `name` comes to, by one step or more."""
    come_to, ahead = set[str](), list(serves[name])
    while ahead:
        pool = ahead.pop()
        if pool not in come_to:
            come_to.add(pool)
            ahead += serves.get(pool, ())
    return come_to


POOL_CHECKS: tuple[Callable[[Estate], Iterator[Finding]], ...] = (pool_periods, served_pools, service_methods)
