"""Where the market or the cellar binds: the best split of stacks over dates, and what a place in the cellar
is worth.

    market   the split of all stacks of one cuvée and format over the candidate dates with the highest net
             present value, when the market takes only so many bottles a month
    cellar   NPV of one cycle of a place: bottled today, sold after T years, less the cost at tirage; used
             again and again it is worth NPV_T / (1 − ((1 + e)/(1 + r))^T), with hurdle r and price change e

Conventions: those of `costing.decisions.ageing_tables`. Of a market that does not bind nothing is said. A
cycle begins at the economic cost of the last tirage of its cuvée and format, sells at once and is repeated
for ever; all its money rises by the yearly change of its prices, so that the hurdle net of it discounts the
cycles to come. Places are counted in bottles of one format. Arithmetic: `costing.decisions.scarcity`.
Not here: a cellar that is full for some years only.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.decisions.ageing import HoldOrRelease
from costing.decisions.ageing_tables import (
    Holding,
    ex_cellar_price,
    holding,
    hurdle_curve,
    minimum_months,
)
from costing.decisions.keeping_costs import (
    good_share,
    last_riddling,
    pools_per_unit_year,
    riddling_by_cuvee,
    storage_per_bottle_year,
    yearly_loss,
)
from costing.decisions.release_dates import Stacks, age_in_months, candidate_days, grid_on_curve, worth_by_date
from costing.decisions.scarcity import npv_in_full_cellar, rotation_value, split_release
from costing.decisions.selling import finished_and_sent
from costing.engine.carrying import DAYS_A_YEAR, RateCurve
from costing.graph.arrays import Floats, Flow, Ints
from costing.results.lots import as_dates, lot_labels
from costing.results.results import Results

SPLITS = {
    "cuvee": "Cuvée",
    "format": "Format",
    "lot": "Lot",
    "date": "Release",
    "drawn": "Bottles of today drawn",
    "released": "Bottles released",
    "worth_of_market": "Worth of one bottle more that the market took",
}
PLACES = {
    "cuvee": "Cuvée",
    "format": "Format",
    "cost_at_tirage": "Economic cost per bottle at tirage",
    "months_once": "Best months, once",
    "npv_once": "Net present value, once",
    "months_again": "Best months, again and again",
    "worth_of_place": "Worth of a place",
    "price_rise": "Yearly rise of its money",
}
FULL_CELLAR = {
    "lot": "Lot",
    "cuvee": "Cuvée",
    "format": "Format",
    "release": "Best release",
    "release_full": "Best release if the cellar is full",
    "worth_of_place": "Worth of a place",
}


def best_splits(results: Results, held: Holding | None = None) -> pd.DataFrame:
    """How to release the stacks of each cuvée and format over the dates where its market binds (`SPLITS`).

    A stack that the table leaves out is not released within the horizon. drawn counts the bottles of today,
    released the survivors of them; all are put to disgorging.
    """
    held = holding(results) if held is None else held
    rows: list[dict[str, object]] = []
    takes = held.stacks.market_per_month[:, 0]
    for market in range(int(held.market.max(initial=-1)) + 1):
        here = np.flatnonzero(held.market == market)
        if len(held.at) < 2 or not 0 < takes[here[0]] < np.inf:
            continue
        plan = split_release(held.stacks.rows(here), held.at, held.curve, takes[here[0]])
        if not (plan.worth_of_market > 1e-9).any():
            continue
        for stack, date in zip(*np.nonzero(plan.drawn > 1e-6), strict=True):
            one = held.stock.iloc[here[stack]]
            rows.append(
                {
                    **{name: one[name] for name in ("cuvee", "format", "lot")},
                    "date": as_dates(held.at[[date]])[0],
                    "drawn": plan.drawn[stack, date],
                    "released": plan.released[stack, date],
                    "worth_of_market": plan.worth_of_market[date],
                }
            )
    return pd.DataFrame(rows, columns=list(SPLITS)).sort_values(["cuvee", "format", "date", "lot"], ignore_index=True)


def cellar_places(results: Results) -> pd.DataFrame:
    """Best time on lees of each cuvée and format bottled up to now: sold once, and with the place filled again.

    results: on the economic basis. Cuvées without a price by age, or whose prices rise as fast as the hurdle,
    are left out.
    """
    estate = results.estate
    curve = hurdle_curve(results)
    today, step = results.chain.valuation_day, estate.settings.ageing_step_months
    rows: list[dict[str, object]] = []
    table = estate["price_by_age"]
    for (cuvee, size), (lot, cost) in _last_tirage(results).items():
        mine = table[(table["cuvee"] == cuvee) & (table["format"] == size)]
        if not len(mine):
            continue
        at = candidate_days(today, step, int(mine["months_on_lees"].max()))
        rise = float(np.nan_to_num(mine["escalation"].to_numpy()).mean())
        net_rate = _rate_net_of_rise(curve, at, rise)
        stack = _cycle(results, cuvee, size, lot, at)
        usable = (stack.reasons() == 0)[0]
        if not usable.any() or net_rate <= 0:
            continue
        grid = grid_on_curve(at, curve)
        npv = np.where(usable, worth_by_date(stack, grid).npv[0] - cost, np.nan)
        again = rotation_value(npv, grid.years, net_rate)
        once = int(np.nanargmax(npv))
        best = int(np.nanargmax(again)) if np.isfinite(again).any() else once
        months = age_in_months(at[0], at)
        rows.append(
            {
                "cuvee": cuvee,
                "format": size,
                "cost_at_tirage": cost,
                "months_once": months[once],
                "npv_once": npv[once],
                "months_again": months[best],
                "worth_of_place": again[best],
                "price_rise": rise,
            }
        )
    return pd.DataFrame(rows, columns=list(PLACES)).sort_values(["cuvee", "format"], ignore_index=True)


def full_cellar(held: Holding, found: HoldOrRelease, places: pd.DataFrame) -> pd.DataFrame:
    """Best release of each stack alone, and where its places are wanted for the next cycle of its own cuvée.

    found: of `hold_or_release_tables`; places: `cellar_places(results)`. A place whose cycle earns nothing,
    or of which nothing is known, is worth 0. A place freed later is worth more by the yearly rise of prices.
    """
    keys = [(str(cuvee), str(size)) for cuvee, size in zip(held.stock["cuvee"], held.stock["format"], strict=True)]
    of = places.set_index([places["cuvee"].astype(str), places["format"].astype(str)])
    worth = np.array([of["worth_of_place"].get(key, 0.0) for key in keys]).clip(min=0.0)
    rise = np.log1p(np.array([of["price_rise"].get(key, 0.0) for key in keys]))
    grid = grid_on_curve(held.at, held.curve)
    wanted = npv_in_full_cellar(
        found.worth.npv, grid.log_index - rise[:, np.newaxis] * grid.years, held.stacks.bottles[:, 0], worth
    )
    usable = found.reason == 0
    labels = {name: held.stock[name].to_numpy(dtype=object) for name in ("lot", "cuvee", "format")}
    dates = {
        name: _dates(np.where(usable, value, -np.inf), held.at)
        for name, value in (("release", found.worth.npv), ("release_full", wanted))
    }
    return pd.DataFrame({**labels, **dates, "worth_of_place": worth})


def _dates(worth: Floats, at: Ints) -> np.ndarray:
    """Date of the highest worth of each row; NaT where none is possible."""
    dates = as_dates(at[worth.argmax(axis=1)])
    return np.where(np.isfinite(worth).any(axis=1), dates, np.datetime64("NaT", "s"))


def _last_tirage(results: Results) -> dict[tuple[str, str], tuple[int, float]]:
    """Lot and cost per bottle at the last tirage of each cuvée and format up to the valuation date."""
    chain = results.chain
    flows = chain.flows
    rows = np.flatnonzero((flows.kind == Flow.TIRAGE) & (flows.day <= chain.valuation_day))
    rows = rows[np.argsort(flows.day[rows], kind="stable")]
    labels = lot_labels(results.estate, chain)
    cost = results.total[chain.states.batch_state[flows.batch[rows]]] / flows.into[rows]
    lots = flows.target[rows]
    keys = zip(labels.cuvee[lots].astype(str), labels.format[lots].astype(str), strict=True)
    return dict(zip(keys, zip(lots.tolist(), cost.tolist(), strict=True), strict=True))


def _rate_net_of_rise(curve: RateCurve, at: Ints, rise: float) -> float:
    """Hurdle a year over the dates, net of the yearly rise of prices."""
    last = max(int(at[-1]), int(at[0]) + int(DAYS_A_YEAR))
    log_growth = float(curve.log_index(last) - curve.log_index(at[0]))
    return float(np.exp(log_growth * DAYS_A_YEAR / (last - int(at[0]))) / (1.0 + rise) - 1.0)


def _cycle(results: Results, cuvee: str, size: str, lot: int, at: Ints) -> Stacks:
    """One bottle, filled on the first of the dates and released on each of them; kept where `lot` lies."""
    estate, today = results.estate, results.chain.valuation_day
    how = last_riddling(riddling_by_cuvee(estate, lot_labels(estate, results.chain)), cuvee, size)
    months = age_in_months(at[0], at)
    kept = storage_per_bottle_year(estate, "on lees", size, at, today)
    return Stacks(
        bottles=np.ones(1),
        price=ex_cellar_price(estate, cuvee, size, months, at)[np.newaxis] * good_share(estate),
        finishing=finished_and_sent(estate, size, how, at, today)[np.newaxis],
        age_months=months[np.newaxis],
        storage_per_bottle_year=kept[np.newaxis] + pools_per_unit_year(results, np.array([lot]), at),
        survival_per_year=np.array([1.0 - yearly_loss(estate, "on lees")]),
        minimum_months=minimum_months(estate, np.array([cuvee], dtype=object), at[:1], today),
    )
