"""What a bottle of 75 cl takes from the vat to its release: litres, work, dry goods, storage, finishing, capital.

    litres drawn per bottle  w = 0.75·(1 − q)/((1 − n)·(1 − m))
    cost at tirage           (value per litre + work of blending)·w + work and dry goods of tirage
    cost at release          ((cost at tirage·g + storage)/survivors + finishing)/(good share of disgorging)

q: liqueur's part of the mixture at the last tirage of the cuvée, or a usual one where no row says it; n, m: norms of
blending and of bottling; g: growth of money on the basis over the months on lees.

Conventions: bottled on the valuation date at the rates of that day, released after as many months as the last
release of the cuvée, at the rates of then. Storage is paid on every bottle filled, where the last tirage of
the cuvée lies. What the cellar spends on a dosage liqueur is not in it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from costing.array_types import Floats, Ints
from costing.calendar import DAYS_A_YEAR, add_months
from costing.decisions.cellar.cuvee_blends import cuvee_blends, last_blends
from costing.decisions.keeping_costs import (
    dry_goods_per_bottle,
    finishing_per_bottle,
    good_share,
    last_riddling,
    pools_per_unit_year,
    riddling_by_cuvee,
    storage_per_bottle_year,
    yearly_loss,
)
from costing.engine.carrying import NO_INTEREST, AccrualCurve, day_numbers
from costing.graph.arrays import OPERATIONS, days
from costing.graph.flows import movement_norms
from costing.inputs.estate import Estate
from costing.model import Runs
from costing.money.dated_rates import dated_rates
from costing.once import asked_once
from costing.results.costs import releases
from costing.results.results import Results
from costing.units import FORMATS_L

_STEP_DAYS = 30  # storage that rises in plans does so in steps of as many days, as in a run
USUAL_TIRAGE_SUGAR_G_PER_L = 24.0
"""Sugar that a litre of the mixture is bottled with, for about 6 bar: common practice, no source."""


@dataclass(frozen=True)
class FillingCost:
    """What filling a bottle takes: litres drawn from the lots, and on each day blending work per litre drawn and
    tirage per bottle [days].
    """

    drawn_l: float
    blending_per_l: Floats
    tirage: Floats

    @property
    def work(self) -> Floats:
        """Money a bottle beside its wine, on each day."""
        return self.blending_per_l * self.drawn_l + self.tirage


@dataclass(frozen=True)
class PerBottle:
    """What a bottle of 75 cl of one cuvée takes: litres drawn from the lots, blending work per litre drawn,
    tirage per bottle; release day, and for each basis growth, worth of storage, and finishing.
    """

    drawn_l: float
    blending_per_l: float
    tirage: float
    release_day: int
    growth: dict[str, float]
    storage: dict[str, float]
    survivors: float
    finishing: float
    good: float

    def at_tirage(self, value_per_l: float) -> float:
        """Cost per bottle filled, from the mean value of a litre drawn."""
        return (value_per_l + self.blending_per_l) * self.drawn_l + self.tirage

    def at_release(self, cost_at_tirage: float, basis: str) -> float:
        """Cost per good bottle after the months on lees; NaN where their number is not known."""
        kept = cost_at_tirage * self.growth[basis] + self.storage[basis]
        return (kept / self.survivors + self.finishing) / self.good


@asked_once
def per_bottle(runs: Runs, cuvee: str) -> PerBottle:
    """What a bottle of a cuvée takes from now to its release, by the rates and norms of the estate."""
    estate, book, economic, today = runs.estate, runs.book, runs.economic, runs.today
    filled = filling(estate, cuvee, "bottle", np.array([today]), today)
    made = releases(economic)
    known_months = made.loc[
        (made["cuvee"] == cuvee) & (made["format"] == "bottle") & ~made["planned"], "months_on_lees"
    ].dropna()
    months = float(known_months.to_numpy()[-1]) if len(known_months) else np.nan
    day = today if np.isnan(months) else int(day_numbers(add_months(today, months)))
    years = np.nan if np.isnan(months) else (day - today) / DAYS_A_YEAR
    then = np.array([day])
    how = last_riddling(riddling_by_cuvee(estate, runs.labels), cuvee, "bottle")
    storage = _storage_curve(economic, cuvee, today, day)
    curves = {"book": book.charges.curve, "economic": economic.charges.curve}
    known = {basis: curve or NO_INTEREST for basis, curve in curves.items()}
    return PerBottle(
        drawn_l=filled.drawn_l,
        blending_per_l=float(filled.blending_per_l[0]),
        tirage=float(filled.tirage[0]),
        release_day=day,
        growth={basis: float(curve.growth(today, day)) for basis, curve in known.items()},
        storage={basis: float(storage.value_at_end(today, day, curve)) for basis, curve in known.items()},
        survivors=(1.0 - yearly_loss(estate, "on lees")) ** years,
        finishing=float(finishing_per_bottle(estate, "bottle", how, then, today)[0]),
        good=good_share(estate),
    )


def filling(estate: Estate, cuvee: str, size: str, on: Ints, today: int) -> FillingCost:
    """What filling a bottle of a cuvée and format takes on each day, by the rates and norms of the estate."""
    norms = movement_norms(estate)
    loss = [float(norms[OPERATIONS.index(name)]) for name in ("blending", "bottling")]
    wine_l = FORMATS_L[size] * (1.0 - _liqueur_part(estate, cuvee, today)) / (1.0 - loss[1])
    rates = dated_rates(estate, "operation_rates")

    def rate(operation: str, driver: str) -> Floats:
        fits = rates.rows(operation=operation, driver=driver) & rates.fitting(format=size)
        return rates.on(fits, on, today)

    work = rate("bottling", "bottle out") + rate("bottling", "litre") * wine_l
    goods = dry_goods_per_bottle(estate, ("tirage",), size, on, today)
    return FillingCost(wine_l / (1.0 - loss[0]), rate("blending", "litre"), work + goods)


def _liqueur_part(estate: Estate, cuvee: str, today: int) -> float:
    """Liqueur's part of the mixture at the last tirage of a cuvée up to now that says it.

    Where none does, as in a workbook just opened: `USUAL_TIRAGE_SUGAR_G_PER_L` of the mixture, at the setting
    Tirage liqueur (g/L).
    """
    table = estate["tirage"]
    table = table[days(table["on_date"]) <= today]
    table = table[(table["cuvee"] == cuvee) & (table["liqueur_l"] > 0) & table["wine_l"].notna()]
    if not len(table):
        return USUAL_TIRAGE_SUGAR_G_PER_L / estate.settings.tirage_liqueur_g_per_l
    last = table.sort_values("on_date", kind="stable").iloc[-1]
    return float(last["liqueur_l"] / (last["liqueur_l"] + last["wine_l"]))


def _storage_curve(results: Results, cuvee: str, today: int, until: int) -> AccrualCurve:
    """Storage of a bottle-year of a cuvée on lees: rates, and the pools where its last tirage lies."""
    steps: Ints = np.arange(today, max(until, today + 1), _STEP_DAYS)
    rate = storage_per_bottle_year(results.estate, "on lees", "bottle", steps, today)
    blends = last_blends(cuvee_blends(results))
    lots = results.chain.lots.names.get_indexer(pd.Index(blends.loc[blends["cuvee"] == cuvee, "bottle_lot"]))
    pools = pools_per_unit_year(results, lots.astype(np.int64), steps).sum(axis=0)
    return AccrualCurve(steps, rate + pools)
