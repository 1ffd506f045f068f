"""What it costs to keep a litre or a bottle for a year and to finish a bottle, on any day to come.

    rate on a day = Σ over series of the row in force · (1 + yearly change)^(years after the valuation date)
    storage       = operation rates per litre-year or bottle-year + time pools that the lot bears, as a rate
    finishing     = bottle in + (1 − norm of disgorgement) · (bottle out + dry goods),  per bottle put to it

Conventions: rates and dry goods are those of the estate's sheets for the format, presentations left out. A
pool costs its amount over the larger of normal capacity and use, as in every run; after its last period that
rate goes on, since a cellar does not become free when its budget ends. Pools of finishing are left out: they
are spent whichever year the bottles are disgorged in. Finished bottles pay the operation rates of finished
stock; where they will lie is not known, so no pool is charged to them.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.graph.arrays import OPERATIONS, STAGES, Floats, Ints, days
from costing.graph.flows import movement_norms, yearly_norms
from costing.inputs.estate import Estate
from costing.inputs.in_force import row_in_force, series_of
from costing.money.postings import TABLE_NAMES
from costing.money.rates import escalated
from costing.results.lots import LotLabels
from costing.results.results import Results
from costing.units import FORMATS_L

_KEYS = ("operation", "driver", "stage", "item", "format", "element")


def dated_rate(rows: pd.DataFrame, amount: Floats, at: Ints, today: int) -> Floats:
    """Sum over the series among `rows` of what holds at each day [t]; 0 before the first row of a series.

    rows: of a sheet with From and Yearly change; amount: of each row; today: valuation day, after which the
    yearly change counts.
    """
    total = np.zeros(len(at))
    if not len(rows):
        return total
    keys = [rows[name].cat.codes.to_numpy() for name in _KEYS if name in rows.columns]
    since, yearly = days(rows["from_date"]), np.nan_to_num(rows["escalation"].to_numpy())
    for series in series_of(keys, since):
        row = row_in_force(series, since, at)
        total += np.where(row >= 0, escalated(amount[row], yearly[row], since[row], at, today), 0.0)
    return total


def work_per_bottle(estate: Estate, operation: str, stage: str, bottle_format: str, at: Ints, today: int) -> Floats:
    """Operation rates of one operation for one bottle: per bottle put in, and per good bottle [2, t]."""
    rates = estate["operation_rates"]
    fits = (rates["operation"] == operation) & _fits(rates, bottle_format, stage)
    drivers = (("bottle in", 1.0), ("litre", FORMATS_L[bottle_format])), (("bottle out", 1.0),)
    found = np.zeros((2, len(at)))
    for side, named in enumerate(drivers):
        for driver, times in named:
            rows = rates[fits & (rates["driver"] == driver)]
            found[side] += times * dated_rate(rows, rows["amount"].to_numpy(), at, today)
    return found


def dry_goods_per_bottle(estate: Estate, stages: tuple[str, ...], bottle_format: str, at: Ints, today: int) -> Floats:
    """Dry goods of these stages for one good bottle, presentations left out [t]."""
    goods = estate["dry_goods"]
    fits = goods["format"].isna() | (goods["format"] == bottle_format)
    goods = goods[goods["stage"].isin(stages) & goods["presentation"].isna() & fits]
    price = goods["unit_price"].to_numpy() * goods["quantity_per_bottle"].fillna(1.0).to_numpy()
    return dated_rate(goods, price, at, today)


def good_share(estate: Estate) -> float:
    """Share of the bottles put to disgorging that come out good, by the norm."""
    return float(1.0 - movement_norms(estate)[OPERATIONS.index("disgorgement")])


def riddling_by_cuvee(estate: Estate, labels: LotLabels) -> dict[tuple[str, str], str]:
    """How bottles of each cuvée and format, and of each cuvée (format ""), were riddled last."""
    of_lot = dict(zip(labels.name, zip(labels.cuvee, labels.format, strict=True), strict=True))
    done = estate["disgorgements"].dropna(subset=["riddling"]).sort_values("on_date", kind="stable")
    how: dict[tuple[str, str], str] = {}
    for lot, riddling in zip(done["from_lot"], done["riddling"], strict=True):
        cuvee, size = of_lot.get(lot, ("", ""))
        how[str(cuvee), str(size)] = how[str(cuvee), ""] = str(riddling)
    return how


def last_riddling(how: dict[tuple[str, str], str], cuvee: str, bottle_format: str) -> str | None:
    """How a cuvée was riddled last: in the format, else in any; None where no row says. how: `riddling_by_cuvee`."""
    return how.get((cuvee, bottle_format), how.get((cuvee, "")))


def finishing_per_bottle(estate: Estate, bottle_format: str, riddling: str | None, at: Ints, today: int) -> Floats:
    """Cost of riddling (by machine where it is not known), disgorging and dressing per bottle put to it, at each
    day [t].
    """
    put = np.zeros(len(at))
    good = dry_goods_per_bottle(estate, ("finishing", "dressing"), bottle_format, at, today)
    steps = ((riddling or "machine riddling", "finishing"), ("disgorgement", "finishing"), ("dressing", "dressing"))
    for operation, stage in steps:
        one = work_per_bottle(estate, operation, stage, bottle_format, at, today)
        put, good = put + one[0], good + one[1]
    return np.asarray(put + good_share(estate) * good)


def storage_per_bottle_year(estate: Estate, stage: str, bottle_format: str, at: Ints, today: int) -> Floats:
    """Operation rates per bottle-year in a stage for a format, at each day [t]."""
    return _storage(estate, "bottle-year", stage, bottle_format, at, today)


def storage_per_litre_year(estate: Estate, stage: str, at: Ints, today: int) -> Floats:
    """Operation rates per litre-year in a stage, at each day [t]."""
    return _storage(estate, "litre-year", stage, "", at, today)


def pools_per_unit_year(results: Results, lots: Ints, at: Ints) -> Floats:
    """Time pools that each lot bears at the valuation date, money per litre- or bottle-year [lots, t]."""
    chain = results.chain
    state = chain.state_on(lots, np.full(len(lots), chain.valuation_day))
    return time_pools_of_states(results, state, at)


def time_pools_of_states(results: Results, state: Ints, at: Ints) -> Floats:
    """Time pools that each state bears, money per litre- or bottle-year at each day [states, t]."""
    found = np.zeros((len(state), len(at)))
    pools = TABLE_NAMES.index("pools")
    for charge in results.charges.time_charges:
        if charge.table != pools:
            continue
        since, rate = charge.curve.from_day, charge.curve.annual_rate
        step = row_in_force(np.arange(len(since)), since, at)
        found[charge.bears[state]] += np.where(step >= 0, rate[np.maximum(step, 0)], 0.0)
    return found


def yearly_loss(estate: Estate, stage: str) -> float:
    """Norm per year of a stage, as a fraction; 0 where none is given."""
    return float(yearly_norms(estate)[STAGES.index(stage)])


def _storage(estate: Estate, driver: str, stage: str, bottle_format: str, at: Ints, today: int) -> Floats:
    if stage not in STAGES:
        message = f"no such stage: {stage}"
        raise ValueError(message)
    rates = estate["operation_rates"]
    rows = rates[(rates["driver"] == driver) & _fits(rates, bottle_format, stage)]
    return dated_rate(rows, rows["amount"].to_numpy(), at, today)


def _fits(rates: pd.DataFrame, bottle_format: str, stage: str) -> pd.Series:
    of_format = rates["format"].isna() | (rates["format"] == bottle_format)
    return of_format & (rates["stage"].isna() | (rates["stage"] == stage))
