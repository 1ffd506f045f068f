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

from costing.array_types import Floats, Ints
from costing.graph.arrays import OPERATIONS, STAGES
from costing.graph.flows import movement_norms, yearly_norms
from costing.inputs.estate import Estate
from costing.money.dated_rates import dated_rates
from costing.money.postings import TABLE_NAMES
from costing.results.lots import LotLabels
from costing.results.results import Results
from costing.units import FORMATS_L


def work_per_bottle(estate: Estate, operation: str, stage: str, bottle_format: str, day: Ints, today: int) -> Floats:
    """Operation rates of one operation for one bottle: per bottle put in, and per good bottle [2, t]."""
    rates = dated_rates(estate, "operation_rates")
    fits = rates.rows(operation=operation) & rates.fitting(format=bottle_format, stage=stage)

    def charged(driver: str) -> Floats:
        return rates.on(fits & rates.rows(driver=driver), day, today)

    return np.stack([charged("bottle in") + FORMATS_L[bottle_format] * charged("litre"), charged("bottle out")])


def dry_goods_per_bottle(estate: Estate, stages: tuple[str, ...], bottle_format: str, day: Ints, today: int) -> Floats:
    """Dry goods of these stages for one good bottle, presentations left out [t]."""
    goods = dated_rates(estate, "dry_goods")
    of_stages = np.any([goods.rows(stage=stage) for stage in stages], axis=0)
    return goods.on(of_stages & goods.rows(presentation="") & goods.fitting(format=bottle_format), day, today)


def presentation_per_bottle(estate: Estate, presentation: str, bottle_format: str, day: Ints, today: int) -> Floats:
    """Dry goods of a presentation for one bottle leaving in it on each day [t]."""
    goods = dated_rates(estate, "dry_goods")
    return goods.on(goods.rows(presentation=presentation) & goods.fitting(format=bottle_format), day, today)


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


def finishing_per_bottle(estate: Estate, bottle_format: str, riddling: str | None, day: Ints, today: int) -> Floats:
    """Riddling (by machine where it is not known), disgorging and dressing of a bottle put to it, on each day [t]."""
    put = np.zeros(len(day))
    good = dry_goods_per_bottle(estate, ("finishing", "dressing"), bottle_format, day, today)
    steps = ((riddling or "machine riddling", "finishing"), ("disgorgement", "finishing"), ("dressing", "dressing"))
    for operation, stage in steps:
        work = work_per_bottle(estate, operation, stage, bottle_format, day, today)
        put, good = put + work[0], good + work[1]
    return np.asarray(put + good_share(estate) * good)


def storage_per_bottle_year(estate: Estate, stage: str, bottle_format: str, day: Ints, today: int) -> Floats:
    """Operation rates per bottle-year in a stage for a format, at each day [t]."""
    return _storage(estate, "bottle-year", stage, bottle_format, day, today)


def storage_per_litre_year(estate: Estate, stage: str, day: Ints, today: int) -> Floats:
    """Operation rates per litre-year in a stage, at each day [t]."""
    return _storage(estate, "litre-year", stage, "", day, today)


def pools_per_unit_year(results: Results, lots: Ints, day: Ints) -> Floats:
    """Time pools that each lot bears at the valuation date, money per litre- or bottle-year [lots, t]."""
    chain = results.chain
    state = chain.state_on(lots, np.full(len(lots), chain.valuation_day))
    return time_pools_of_states(results, state, day)


def time_pools_of_states(results: Results, state: Ints, day: Ints) -> Floats:
    """Time pools that each state bears, money per litre- or bottle-year at each day [states, t]."""
    money = np.zeros((len(state), len(day)))
    pools = TABLE_NAMES.index("pools")
    for charge in results.charges.time_charges:
        if charge.table != pools:
            continue
        money[charge.bears[state]] += charge.curve.rate_on(day)
    return money


def yearly_loss(estate: Estate, stage: str) -> float:
    """Norm per year of a stage, as a fraction; 0 where none is given."""
    return float(yearly_norms(estate)[STAGES.index(stage)])


def _storage(estate: Estate, driver: str, stage: str, bottle_format: str, day: Ints, today: int) -> Floats:
    rates = dated_rates(estate, "operation_rates")
    return rates.on(rates.rows(driver=driver) & rates.fitting(format=bottle_format, stage=stage), day, today)
