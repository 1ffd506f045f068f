"""What wine that is offered to us does to the blend of its cuvée: shares before and with it, and the rules it breaks.

    share with it = share + part·(share of the offer − share),   part = litres that fit in / litres of the blend

Rules: what `Only from` of the cuvée names; a cuvée of a vintage category is of one harvest; a cuvée made of one variety
stays so; bounds that the trial
blends of the cuvée name, the loosest where trials differ, as far as the offer moves the wrong way.

Conventions: the blend is the next one planned, else the last one made; the offer takes the place of its average, litre
for litre. What it does not do: taste, or the rules of place that follow once it is bottled (Run check).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from costing.decisions.cellar.cuvee_blends import cuvee_blends, next_or_last
from costing.decisions.cellar.reserves import in_short
from costing.decisions.filling.offered import WET, Offer, litres_of
from costing.inputs.appellations import folded_words
from costing.inputs.checks import ATTRIBUTES
from costing.inputs.cuvee_bounds import against_bounds
from costing.model import Runs
from costing.results.composition import OTHER, UNKNOWN
from costing.results.place_rules import CuveeRules

_ALONE = 0.999
"""Share of the known wine from which a cuvée is made of one harvest or variety."""


@dataclass(frozen=True)
class InBlend:
    """Row of the table, and the rules that the offer would break."""

    row: Mapping[str, object]
    broken: tuple[str, ...]


def has_rules(runs: Runs, cuvee: str) -> bool:
    """Whether a rule set, a category or a bound speaks of a cuvée."""
    rules = CuveeRules(runs.estate)
    number = int(rules.names.get_indexer(pd.Index([cuvee], dtype=object))[0])
    lines = runs.estate["trial_blends"]
    bound = lines["line"].isin(["at least", "at most"]) & (lines["cuvee"].astype(object) == cuvee)
    return bool(rules.sets[number]) or bool(rules.category[number]) or bool(bound.any())


def without_composition(offer: Offer) -> list[str]:
    """Columns of origin that some part of an offer of grapes, must or wine leaves blank."""
    if not offer.buys or offer.what not in ("grapes", *WET):
        return []
    return [name for name in ("vintage", "variety") if offer.parts[name].isna().any()]


def in_blend(runs: Runs, offer: Offer) -> InBlend | None:
    """What an offer does to the blend of its cuvée; None where it names none that is blended."""
    blends = next_or_last(cuvee_blends(runs.economic))
    rows = np.flatnonzero((blends["cuvee"] == offer.cuvee).to_numpy())
    if not len(rows) or not offer.buys or offer.what not in ("grapes", *WET):
        return None
    blend = blends.iloc[int(rows[0])]
    state = np.array([int(blend["state"])])
    litres, sorts = float(blend["litres"]), litres_of(runs, offer)
    part = min(float(sorts.sum()), litres) / litres
    mix = runs.composition
    before = {attribute: mix.shares(state, attribute).iloc[0] for attribute in ATTRIBUTES}
    after = {name: _mixed(shares, _shares(offer, name), part) for name, shares in before.items()}
    kinds = {"reserve": float(mix.reserve[state][0]), "second": float(mix.second_pressing[state][0])}
    offered = {
        "reserve": float(offer.what == "reserve"),
        "second": float(sorts[1] / sorts.sum()) if sorts.sum() > 0 else 0.0,
    }
    with_it = {name: share + part * (offered[name] - share) for name, share in kinds.items()}
    broken = [*_one_origin(runs, offer, before), *_bounds(runs, offer.cuvee, before, after, kinds, with_it)]
    row = {
        "offer": offer.name,
        "cuvee": offer.cuvee,
        "blend": blend["wine_lot"],
        "rules_broken": "; ".join(broken) or "none",
        "part_of_blend": part,
        "reserve_of_blend": kinds["reserve"],
        "reserve_with_it": with_it["reserve"],
        "second_pressing_of_blend": kinds["second"],
        "second_pressing_with_it": with_it["second"],
        "varieties": in_short(before["variety"].to_frame().T)[0],
        "varieties_with_it": in_short(after["variety"].to_frame().T)[0],
    }
    return InBlend(row, tuple(broken))


def _shares(offer: Offer, attribute: str) -> pd.Series:
    """Shares of the parts of an offer by their origin, unknown where it is blank."""
    names = offer.parts[attribute].astype(object).fillna(UNKNOWN).astype(str)
    return offer.parts["quantity"].groupby(names.to_numpy()).sum() / offer.quantity


def _mixed(before: pd.Series, offered: pd.Series, part: float) -> pd.Series:
    names = before.index.union(offered.index, sort=False)
    first = before.reindex(names, fill_value=0.0)
    return first + part * (offered.reindex(names, fill_value=0.0) - first)


def _one_origin(runs: Runs, offer: Offer, before: Mapping[str, pd.Series]) -> list[str]:
    """What `Only from` bars, harvests brought into a vintage cuvée, and varieties into a cuvée of one."""
    rules = CuveeRules(runs.estate)
    category = rules.category[int(rules.names.get_indexer(pd.Index([offer.cuvee], dtype=object))[0])]
    findings = []
    for variety, village in offer.parts[["variety", "village"]].drop_duplicates().itertuples(index=False):
        part = {"variety": variety, "village": village}
        findings += [
            f"brings {part[key]} into a cuvée of {key} {value} alone"
            for key, value in against_bounds(runs.estate, offer.cuvee, part)
        ]
    for attribute, word in (("vintage", "harvest"), ("variety", "variety")):
        known = before[attribute].drop([OTHER, UNKNOWN], errors="ignore")
        if not known.sum() > 0 or known.max() < _ALONE * known.sum():
            continue
        if attribute == "vintage" and "vintage" not in folded_words(str(category)):
            continue
        alone = str(known.idxmax())
        others = [name for name in _shares(offer, attribute).index if name not in (alone, UNKNOWN)]
        findings += [f"brings {name} into a cuvée of one {word}, {alone}" for name in others]
    return findings


def _bounds(
    runs: Runs,
    cuvee: str,
    before: Mapping[str, pd.Series],
    after: Mapping[str, pd.Series],
    kinds: Mapping[str, float],
    with_it: Mapping[str, float],
) -> list[str]:
    """Bounds of the trial blends of a cuvée that the offer breaks."""
    lines = runs.estate["trial_blends"]
    of_cuvee = lines[(lines["cuvee"].astype(object) == cuvee) & lines["line"].isin(["at least", "at most"])]
    bounds = []
    was, now = (
        {**{name: float(share) for parts in shares.values() for name, share in parts.items()}, **more}
        for shares, more in ((before, kinds), (after, with_it))
    )
    for (line, name), shares in of_cuvee.groupby([of_cuvee["line"].astype(str), of_cuvee["lot"].astype(str)])["share"]:
        bound = float(shares.max() if line == "at most" else shares.min())
        first, then = was.get(name, 0.0), now.get(name, 0.0)
        worse = then > max(bound, first) if line == "at most" else then < min(bound, first)
        if worse:
            bounds.append(f"{name} {then:.1%}, {line} {bound:.1%}")
    return bounds
