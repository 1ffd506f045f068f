"""Opening the next workbook from a closed year: opening stock as closed, and every row dated after it.

What was frozen as belonging to goods already gone goes along without a lot. Rows on lots that are no longer there
are left out. The last period of a pool stays although it is over: plans bear its rate until the next is entered.
Where it has no normal capacity, what was used stands there.

What it does not do: it freezes nothing (`decisions.closing.closing`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import pandas as pd

from costing.array_types import Ints
from costing.decisions.closing.closing import YEAR_END, closed
from costing.errors import CAUTION, CostingError, Finding
from costing.graph.arrays import TABLES, codes, days
from costing.inputs.estate import Estate, Sources, as_table, empty_table
from costing.inputs.grape_prices import fitting_premiums
from costing.inputs.owners import both_sides, own_part
from costing.inputs.rows import Rows
from costing.inputs.schema import sheets
from costing.model import trace
from costing.money.charges import CommonMoney
from costing.money.entries import shared_after

OPENING_TABLES = ("opening_stock", "opening_costs", "opening_composition")
_DATED = tuple(dict.fromkeys(filter(None, TABLES)))


@dataclass(frozen=True, eq=False)
class Opened:
    """The estate of the next workbook, and for each table the rows of the present one that it keeps, by position
    among everybody's (`inputs.owners.both_sides`).
    """

    estate: Estate
    kept: Mapping[str, Ints]


def open_year(estate: Estate, on: date) -> Estate:
    """The estate of the next workbook: opening stock as closed on that date, and every row dated after it.

    CostingError where that date was never closed.
    """
    return opened(estate, on).estate


def opened(estate: Estate, on: date) -> Opened:
    """As `open_year`, with the rows that stay."""
    estate = both_sides(estate)
    limit = pd.Timestamp(on)
    stock, costs, shares = (closed(estate, f"yearend_{name}", on) for name in ("stock", "costs", "composition"))
    if not len(stock):
        known = sorted(
            str(pd.Timestamp(day).date()) for day in estate["yearend_stock"]["closing_date"].dropna().unique()
        )
        message = (
            f"{on} has not been closed (closed: {', '.join(known) or 'none'}). "
            "Run `costing close` with that date first."
        )
        raise CostingError(message)
    tables = {name: estate[name].copy() for name in estate.tables}
    for name in _DATED:
        tables[name] = tables[name][tables[name]["on_date"] > limit]
    tables["pools"] = _pools_from(estate, limit)
    filled = _filled_since(tables, stock, limit)
    direct = tables["costs"]  # one on a lot that was empty then has been carried with the wine that was in it
    tables["costs"] = _still_to_share(estate, direct[_on_wine(direct, filled)], costs, on)
    values = tables["market_values"]
    tables["market_values"] = values[(values["lot"].isna() | values["lot"].astype(str).isin(set(filled))).to_numpy()]
    trials = tables["trial_blends"]
    tables["trial_blends"] = trials[(trials["line"] != "lot") | trials["lot"].astype(str).isin(set(filled))]
    tables["grape_prices"] = _without_frozen_premiums(tables["grape_prices"], tables["deliveries"])
    kept = {name: table.index.to_numpy(dtype=np.int64) for name, table in tables.items()}
    kept |= dict.fromkeys((*OPENING_TABLES, *YEAR_END), np.zeros(0, dtype=np.int64))
    tables["opening_stock"] = as_table(
        "opening_stock", stock.drop(columns=["closing_date", "version"]).assign(on_date=limit)
    )
    gone = costs["way_out"].notna()
    costs = costs.assign(lot=costs["lot"].astype(object).where(~gone, None))
    tables["opening_costs"] = as_table("opening_costs", costs.drop(columns=["closing_date", "version"]))
    tables["opening_composition"] = as_table("opening_composition", shares.drop(columns=["closing_date", "version"]))
    for name in YEAR_END:
        tables[name] = empty_table(name)
    following = replace(
        estate,
        settings=estate.settings.model_copy(update={"accounts_approved_on": None}),  # the closing holds it
        tables={name: as_table(name, table) for name, table in tables.items()},
        sources=_numbered(estate, tables),
    )
    return Opened(own_part(following), kept)


def _without_frozen_premiums(listed: pd.DataFrame, deliveries: pd.DataFrame) -> pd.DataFrame:
    """Grape prices without the final premiums of deliveries that the closing holds."""
    final = listed["final_premium_per_kg"].notna().to_numpy()
    given = set(fitting_premiums(deliveries, listed).tolist())
    frozen = final & ~np.isin(np.arange(len(listed)), sorted(given))
    without = listed.assign(
        final_premium_per_kg=listed["final_premium_per_kg"].mask(frozen),
        premium_date=listed["premium_date"].mask(frozen),
    )
    return without[~frozen | without["price_per_kg"].notna().to_numpy()]


def _filled_since(
    tables: Mapping[str, pd.DataFrame], stock: pd.DataFrame, limit: pd.Timestamp
) -> dict[str, pd.Timestamp]:
    """Lots of the next workbook, and the day from which each holds something."""
    filled = {str(lot): limit for lot in stock["lot"]}
    for name in ("deliveries", "pressings", "movements", "tirage", "disgorgements"):
        for column in sheets()[name].columns:
            if column.introduces and column.refers == "lot":
                later = tables[name][tables[name]["on_date"] > limit]
                first = later.groupby(later[column.name].astype(str))["on_date"].min()
                filled |= {str(lot): min(day, filled.get(str(lot), day)) for lot, day in first.items()}
    return filled


def _on_wine(costs: pd.DataFrame, filled: Mapping[str, pd.Timestamp]) -> np.ndarray:
    """Rows of direct costs on a lot that holds something in the next workbook by their day."""
    since = pd.to_datetime(costs["lot"].astype(str).map(filled))
    return (costs["on_date"] >= since).to_numpy()


def left_out(estate: Estate, on: date) -> list[Finding]:
    """Caution for each later cost on a lot that was empty at the closing, where the closing did not know of it: what it
    was spent on has gone into other lots, so that neither the frozen costs nor the next workbook hold it.
    """
    estate = both_sides(estate)
    limit = pd.Timestamp(on)
    frozen = closed(estate, "yearend_costs", on)
    filled = _filled_since(estate.tables, closed(estate, "yearend_stock", on), limit)
    costs = estate["costs"]
    known = set(zip(frozen["incurred_date"], frozen["element"].astype(str), strict=True))
    late = (costs["on_date"] > limit).to_numpy() & ~_on_wine(costs, filled)
    late &= np.array(
        [key not in known for key in zip(costs["on_date"], costs["element"].astype(str), strict=True)], bool
    )
    rule = f"is spent on a lot that was empty at the closing of {on}, which did not know of it: it is not carried on."
    remedy = "Close once more with --again, which shares it out as the wine went; or enter it on the lot that holds it."
    return list(Rows(estate, "costs").findings(late, "lot", rule, remedy, CAUTION))


def _still_to_share(estate: Estate, costs: pd.DataFrame, frozen: pd.DataFrame, on: date) -> pd.DataFrame:
    """Costs without what of them belongs to wine that had left its lot by a day, which was frozen; a cost that was
    entered only after the closing stays whole.
    """
    if not len(costs):
        return costs
    chain = trace(estate)
    closing = int(np.datetime64(on, "D").astype(np.int64))
    part, _ = shared_after(chain, codes(costs["lot"], chain.lots.names), days(costs["on_date"]), closing)
    known = set(zip(frozen["incurred_date"], frozen["element"].astype(str), strict=True))
    was_known = [key in known for key in zip(costs["on_date"], costs["element"].astype(str), strict=True)]
    return costs.assign(amount=costs["amount"] * np.where(was_known, part, 1.0))


def _pools_from(estate: Estate, limit: pd.Timestamp) -> pd.DataFrame:
    """Pools whose period ends after a day, and the last period of each that has none, its capacity filled in."""
    pools = estate["pools"]
    open_ = pools["to_date"] > limit
    last = ~open_ & (pools["to_date"] == pools.groupby("pool", observed=True)["to_date"].transform("max"))
    periods = pd.MultiIndex.from_frame(pools[["from_date", "to_date"]])
    serves = pools["serves"].notna() & ~open_
    shared = periods.isin(periods[(serves & periods.isin(periods[last])).to_numpy()])  # a service needs all it serves
    kept = open_ | last | (shared & ~open_)
    if not (kept & ~open_).any():
        return pools[kept]
    money = CommonMoney(estate, trace(estate))
    money.charge_pools()
    used = money.pools.capacity()
    blank = (~open_ & pools["driver"].notna()).to_numpy() & (used > 0)
    return pools.assign(normal_capacity=np.where(blank, used, pools["normal_capacity"].to_numpy(dtype=float)))[kept]


def _numbered(estate: Estate, tables: Mapping[str, pd.DataFrame]) -> dict[str, Sources]:
    return {
        name: Sources(
            np.full(len(table), sheets()[name].title, dtype=object),
            np.arange(2, len(table) + 2),
            estate.sources[name].letters,
            estate.sources[name].units,
        )
        for name, table in tables.items()
    }
