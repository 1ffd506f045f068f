"""The cheapest blend of lots on hand that keeps the bounds of a trial, and what each bound costs.

    minimise Σ v·x   with  Σ x = litres wanted,  0 ≤ x ≤ litres on hand,
                           Σ a·x ≥ least·litres,  Σ a·x ≤ most·litres  for each bound

A linear programme (`decisions.plan.programme`). The shadow price of a bound is what a bottle would cost less
if the bound gave way by one percentage point (a small one: it holds until another lot or bound takes over).

Conventions: v is the value per litre on one basis or at market. A trial is optimised over the lots that any
trial of its cuvée names, since those are the ones that the cellar holds fit for it; over every wine where none
is named. Liqueurs are no wine; red wine joins a rosé alone, and a
cuvée takes what its `Only from` names. What it does not do: taste.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from costing.answers.answer import Answer
from costing.array_types import Floats
from costing.decisions.cellar.blending import (
    SPOKEN,
    LotsOnHand,
    bottles_wanted,
    litres_drawn,
    lots_on_hand,
    trial_blends,
    trial_cuvee,
    trials_side_by_side,
)
from costing.decisions.cellar.bottling_costs import per_bottle
from costing.decisions.cellar.cuvee_blends import MOST_OTHER
from costing.decisions.cellar.what_may_join import may_join
from costing.decisions.plan.programme import Programme
from costing.errors import Finding
from costing.model import Runs
from costing.once import asked_once
from costing.results.composition import OTHER

BLEND_COLUMNS = (
    *("trial", "cuvee", "bottles", "lot", "litres", "part_of_blend", "economic_at_tirage", "saving_per_bottle"),
)
BOUND_COLUMNS = ("trial", "bound", "bound_of", "share_asked", "share_attained", "shadow_price")


@asked_once
def trials(runs: Runs) -> Answer:
    """Trial blends side by side, what they are made of and leave, and the cheapest blend within their bounds."""
    costed, findings = trial_blends(runs)
    made_of, left = trials_side_by_side(runs)
    cheapest, bounds, more = cheapest_blends(runs)
    tables = {
        "trial_blends_costed": costed.assign(verdict=_verdicts(costed)),
        "trials_made_of": made_of,
        "trials_leave": left,
    }
    tables |= {"cheapest_blends": cheapest, "bounds_of_blends": bounds}
    says = [] if findings or more or not len(costed) else ["Every trial draws no more than is there."]
    for cuvee, rows in costed[costed["worth_at_tirage"].notna()].groupby("cuvee", sort=False):
        worth, cost, sale = (rows[f"{what}_at_tirage"] for what in ("worth", "economic", "market"))
        at_market = f", {sale.max():,.2f} with wine at market value" if sale.notna().any() else ""
        says.append(
            f"In the plan of all lots 75 cl more of {cuvee} on lees is worth {worth.iloc[0]:,.2f} {runs.currency}; the "
            f"dearest of these blends costs {cost.max():,.2f} to fill{at_market}."
        )
    empty = "The Trial blends sheet names no lots on hand."
    return Answer(tables, (*findings, *more), tuple(says), {"currency": runs.currency}, empty)


def _verdicts(costed: pd.DataFrame) -> list[str]:
    """Of each trial: whether it keeps its bounds, and by how much it is dearer than the cheapest of its cuvée that
    does; blank for the last blend.
    """
    broken = costed["bounds_breached"]
    least = costed[broken == "none"].groupby("cuvee")["economic_at_tirage"].min()
    dearer = costed["economic_at_tirage"] - costed["cuvee"].map(least).astype(float)
    words = np.array([f"{more:,.2f} dearer" for more in dearer], dtype=object)
    cases = [broken == "", broken != "none", dearer < 0.005]
    return [str(word) for word in np.select(cases, ["", "breaks a bound", "cheapest within bounds"], words)]


@dataclass(frozen=True, eq=False)
class CheapestBlend:
    """Litres of each lot on hand, mean value per litre, share attained of each bound, shadow price of each bound
    (money per litre and percentage point), and the bounds that can't be kept together (then nothing is drawn).
    """

    litres: Floats
    value_per_l: float
    attained: Floats
    shadow_price: Floats
    impossible: tuple[int, ...] = ()


def cheapest_blend(
    on_hand: LotsOnHand,
    wanted_l: float,
    bounds: pd.DataFrame,
    usable: npt.ArrayLike | None = None,
) -> CheapestBlend:
    """Cheapest blend of `wanted_l` litres.

    bounds: columns line ("at least" or "at most"), lot (the attribute) and share; usable: whether each lot may
    be drawn (default: every wine).
    """
    worth = on_hand.value["economic"].to_numpy()
    may = _is_wine(on_hand) if usable is None else np.asarray(usable, dtype=bool)
    may = may & np.isfinite(worth)
    part = on_hand.part.reindex(columns=list(bounds["lot"].astype(str)), fill_value=0.0).to_numpy()[may].T
    least = (bounds["line"] == "at least").to_numpy()
    asked_l = bounds["share"].to_numpy(dtype=float) * wanted_l
    on_hand_l, total = on_hand.litres[may], len(bounds)
    nothing = CheapestBlend(np.zeros(len(worth)), np.nan, np.full(total, np.nan), np.full(total, np.nan))
    if on_hand_l.sum() < wanted_l * (1 - 1e-12) or not wanted_l > 0:
        return nothing
    programme = Programme()
    drawn = programme.variables("drawn", len(on_hand_l), most=on_hand_l)
    programme.put(programme.rows("wanted", 1, least=wanted_l, most=wanted_l), drawn)
    # each bound may give way at a price of its own; without any, that is what says which can't be kept
    missed = programme.variables("missed", total, -1.0)
    rows = programme.rows(
        "bounds", total, least=np.where(least, asked_l, -np.inf), most=np.where(least, np.inf, asked_l)
    )
    programme.put(rows[:, np.newaxis], drawn, part)
    programme.put(rows, missed, np.where(least, 1.0, -1.0))
    system = programme.system()
    give_way = programme.best(system)
    if -give_way.value > 1e-7 * wanted_l:
        broken = np.flatnonzero(give_way.amount("missed") > 1e-9 * wanted_l)
        return replace(nothing, impossible=tuple(broken.tolist()))
    price, most = np.zeros(len(system.worth)), system.most.copy()
    price[drawn], most[missed] = -worth[may], 0.0
    best = programme.best(replace(system, worth=price, most=most))
    litres = np.zeros(len(worth))
    litres[may] = best.amount("drawn")
    shadow = np.where(least, -0.01, 0.01) * best.worth("bounds")
    return CheapestBlend(litres, -best.value / wanted_l, part @ litres[may] / wanted_l, shadow)


def _is_wine(on_hand: LotsOnHand) -> np.ndarray:
    other = on_hand.part[OTHER].to_numpy() if OTHER in on_hand.part.columns else np.zeros(len(on_hand.names))
    return np.asarray(other <= MOST_OTHER)


@asked_once
def cheapest_blends(runs: Runs) -> tuple[pd.DataFrame, pd.DataFrame, list[Finding]]:
    """Cheapest blend for every trial that wants bottles: its lots (`BLEND_COLUMNS`), its bounds (`BOUND_COLUMNS`),
    and findings where the lots do not suffice or no blend keeps the bounds.
    """
    estate, on_hand = runs.estate, lots_on_hand(runs)
    lines = estate["trial_blends"]
    made: list[dict[str, object]] = []
    kept: list[dict[str, object]] = []
    findings: list[Finding] = []
    for trial in lines["trial"].dropna().unique():
        here = (lines["trial"] == trial).to_numpy()
        of_cuvee = lines[here]
        cuvee, bottles = trial_cuvee(of_cuvee), bottles_wanted(of_cuvee)
        if not bottles > 0:
            continue
        takes = per_bottle(runs, cuvee)
        rows = np.flatnonzero(here & lines["line"].isin(["at least", "at most"]).to_numpy())
        bounds = lines.iloc[rows]
        usable = _usable(lines, cuvee, on_hand) & may_join(estate, runs.composition, on_hand.states, [cuvee])[:, 0]
        cheapest = cheapest_blend(on_hand, bottles * takes.drawn_l, bounds, usable)
        for bound in cheapest.impossible:
            place = estate.place("trial_blends", int(rows[bound]), "share")
            rule = f"can't be kept with the other bounds of trial '{trial}', whatever lots are blended."
            findings.append(
                Finding(place, f"{bounds['share'].iloc[bound]:.1%}", rule, "Let one of the bounds give way.")
            )
        if not np.isfinite(cheapest.value_per_l):
            if not cheapest.impossible:
                row = int(np.flatnonzero(here & (lines["line"] == "bottles").to_numpy())[0])
                rule = f"needs {bottles * takes.drawn_l:,.0f} L; the lots of trial '{trial}' hold less."
                place = estate.place("trial_blends", row, "bottles")
                findings.append(Finding(place, f"{bottles:,.0f}", rule, "Ask for less, or name more lots."))
            continue
        cost = takes.at_tirage(cheapest.value_per_l)
        drawn = litres_drawn(of_cuvee, takes.drawn_l, on_hand)
        own = float(drawn @ on_hand.value["economic"].to_numpy() / drawn.sum()) if drawn.sum() > 0 else np.nan
        saving = takes.at_tirage(own) - cost
        for lot in np.flatnonzero(cheapest.litres > 1e-6).tolist():
            line = {"trial": str(trial), "cuvee": cuvee, "bottles": bottles, "lot": on_hand.names[lot]}
            part = cheapest.litres[lot] / (bottles * takes.drawn_l)
            line |= {"litres": cheapest.litres[lot], "part_of_blend": part}
            made.append(line | {"economic_at_tirage": cost, "saving_per_bottle": saving})
        for bound in range(len(bounds)):
            name = str(bounds["lot"].iloc[bound])
            line = {"trial": str(trial), "bound": bounds["line"].iloc[bound], "bound_of": SPOKEN.get(name, name)}
            price = max(cheapest.shadow_price[bound], 0.0) * takes.drawn_l
            kept.append(
                line
                | {
                    "share_asked": bounds["share"].iloc[bound],
                    "share_attained": cheapest.attained[bound],
                    "shadow_price": price,
                }
            )
    return pd.DataFrame(made, columns=list(BLEND_COLUMNS)), pd.DataFrame(kept, columns=list(BOUND_COLUMNS)), findings


def _usable(lines: pd.DataFrame, cuvee: str, on_hand: LotsOnHand) -> np.ndarray:
    """Lots that any trial of the cuvée names; every wine where none does."""
    named = lines.loc[(lines["line"] == "lot") & (lines["cuvee"].astype(object).fillna("") == cuvee), "lot"]
    listed = on_hand.names.isin(named.astype(str))
    return np.asarray(listed if listed.any() else _is_wine(on_hand))
