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

from dataclasses import dataclass

import numpy as np
import pandas as pd

from costing.array_types import Flags, Floats, Ints, Names
from costing.graph.arrays import OPERATIONS, STAGES, days
from costing.graph.flows import movement_norms, yearly_norms
from costing.inputs.estate import Estate
from costing.inputs.in_force import key_text, row_in_force, series_of
from costing.money.postings import TABLE_NAMES
from costing.money.rates import escalated
from costing.results.lots import LotLabels
from costing.results.results import Results
from costing.units import FORMATS_L

_KEYS = ("operation", "driver", "stage", "item", "format", "presentation", "element")


@dataclass(frozen=True, eq=False)
class DatedRates:
    """A sheet of dated rates: its key columns ("" where blank), money of each row for one of its units, day from which
    and yearly change with which it holds, and the rows of each series.
    """

    keys: dict[str, Names]
    amount: Floats
    since: Ints
    yearly: Floats
    series: tuple[Ints, ...]

    def rows(self, **wanted: str) -> Flags:
        """Rows whose key columns are as wanted [rows]."""
        rows = np.ones(len(self.amount), dtype=bool)
        for name, value in wanted.items():
            rows &= self.keys[name] == value
        return rows

    def fitting(self, **wanted: str) -> Flags:
        """Rows whose key columns are as wanted, or blank [rows]."""
        rows = np.ones(len(self.amount), dtype=bool)
        for name, value in wanted.items():
            rows &= (self.keys[name] == value) | (self.keys[name] == "")
        return rows

    def on(self, rows: Flags, day: Ints, today: int) -> Floats:
        """Sum over the series among `rows` of what holds on each day [t]; 0 before the first row of a series.

        rows: whole series; today: valuation day, after which the yearly change counts.
        """
        total = np.zeros(len(day))
        for series in self.series:
            if rows[series[0]]:
                row = row_in_force(series, self.since, day)
                rate = escalated(self.amount[row], self.yearly[row], self.since[row], day, today)
                total += np.where(row >= 0, rate, 0.0)
        return total


def operation_rates(estate: Estate) -> DatedRates:
    """Operation rates of an estate."""
    return estate.once(_operation_rates)


def _operation_rates(estate: Estate) -> DatedRates:
    return _dated(estate["operation_rates"], estate["operation_rates"]["amount"].to_numpy())


def dry_goods(estate: Estate) -> DatedRates:
    """Dry goods of an estate, priced for one bottle."""
    return estate.once(_dry_goods)


def _dry_goods(estate: Estate) -> DatedRates:
    goods = estate["dry_goods"]
    return _dated(goods, goods["unit_price"].to_numpy() * goods["quantity_per_bottle"].fillna(1.0).to_numpy())


def _dated(frame: pd.DataFrame, amount: Floats) -> DatedRates:
    keys = {name: frame[name] for name in _KEYS if name in frame}
    since = days(frame["from_date"])
    series = series_of([column.cat.codes.to_numpy() for column in keys.values()], since)
    return DatedRates(
        key_text(frame, keys), amount, since, np.nan_to_num(frame["escalation"].to_numpy()), tuple(series)
    )


def work_per_bottle(estate: Estate, operation: str, stage: str, bottle_format: str, at: Ints, today: int) -> Floats:
    """Operation rates of one operation for one bottle: per bottle put in, and per good bottle [2, t]."""
    rates = operation_rates(estate)
    fits = rates.rows(operation=operation) & rates.fitting(format=bottle_format, stage=stage)

    def charged(driver: str) -> Floats:
        return rates.on(fits & rates.rows(driver=driver), at, today)

    return np.stack([charged("bottle in") + FORMATS_L[bottle_format] * charged("litre"), charged("bottle out")])


def dry_goods_per_bottle(estate: Estate, stages: tuple[str, ...], bottle_format: str, at: Ints, today: int) -> Floats:
    """Dry goods of these stages for one good bottle, presentations left out [t]."""
    goods = dry_goods(estate)
    of_stages = np.any([goods.rows(stage=stage) for stage in stages], axis=0)
    return goods.on(of_stages & goods.rows(presentation="") & goods.fitting(format=bottle_format), at, today)


def presentation_per_bottle(estate: Estate, presentation: str, bottle_format: str, at: Ints, today: int) -> Floats:
    """Dry goods of a presentation for one bottle leaving in it on each day [t]."""
    goods = dry_goods(estate)
    return goods.on(goods.rows(presentation=presentation) & goods.fitting(format=bottle_format), at, today)


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
    rates = operation_rates(estate)
    return rates.on(rates.rows(driver=driver) & rates.fitting(format=bottle_format, stage=stage), at, today)
