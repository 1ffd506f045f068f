"""Vats in January: every vat, reserve and blend on hand, what it is worth, and what it would bring used, kept or sold.

    keeping a litre for a year costs  (v·g + s)/(1 − n) − v  for each litre that is left
    worth keeping at                  (m·g + s)/(1 − n):  sell now if it will be worth less in a year
    gain if sold = (m − v)·litres     gain if kept = (m₁·(1 − n)/g − s/g − v)·litres
    gain if used = (u − s′ − v)·litres that the blend takes,  u = (worth of a bottle more − filling)/litres it draws

v: economic value per litre; m, m₁: market value now and in a year; g: growth of money over the year; s: storage of the
year at its end, s′: until tirage; n: yearly norm of loss. The worth of a bottle more of the blend is that of the plan
of all lots (`worth_in_plan`). All in today's money.

Conventions: a wine kept a year is valued as reserve wine, at the market value in force then (today's where no
later one is entered). A blend is the next one planned for a cuvée, else the last one made. The vat takes the place of
the blend's average, litre for litre, and no more than the blend holds. A vat could join a blend that has wine of its
sort already (1 % or more): reserve, second pressing, its main variety; red wine joins a rosé alone, a cuvée takes what
`Only from` names and nothing else, liqueurs join none. Gain if used looks at blends that are planned, at the last ones
where none is. Without a market value or a price by age the columns that need it are blank. The three gains are those of
a vat alone; what to do with it is said of all vats together (`best_uses`). The palate and the rules of place decide
what may join which cuvée, and whether a wine sold can be bought again.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.answers.answer import Answer
from costing.array_types import Flags, Floats, Ints
from costing.calendar import DAYS_A_YEAR
from costing.decisions.cellar.best_uses import NO_VALUE, Blends, best_uses, in_words
from costing.decisions.cellar.cuvee_blends import cuvee_blends, is_liqueur, next_or_last
from costing.decisions.cellar.what_may_join import may_join
from costing.decisions.cellar.worth_in_plan import worth_of_litre
from costing.decisions.keeping_costs import pools_per_unit_year, storage_per_litre_year, yearly_loss
from costing.decisions.plan.ageing_tables import hurdle_curve
from costing.engine.carrying import mean_growth
from costing.model import Runs
from costing.once import asked_once
from costing.results.composition import OTHER, RED, UNKNOWN, Composition
from costing.results.lots import as_dates
from costing.results.net_realisable import by_pressing, market_value_per_unit, net_realisable_value
from costing.results.results import Results
from costing.results.stock import stock_values

_MADE_OF = ("reserve", "second_pressing", "vintages", "varieties", "villages")
YEAR_DAYS = int(DAYS_A_YEAR)
LIQUEUR = "use as liqueur"
_SOME = 0.01  # share from which a blend has wine of a sort


@asked_once
def vats(runs: Runs) -> Answer:
    """Every lot of must, wine, reserve and blend at the valuation date: its value, what it brings used now, kept a
    year or sold, what it is made of, and what it would do to every blend that it could join.
    """
    table, joined = _vats_and_blends(runs)
    table, says = _with_use(runs, table, joined)
    tables = {"vats": table.drop(columns=list(_MADE_OF)), "vats_made_of": table[["lot", *_MADE_OF]]}
    empty = "No must, wine or reserve is on hand at the valuation date."
    return Answer({**tables, "vats_in_blends": joined}, (), says, {"currency": runs.currency}, empty)


def _with_use(runs: Runs, table: pd.DataFrame, joined: pd.DataFrame) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """What to do with every vat, all of them together, and what that brings, those with most at stake first; and the
    sentences on all of them.
    """
    if not len(table):
        return table, ()
    blends, cuvees = _blends(runs, table, _ready(joined))
    litres = table["litres"].to_numpy(dtype=float)
    kept, sold = (table[name].to_numpy(dtype=float) / litres for name in ("gain_if_kept", "gain_if_sold"))
    wine = ~is_liqueur(runs.composition, _states(runs, table["lot"]))
    best = best_uses(np.where(wine, litres, 0.0), blends, kept, sold, table["reserve"].to_numpy(dtype=float))
    words = [
        in_words(whole, dict(zip(cuvees, used, strict=True)), keep, sell)
        for whole, used, keep, sell in zip(litres, best.used, best.kept, best.sold, strict=True)
    ]
    parts = np.column_stack([best.used, best.kept, best.sold])
    brings = np.nansum(parts * np.column_stack([blends.gain, kept, sold]), axis=1)
    known = wine & (np.array(words) != NO_VALUE)
    table = table.assign(use=np.where(wine, words, LIQUEUR), gain_of_use=np.where(known, brings, np.nan))
    order = np.argsort(-np.nan_to_num(np.abs(table["gain_of_use"])), kind="stable")
    uses = []
    if known.any():
        uses.append(
            f"The blends to come take {best.used.sum():,.0f} L of the {litres[wine].sum():,.0f} L of wine on hand; "
            f"{best.kept.sum():,.0f} L are best kept and {best.sold.sum():,.0f} L sold."
        )
    silent = sorted(set(joined["cuvee"].astype(str)) - set(joined.dropna(subset="gain_in_blend")["cuvee"].astype(str)))
    if silent:
        uses.append(
            f"The plan values no bottle of {', '.join(silent)}: enter its price by age to value wine used in it."
        )
    return table.iloc[order].reset_index(drop=True), tuple(uses)


def _blends(runs: Runs, table: pd.DataFrame, ready: pd.DataFrame) -> tuple[Blends, list[str]]:
    """Blends that are ready, as facts of the best uses, and their cuvées."""
    first = ready.sort_values("cuvee").drop_duplicates("cuvee")
    cuvees = list(first["cuvee"].astype(str))
    chain, mix = runs.chain, runs.composition
    state = _states(runs, table["lot"])
    made = next_or_last(cuvee_blends(runs.economic)).set_index("cuvee").loc[cuvees]
    of_blend = made["state"].to_numpy(dtype=np.int64)
    holds = made["litres"].to_numpy(dtype=float)
    gain = np.full((len(table), len(cuvees)), np.nan)
    blended = (
        pd.Index(table["lot"]).get_indexer(pd.Index(ready["lot"])),
        pd.Index(cuvees).get_indexer(pd.Index(ready["cuvee"])),
    )
    gain[blended] = ready["gain_in_blend"] / ready["litres_that_fit"]
    marks = np.zeros((len(chain.states), len(table)))
    marks[state, np.arange(len(table))] = 1.0
    red = mix.shares(np.concatenate([state, of_blend]), "colour").get(RED)
    of_red = np.zeros(len(state) + len(of_blend)) if red is None else red.to_numpy()
    return Blends(
        litres=holds,
        gain=gain,
        typed=mix.passed(marks)[of_blend].T * holds,
        reserve=mix.reserve[state][:, np.newaxis] - mix.reserve[of_blend],
        second=mix.second_pressing[state][:, np.newaxis] - mix.second_pressing[of_blend],
        red=of_red[: len(state), np.newaxis] - of_red[len(state) :],
        takes_reserve=float(holds @ mix.reserve[of_blend]),
    ), cuvees


def _states(runs: Runs, lot: pd.Series) -> Ints:
    lots = runs.chain.lots.names.get_indexer(pd.Index(lot.astype(str))).astype(np.int64)
    return runs.chain.state_on(lots, np.full(len(lots), runs.today))


@asked_once
def _vats_and_blends(runs: Runs) -> tuple[pd.DataFrame, pd.DataFrame]:
    book, economic, chain = runs.book, runs.economic, runs.chain
    today = np.int64(chain.valuation_day)
    stock = stock_values(economic)
    mix = runs.composition
    stock = by_pressing(mix, stock[stock["unit"] == "L"].reset_index(drop=True))
    if not len(stock):
        return pd.DataFrame(columns=["lot", *_MADE_OF]), pd.DataFrame(columns=["lot"])
    lots = chain.lots.numbers(stock["lot"])
    state = _states(runs, stock["lot"])
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
    joined = _in_blends(runs, stock, state, rate)
    best_use = _ready(joined).sort_values("gain_in_blend", kind="stable")
    best_use = best_use.drop_duplicates("lot", keep="last").set_index("lot")
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
            "worth_per_litre": stock["lot"].map(best_use["worth_per_litre"]).astype(float),
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


def _ready(joined: pd.DataFrame) -> pd.DataFrame:
    """Blends that are planned, the last ones where none is, as far as the plan values their bottles."""
    ready = joined[joined["planned"]] if joined["planned"].any() else joined
    return ready.dropna(subset="gain_in_blend")


def _storage(results: Results, stock: pd.DataFrame, lots: Ints) -> Floats:
    """Storage of a litre for the year to come: rate and pools at the valuation date."""
    today = results.chain.valuation_day
    day = np.array([today])
    stages = stock["stage"].astype(str)
    by_stage = {stage: storage_per_litre_year(results.estate, stage, day, today)[0] for stage in set(stages)}
    return np.array([by_stage[stage] for stage in stages]) + pools_per_unit_year(results, lots, day)[:, 0]


def _in_blends(runs: Runs, stock: pd.DataFrame, state: Ints, storage: Floats) -> pd.DataFrame:
    """What each wine lot would do to the next or last blend of every cuvée, lots by blends."""
    results, mix = runs.economic, runs.composition
    chain, today = results.chain, results.chain.valuation_day
    blends, vat, blend = _joins(runs, state)
    here = blends["state"].to_numpy(dtype=np.int64)
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

    worth = worth_of_litre(runs, blends)[blend]
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
            "worth_per_litre": worth,
            "gain_in_blend": (worth - then / growth[blend]) * fits,
        }
    )


def litres_that_could_join(runs: Runs) -> pd.Series:
    """Litres on hand that could join the next or last blend of each cuvée, by cuvée."""
    stock = stock_values(runs.economic)
    stock = stock[stock["unit"] == "L"]
    blends, vat, blend = _joins(runs, _states(runs, stock["lot"]))
    litres = pd.Series(stock["quantity"].to_numpy(dtype=float)[vat])
    return litres.groupby(blends["cuvee"].to_numpy(dtype=object)[blend]).sum()


def _joins(runs: Runs, vats: Ints) -> tuple[pd.DataFrame, Ints, Ints]:
    """Next or last blend of every cuvée, and the pairs of a vat and a blend that it could join."""
    blends = next_or_last(cuvee_blends(runs.economic))
    blends = blends[blends["litres"] > 0]
    here = blends["state"].to_numpy(dtype=np.int64)
    cuvees = [str(name) for name in blends["cuvee"]]
    mix = runs.composition
    vat, blend = np.nonzero(_could_join(mix, vats, here) & may_join(runs.estate, mix, vats, cuvees))
    return blends, vat, blend


def _could_join(mix: Composition, vats: Ints, blends: Ints) -> Flags:
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
    sentences = []
    for row in shares.to_numpy():
        large = [(name, share) for name, share in zip(shares.columns, row.tolist(), strict=True) if share >= 0.05]
        large.sort(key=lambda pair: -pair[1])
        sentences.append(", ".join(f"{name} {share:.0%}" for name, share in large))
    return sentences
