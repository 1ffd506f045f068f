"""Vats in January: every vat, reserve and blend on hand, what it is worth, and what it would bring used, kept or sold.

    keeping a litre for a year costs  (v·g + s)/(1 − n) − v  for each litre that is left
    worth keeping at                  (m·g + s)/(1 − n):  sell now if it will be worth less in a year
    gain if sold = (m − v)·litres     gain if kept = (m₁·(1 − n)/g − s/g − v)·litres
    gain if used = (c − v)·litres that the blend takes:  the average litre of the blend need not be found

v: economic value per litre; m, m₁: market value now and in a year; c: average cost per litre of the blend, in
today's money; g: growth of money over the year; s: storage of the year at its end; n: yearly norm of loss.

Conventions: a wine kept a year is valued as reserve wine, at the market value in force then (today's where no
later one is entered). A blend is the next one planned for a cuvée, else the last one made, at its cost then;
the vat takes the place of its average, litre for litre, and no more than the blend holds. A vat could join a
blend that has wine of its sort already (1 % or more): reserve, second pressing, its main variety; red wine joins a
rosé alone, a cuvée takes what `Only from` names and nothing else, liqueurs join none.
Gain if used looks at blends that are planned, at the last ones where none is. Without a market
value the columns that need it are blank. The three gains stand side by side and the one that brings most is named:
the palate and the rules of place decide what may join which cuvée, and whether a wine sold can be bought again.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from costing.answers.answer import Answer
from costing.decisions.cellar.cuvee_blends import cuvee_blends, is_liqueur, next_or_last
from costing.decisions.cellar.what_may_join import may_join
from costing.decisions.keeping_costs import pools_per_unit_year, storage_per_litre_year, yearly_loss
from costing.decisions.plan.ageing_tables import hurdle_curve
from costing.engine.carrying import DAYS_A_YEAR, mean_growth
from costing.graph.arrays import Floats, Ints
from costing.model import Runs
from costing.results.composition import OTHER, UNKNOWN, Composition
from costing.results.lots import as_dates
from costing.results.net_realisable import market_value_per_unit, net_realisable_value
from costing.results.results import Results
from costing.results.stock import stock_values

BoolArray = npt.NDArray[np.bool_]

_MADE_OF = ("reserve", "second_pressing", "vintages", "varieties", "villages")
YEAR_DAYS = int(DAYS_A_YEAR)
_SOME = 0.01  # share from which a blend has wine of a sort


def vats(runs: Runs) -> Answer:
    """Every lot of must, wine, reserve and blend at the valuation date: its value, what it brings used now, kept a
    year or sold, what it is made of, and what it would do to every blend that it could join.
    """
    table, joined = runs.once(_vats_and_blends)
    table = _with_use(table)
    tables = {"vats": table.drop(columns=list(_MADE_OF)), "vats_made_of": table[["lot", *_MADE_OF]]}
    empty = "No must, wine or reserve is on hand at the valuation date."
    return Answer({**tables, "vats_in_blends": joined}, facts={"currency": runs.currency}, empty=empty)


def _with_use(table: pd.DataFrame) -> pd.DataFrame:
    """What brings most of the three, where all that is known speaks of it; those with most at stake first."""
    names = ["gain_if_used", "gain_if_kept", "gain_if_sold"]
    if not len(table):
        return table
    gains = table[names].to_numpy(dtype=float)
    known = np.isfinite(gains).any(axis=1)
    best = np.where(known, np.nanargmax(np.where(np.isfinite(gains), gains, -np.inf), axis=1), -1)
    words = np.array(["keep a year", "sell", ""], dtype=object)[best - 1]
    use = np.where(best == 0, "use in " + table["used_in"].astype(str), words)
    brings = np.where(known, np.where(np.isfinite(gains), gains, -np.inf).max(axis=1), np.nan)
    table = table.assign(use=np.where(known, use, "no value given"), gain_of_use=brings)
    order = np.argsort(-np.nan_to_num(np.abs(brings)), kind="stable")
    return table.iloc[order].reset_index(drop=True)


def _vats_and_blends(runs: Runs) -> tuple[pd.DataFrame, pd.DataFrame]:
    book, economic, chain = runs.book, runs.economic, runs.chain
    today = np.int64(chain.valuation_day)
    stock = stock_values(economic)
    stock = stock[stock["unit"] == "L"].reset_index(drop=True)
    if not len(stock):
        return pd.DataFrame(columns=["lot", *_MADE_OF]), pd.DataFrame(columns=["lot"])
    lots = chain.lots.names.get_indexer(pd.Index(stock["lot"].astype(str))).astype(np.int64)
    state = chain.state_on(lots, np.full(len(lots), today))
    booked = net_realisable_value(book).set_index("lot").loc[stock["lot"]]
    litres, full = stock["quantity"].to_numpy(), stock["value_per_unit"].to_numpy()
    market = booked["market_per_unit"].to_numpy(dtype=float)
    as_reserve = stock.assign(kind="reserve")
    in_a_year = market_value_per_unit(economic.estate, as_reserve, int(today) + YEAR_DAYS)
    curve = hurdle_curve(economic)
    growth = float(curve.growth(today, today + YEAR_DAYS))
    rate = _storage(economic, stock, lots)
    storage = rate * mean_growth(np.log(growth))  # paid evenly over the year
    stages = stock["stage"].astype(str)
    loss = np.array([yearly_loss(economic.estate, stage) for stage in stages])
    mix = runs.composition
    joined = _in_blends(economic, stock, state, rate, mix)
    ready = joined[joined["planned"]] if joined["planned"].any() else joined
    best_use = ready.sort_values("gain_in_blend", kind="stable").drop_duplicates("lot", keep="last").set_index("lot")
    used = stock["lot"].map(best_use["gain_in_blend"]).to_numpy(dtype=float)
    kept = (in_a_year * (1.0 - loss) / growth - storage / growth - full) * litres
    sold = (market - full) * litres
    table = pd.DataFrame(
        {
            "lot": stock["lot"],
            "kind": stock["kind"],
            "litres": litres,
            "book_per_litre": booked["value_per_unit"].to_numpy(),
            "economic_per_litre": full,
            "market_per_litre": market,
            "year_per_litre": (full * growth + storage) / (1.0 - loss) - full,
            "worth_keeping_at": (market * growth + storage) / (1.0 - loss),
            "gain_if_used": used,
            "used_in": stock["lot"].map(best_use["cuvee"]).astype(object).fillna(""),
            "gain_if_kept": kept,
            "gain_if_sold": sold,
            "reserve": mix.reserve[state],
            "second_pressing": mix.second_pressing[state],
            "vintages": in_short(mix.shares(state, "vintage")),
            "varieties": in_short(mix.shares(state, "variety")),
            "villages": in_short(mix.shares(state, "village")),
        }
    )
    return table, joined


def _storage(results: Results, stock: pd.DataFrame, lots: Ints) -> Floats:
    """Storage of a litre for the year to come: rate and pools at the valuation date."""
    today = results.chain.valuation_day
    at = np.array([today])
    stages = stock["stage"].astype(str)
    by_stage = {stage: storage_per_litre_year(results.estate, stage, at, today)[0] for stage in set(stages)}
    return np.array([by_stage[stage] for stage in stages]) + pools_per_unit_year(results, lots, at)[:, 0]


def _in_blends(results: Results, stock: pd.DataFrame, state: Ints, storage: Floats, mix: Composition) -> pd.DataFrame:
    """What each wine lot would do to the next or last blend of every cuvée, lots by blends."""
    chain, today = results.chain, results.chain.valuation_day
    blends = next_or_last(cuvee_blends(results))
    blends = blends[blends["litres"] > 0]
    here = blends["state"].to_numpy(dtype=np.int64)
    cuvees = [str(name) for name in blends["cuvee"]]
    vat, blend = np.nonzero(_could_join(mix, state, here) & may_join(results.estate, mix, state, cuvees))
    cost_per_l = results.total[here] / chain.states.quantity[here]
    day = blends["day"].to_numpy(dtype=np.int64)
    ahead = np.maximum(day, today)
    growth = hurdle_curve(results).growth(np.full(len(day), today), ahead)
    years = (ahead - today) / DAYS_A_YEAR
    full, litres = stock["value_per_unit"].to_numpy(), stock["quantity"].to_numpy()
    then = full[vat] * growth[blend] + storage[vat] * years[blend]
    whole = blends["litres"].to_numpy()[blend]
    fits = np.minimum(litres[vat], whole)
    part = fits / whole
    per_bottle = (blends["litres"] / blends["bottles_75cl"]).to_numpy()[blend]

    def mixed(share: Floats) -> tuple[Floats, Floats]:
        before = share[here][blend]
        return before, before + part * (share[state][vat] - before)

    reserve, second = mixed(mix.reserve), mixed(mix.second_pressing)
    return pd.DataFrame(
        {
            "lot": stock["lot"].to_numpy(dtype=object)[vat],
            "cuvee": blends["cuvee"].to_numpy(dtype=object)[blend],
            "blend": blends["wine_lot"].to_numpy(dtype=object)[blend],
            "tirage_date": as_dates(day[blend]),
            "planned": blends["planned"].to_numpy()[blend],
            "litres_that_fit": fits,
            "part_of_blend": part,
            "change_of_blend_per_bottle": part * (then - cost_per_l[blend]) * per_bottle,
            "reserve_of_blend": reserve[0],
            "reserve_with_it": reserve[1],
            "second_pressing_of_blend": second[0],
            "second_pressing_with_it": second[1],
            "gain_in_blend": (cost_per_l[blend] - then) / growth[blend] * fits,
        }
    )


def _could_join(mix: Composition, vats: Ints, blends: Ints) -> BoolArray:
    """Whether each blend has wine of the sort of each vat already [vats, blends]."""
    both = mix.shares(np.concatenate([vats, blends]), "variety")
    shares = both[[name for name in both.columns if name not in (OTHER, UNKNOWN)]].to_numpy()
    ours, theirs = shares[: len(vats)], shares[len(vats) :]
    fits = np.tile(~is_liqueur(mix, vats)[:, np.newaxis], len(blends))
    if shares.shape[1]:
        known = ours.max(axis=1) > 0
        fits &= (theirs[:, ours.argmax(axis=1)].T >= _SOME) | ~known[:, np.newaxis]
    for share in (mix.reserve, mix.second_pressing):
        fits &= (share[vats] < 0.5)[:, np.newaxis] | (share[blends] >= _SOME)
    return fits


def in_short(shares: pd.DataFrame) -> list[str]:
    """Names with their share, largest first, those under 5 % left out."""
    said = []
    for row in shares.to_numpy():
        large = [(name, share) for name, share in zip(shares.columns, row.tolist(), strict=True) if share >= 0.05]
        large.sort(key=lambda pair: -pair[1])
        said.append(", ".join(f"{name} {share:.0%}" for name, share in large))
    return said
