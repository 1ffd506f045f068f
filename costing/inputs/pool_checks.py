"""Rules on cost pools: their periods, and which serves which."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import pandas as pd

from costing.errors import CAUTION
from costing.inputs.headers import did_you_mean
from costing.inputs.rows import Breach, Rows, rule_of

_PERIOD = ["from_date", "to_date", "stage", "location", "driver"]


def with_subsidies(pools: pd.DataFrame) -> pd.DataFrame:
    """Pools in which a subsidy (a row below 0 beside that of its pool and period) has its pool's normal capacity."""
    subsidy = (pools["amount"] < 0) & pools["normal_capacity"].isna()
    if not subsidy.any():
        return pools
    own = pools.groupby(["pool", *_PERIOD], observed=True, dropna=False)["normal_capacity"].transform("max")
    return pools.assign(normal_capacity=pools["normal_capacity"].where(~subsidy, own))


@rule_of("pools")
def pool_periods(pools: Rows) -> Iterator[Breach]:
    """Yield pool periods that end before they begin or overlap (a subsidy beside its pool does not)."""
    begins, ends, amounts = (pools[column].to_numpy() for column in ("from_date", "to_date", "amount"))
    yield ends < begins, "to_date", "is before the first day.", "Correct one of the two dates."
    keys = ["pool", "element", "stage", "location", "driver"]
    drives = pools.frame[pools.given("driver")]
    for rows in drives.groupby(keys, observed=True, dropna=False).groups.values():
        spent = {(begins[row], ends[row]) for row in rows if amounts[row] >= 0}
        counted = (int(row) for row in rows if amounts[row] >= 0 or (begins[row], ends[row]) not in spent)
        ordered = sorted((row for row in counted if begins[row] <= ends[row]), key=lambda row: begins[row])
        for earlier, later in pairwise(ordered):
            if begins[later] <= ends[earlier]:
                rule = f"falls into the period of {pools.place(earlier, 'from_date')}: its days count twice."
                yield [later], "from_date", rule, "Let the periods of one pool follow each other."


@rule_of("pools")
def served_pools(pools: Rows) -> Iterator[Breach]:
    """Yield pools that neither have a driver nor serve another or do both, and service to a pool that is not there."""
    driver, serves = pools.given("driver"), pools.given("serves")
    rule = "neither a driver nor a pool that this one serves stands here."
    remedy = "Enter what shares it out, or the pool it serves."
    yield ~driver & ~serves, "driver", rule, remedy
    rule = "shares out a pool that serves another pool: its cost goes there."
    yield driver & serves, "driver", rule, "Leave one of the two blank."
    for rows in _services(pools.frame):
        period = pools.frame.iloc[rows]
        names = [str(name) for name in period["pool"].dropna().unique()]
        by_driver = set(period.loc[period["serves"].isna(), "pool"])
        for row in rows[period["serves"].notna().to_numpy()].tolist():
            if pools["pool"].iloc[row] in by_driver:
                rule = "serves another pool in this row and has a driver in another row of the period."
                yield [row], "pool", rule, "Give the two parts names of their own."
            served = str(pools["serves"].iloc[row])
            if served not in names:
                remedy = did_you_mean(served, names, "Enter a pool with the same first and last day.")
                yield [row], "serves", "is no pool of this period.", remedy


@rule_of("pools")
def service_methods(pools: Rows) -> Iterator[Breach]:
    """Yield pools whose cost reaches no pool with a driver; caution where a pool serves itself in a ring by a method
    that leaves such service out.
    """
    frame, method = pools.frame, pools.estate.settings.service_method
    for rows in _services(frame):
        period = frame.iloc[rows]
        by_driver = set(period.loc[period["serves"].isna(), "pool"])
        links = period[period["serves"].notna() & (period["share"].fillna(1.0) > 0)]
        services = list(dict.fromkeys(period.loc[period["serves"].notna(), "pool"]))
        serves = {name: set(links.loc[links["pool"] == name, "serves"]) for name in services}
        reached = {name: _reach(name, serves) for name in services}
        for position, name in enumerate(services):
            useful = {
                "direct": serves[name] & by_driver,
                "step-down": serves[name] & (by_driver | set(services[position + 1 :])),
                "reciprocal": reached[name] & by_driver,
            }[method]
            if not useful:
                rule = f"serves no pool with a driver by the {method} method: its cost goes nowhere."
                yield rows[(period["pool"] == name).to_numpy()][:1], "pool", rule, "Enter which pools it serves."
        ring = [name for name in services if name in reached[name]]
        if ring and method != "reciprocal":
            rule = f"serves itself in a ring ({', '.join(ring)}), of which the {method} method leaves a part out."
            remedy = "Set 'Service pools' on Settings to reciprocal, or take one of the services out."
            yield rows[(period["pool"] == ring[0]).to_numpy()][:1], "serves", rule, remedy, CAUTION


def _services(frame: pd.DataFrame) -> Iterator[np.ndarray]:
    """Rows of each period in which a pool serves another."""
    if not frame["serves"].notna().any():
        return
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
