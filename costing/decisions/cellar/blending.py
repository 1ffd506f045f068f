"""Trial blends: what a candidate from lots on hand would cost per bottle, what it is made of, what it leaves.

    mean of a trial = Σ litres·value per litre / Σ litres, on each basis and at market value

What a bottle takes of that litre, and what is added to it until its release: `decisions.cellar.bottling_costs`.

Conventions: a trial is bottled on the valuation date at the values of that day, into bottles of 75 cl. Litres
are given, or shares of the litres that the bottles wanted need. Bounds:
`at least` and `at most` a share of reserve, of second (pressing), a vintage, a variety or a village. The last
blend of each cuvée stands beside its trials, at its own cost; what the plan of all lots says a bottle more of the cuvée
is worth stands beside both. A lot that may not join the cuvée is named. A trial changes nothing in the cellar.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from costing.array_types import Floats, Ints, Names
from costing.decisions.cellar.bottling_costs import PerBottle, per_bottle
from costing.decisions.cellar.cuvee_blends import cuvee_blends, last_blends
from costing.decisions.cellar.reserves import in_short
from costing.decisions.cellar.what_may_join import why_not
from costing.decisions.cellar.worth_in_plan import worth_of_cuvee
from costing.errors import Finding, caution, nearest
from costing.graph.arrays import BLANK_DAY
from costing.inputs.checks import ATTRIBUTES
from costing.inputs.estate import Estate
from costing.model import Runs
from costing.once import asked_once
from costing.results.composition import Composition
from costing.results.lots import as_dates
from costing.results.net_realisable import by_pressing, market_value_per_unit
from costing.results.stock import stock_values

_COLUMNS = (
    *("trial", "cuvee", "litres", "bottles", "book_at_tirage", "economic_at_tirage", "market_at_tirage"),
    *("worth_at_tirage", "release_date", "book_at_release", "economic_at_release", "over_last_blend"),
    "over_cheapest_trial",
    *("reserve", "second_pressing", "vintages", "varieties", "villages", "bounds_breached", "litres_left"),
)
"""Columns of the trials side by side."""
SPOKEN = {"second": "second pressing"}
"""Short names of Trial blends, as every other sheet says them."""
_WORDS = {"vintage": "vintages", "variety": "varieties", "village": "villages"}


@dataclass(frozen=True, eq=False)
class LotsOnHand:
    """Wine at the valuation date: names of lots, their states, litres, value per litre on each basis and at market, and
    the part of each lot that a bound may name (reserve, second, vintages, varieties, villages) [lots, names].

    shares: by attribute, names that two of them have (unknown) kept apart. last: a row of `_COLUMNS` for the last blend
    of each cuvée.
    """

    names: pd.Index
    states: Ints
    litres: Floats
    value: pd.DataFrame
    part: pd.DataFrame
    shares: dict[str, pd.DataFrame]
    last: dict[str, dict[str, object]]


@asked_once
def lots_on_hand(runs: Runs) -> LotsOnHand:
    """Collect every lot of must, wine, reserve and blend at the valuation date."""
    chain = runs.chain
    stock = stock_values(runs.economic)
    stock = stock[stock["unit"] == "L"].reset_index(drop=True)
    names = pd.Index(stock["lot"].astype(str))
    lots = chain.lots.names.get_indexer(names).astype(np.int64)
    state = chain.state_on(lots, np.full(len(lots), chain.valuation_day))
    mix = runs.composition
    tables = {attribute: mix.shares(state, attribute) for attribute in ATTRIBUTES}
    part = pd.DataFrame({"reserve": mix.reserve[state], "second": mix.second_pressing[state]})
    for table in tables.values():
        part = part.join(table[[name for name in table.columns if name not in part.columns]])
    value = pd.DataFrame(
        {
            "book": stock_values(runs.book).set_index("lot")["value_per_unit"].reindex(names).to_numpy(),
            "economic": stock["value_per_unit"].to_numpy(),
            "market": market_value_per_unit(runs.estate, by_pressing(mix, stock), chain.valuation_day),
        }
    )
    return LotsOnHand(names, state, stock["quantity"].to_numpy(), value, part, tables, _last_rows(runs, mix))


@asked_once
def trial_blends(runs: Runs) -> tuple[pd.DataFrame, list[Finding]]:
    """Every trial side by side, then the last blend of each of their cuvées (`_COLUMNS`), and findings for lots that
    are short or unknown.
    """
    estate, on_hand = runs.estate, lots_on_hand(runs)
    lines = estate["trial_blends"]
    rows: list[dict[str, object]] = []
    findings: list[Finding] = []
    takes: dict[str, PerBottle] = {}
    for trial in lines["trial"].dropna().unique():
        here = lines[lines["trial"] == trial]
        cuvee = trial_cuvee(here)
        if cuvee not in takes:
            takes[cuvee] = per_bottle(runs, cuvee)
        findings += trial_findings(estate, str(trial), takes[cuvee].drawn_l, on_hand)
        barred = why_not(estate, runs.composition, on_hand.states, cuvee)
        findings += _barred(estate, str(trial), on_hand, barred)
        drawn = litres_drawn(here, takes[cuvee].drawn_l, on_hand)
        if drawn.sum() > 0:
            rows.append(_costed(str(trial), cuvee, here, drawn, on_hand, takes[cuvee], barred))
    cheapest = pd.DataFrame(rows, columns=list(_COLUMNS)).groupby("cuvee")["economic_at_tirage"].min()
    rows += [on_hand.last[cuvee] for cuvee in takes if cuvee in on_hand.last]
    table = pd.DataFrame(rows, columns=list(_COLUMNS))
    last = {cuvee: row["economic_at_tirage"] for cuvee, row in on_hand.last.items()}
    table["over_last_blend"] = table["economic_at_tirage"] - table["cuvee"].map(last).astype(float)
    table["worth_at_tirage"] = table["cuvee"].map({cuvee: worth_of_cuvee(runs, cuvee) for cuvee in takes}).astype(float)
    table["over_cheapest_trial"] = table["economic_at_tirage"] - table["cuvee"].map(cheapest)
    return table, findings


@asked_once
def trials_side_by_side(runs: Runs) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Trials as columns: the share of every name (`share_in:` and the trial), and the litres left of each lot that a
    trial draws on (`left_by:` and the trial).
    """
    on_hand = lots_on_hand(runs)
    lines = runs.estate["trial_blends"]
    drawn: dict[str, Floats] = {}
    for trial in lines["trial"].dropna().unique():
        here = lines[lines["trial"] == trial]
        litres = litres_drawn(here, per_bottle(runs, trial_cuvee(here)).drawn_l, on_hand)
        if litres.sum() > 0:
            drawn[str(trial)] = litres
    kinds = on_hand.part[["reserve", "second"]].rename(columns=SPOKEN)
    groups = {"kind of wine": kinds, **on_hand.shares}
    rows = [(attribute, str(name)) for attribute, table in groups.items() for name in table.columns]
    parts = np.hstack([table.to_numpy() for table in groups.values()])
    shares = pd.DataFrame({f"share_in:{trial}": litres @ parts / litres.sum() for trial, litres in drawn.items()})
    left = pd.DataFrame({f"left_by:{trial}": on_hand.litres - litres for trial, litres in drawn.items()})
    if not drawn:
        return shares, left
    made_of = pd.concat([pd.DataFrame(rows, columns=["attribute", "name"]), shares], axis=1)
    left = pd.concat([pd.DataFrame({"lot": on_hand.names, "litres_on_hand": on_hand.litres}), left], axis=1)
    touched = np.any([litres > 0 for litres in drawn.values()], axis=0)
    return made_of[(shares > 1e-9).any(axis=1)].reset_index(drop=True), left[touched].reset_index(drop=True)


def trial_cuvee(lines: pd.DataFrame) -> str:
    """Cuvée that the lines of one trial name; "" where none does."""
    named = lines["cuvee"].dropna()
    return str(named.iloc[0]) if len(named) else ""


def bottles_wanted(lines: pd.DataFrame) -> float:
    """Bottles that the lines of one trial want; NaN where none says."""
    wanted = lines.loc[lines["line"] == "bottles", "bottles"]
    return float(wanted.iloc[0]) if len(wanted) else np.nan


def litres_drawn(lines: pd.DataFrame, drawn_l: float, on_hand: LotsOnHand) -> Floats:
    """Litres that the lines of one trial draw from each lot on hand; shares are of what the bottles need."""
    drawn_lines = lines[lines["line"] == "lot"]
    litres = drawn_lines["litres"].fillna(drawn_lines["share"] * bottles_wanted(lines) * drawn_l).to_numpy(dtype=float)
    lot = on_hand.names.get_indexer(pd.Index(drawn_lines["lot"].astype(str)))
    known = (lot >= 0) & np.isfinite(litres)
    return np.bincount(lot[known], litres[known], len(on_hand.names)).astype(np.float64)


def trial_findings(estate: Estate, trial: str, drawn_l: float, on_hand: LotsOnHand) -> Iterator[Finding]:
    """Yield lots of one trial that are not there or short, shares of no bottles, and shares that make no 100 %.

    drawn_l: litres that a bottle takes from the lots.
    """
    lines = estate["trial_blends"]
    of_trial = (lines["trial"] == trial) & (lines["line"] == "lot")
    wanted = bottles_wanted(lines[lines["trial"] == trial])
    needed = wanted * drawn_l
    taken: dict[str, float] = {}
    for row in np.flatnonzero(of_trial.to_numpy()).tolist():
        lot, litres, share = (lines[column].iloc[row] for column in ("lot", "litres", "share"))
        by_share = bool(pd.isna(litres))
        cell = estate.place("trial_blends", row, "share" if by_share else "litres")
        if by_share and np.isnan(wanted):
            rule = f"is a share of bottles that trial '{trial}' does not give."
            yield Finding(cell, f"{share:.1%}", rule, "Add a line 'bottles', or enter litres.")
            continue
        if str(lot) not in on_hand.names:
            rule = f"is not in stock at the valuation date. {nearest(str(lot), on_hand.names)}".strip()
            yield Finding(estate.place("trial_blends", row, "lot"), str(lot), rule, "Choose a lot on hand.")
            continue
        taken[str(lot)] = taken.get(str(lot), 0.0) + float(share * needed if by_share else litres)
        in_lot = float(on_hand.litres[on_hand.names.get_loc(str(lot))])
        if taken[str(lot)] > in_lot * (1 + 1e-9):
            rule = f"is more than lot '{lot}' holds ({in_lot:,.0f} L)."
            yield Finding(cell, f"{taken[str(lot)]:,.0f} L", rule, "Draw less, or another lot.")
    shares = lines.loc[of_trial, "share"]
    if shares.notna().all() and len(shares) and abs(shares.sum() - 1.0) > 1e-6:
        first = int(np.flatnonzero(of_trial.to_numpy())[0])
        rule = f"is one of the shares of trial '{trial}', which make {shares.sum():.2%} together."
        remedy = "Let them make 100 %; the bottles wanted are not filled otherwise."
        yield caution(estate.place("trial_blends", first, "share"), f"{shares.iloc[0]:.2%}", rule, remedy)


def _barred(estate: Estate, trial: str, on_hand: LotsOnHand, barred: Names) -> Iterator[Finding]:
    """Yield lots of one trial that may not join its cuvée, with why."""
    lines = estate["trial_blends"]
    of_trial = ((lines["trial"] == trial) & (lines["line"] == "lot")).to_numpy()
    lot = on_hand.names.get_indexer(pd.Index(lines["lot"].astype(str)))
    for row in np.flatnonzero(of_trial & (lot >= 0) & (barred[lot] != "")).tolist():
        place = estate.place("trial_blends", row, "lot")
        yield Finding(place, str(lines["lot"].iloc[row]), f"{barred[lot[row]]}.", "Choose another lot, or cuvée.")


def _costed(
    trial: str,
    cuvee: str,
    lines: pd.DataFrame,
    drawn: Floats,
    on_hand: LotsOnHand,
    takes: PerBottle,
    barred: Names,
) -> dict[str, object]:
    total = float(drawn.sum())
    mean = pd.Series(drawn @ np.nan_to_num(on_hand.value.to_numpy(), nan=0.0) / total, on_hand.value.columns)
    mean[on_hand.value[drawn > 0].isna().any()] = np.nan  # without a market value of every lot there is none
    made_of = pd.Series(drawn @ on_hand.part.to_numpy() / total, on_hand.part.columns)
    cost = {f"{basis}_at_tirage": takes.at_tirage(float(mean[basis])) for basis in ("book", "economic", "market")}
    wrong = [
        f"{lot} {why}" for lot, why, litres in zip(on_hand.names, barred, drawn, strict=True) if why and litres > 0
    ]
    left = (on_hand.litres - drawn)[drawn > 0]
    rest = [f"{lot} {litres:,.0f}" for lot, litres in zip(on_hand.names[drawn > 0], left, strict=True) if litres > 0.5]
    return {
        "trial": trial,
        "cuvee": cuvee,
        "litres": total,
        "bottles": np.floor(total / takes.drawn_l + 1e-6),
        **cost,
        "release_date": as_dates(np.array([takes.release_day if np.isfinite(takes.survivors) else BLANK_DAY]))[0],
        **{
            f"{basis}_at_release": takes.at_release(cost[f"{basis}_at_tirage"], basis) for basis in ("book", "economic")
        },
        "reserve": made_of["reserve"],
        "second_pressing": made_of["second"],
        **{word: in_short(_mean(on_hand.shares[by], drawn))[0] for by, word in _WORDS.items()},
        "bounds_breached": "; ".join([*wrong, *breached(lines, made_of)]) or "none",
        "litres_left": "; ".join(rest),
    }


def _mean(shares: pd.DataFrame, litres: Floats) -> pd.DataFrame:
    """Shares of the blend of lots [1, names]."""
    return pd.DataFrame((litres @ shares.to_numpy() / litres.sum())[np.newaxis], columns=shares.columns)


def breached(lines: pd.DataFrame, made_of: pd.Series) -> list[str]:
    """Bounds among the lines of a trial that its composition (share by name) does not keep."""
    bounds_missed = []
    for bound, name, share in lines.loc[
        lines["line"].isin(["at least", "at most"]), ["line", "lot", "share"]
    ].itertuples(index=False, name=None):
        have = float(made_of.get(str(name), 0.0))
        if (bound == "at least" and have < share - 1e-9) or (bound == "at most" and have > share + 1e-9):
            bounds_missed.append(f"{SPOKEN.get(name, name)} {have:.1%}, {bound} {share:.1%}")
    return bounds_missed


def _last_rows(runs: Runs, mix: Composition) -> dict[str, dict[str, object]]:
    """Last blend of each cuvée, at its own cost per bottle at tirage."""
    blends = last_blends(cuvee_blends(runs.economic))
    booked = last_blends(cuvee_blends(runs.book))["cost_per_bottle"].to_numpy()
    state = blends["state"].to_numpy(dtype=np.int64)
    names = {word: in_short(mix.shares(state, by)) for by, word in _WORDS.items()}
    return {
        str(blend["cuvee"]): {
            "trial": f"last blend: {blend['wine_lot']}",
            "cuvee": str(blend["cuvee"]),
            "litres": blend["litres"],
            "bottles": blend["bottles_75cl"],
            "book_at_tirage": booked[row],
            "economic_at_tirage": blend["cost_per_bottle"],
            "market_at_tirage": np.nan,
            "release_date": np.datetime64("NaT", "s"),
            "book_at_release": np.nan,
            "economic_at_release": np.nan,
            "reserve": mix.reserve[state[row]],
            "second_pressing": mix.second_pressing[state[row]],
            **{word: words_of_lot[row] for word, words_of_lot in names.items()},
            "bounds_breached": "",
            "litres_left": "",
        }
        for row, blend in enumerate(blends.to_dict("records"))
    }
