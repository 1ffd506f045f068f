"""Where the wine of every vat brings most, all vats together: a blend takes no more than it holds.

    maximise  Σ u·x[v,b] + Σ k·kept[v] + Σ m·sold[v]     with  Σ_b x[v,b] + kept[v] + sold[v] = litres[v]
    Σ_v x[v,b] ≤ litres of the blend
    Σ_v (part[v] − part[b])·x[v,b] ≥, ≤, = 0  for the parts of reserve, of second pressing and of red wine
    Σ kept[v] of the reserves ≥ what the blends take of reserve, as far as it is there

u, k, m: gain per litre used in a blend, kept a year, sold. A blend has at least as much reserve, at most as much second
pressing and just as much red wine as planned; as much reserve stays for the next blends as these take. What is typed
goes first where it brings as much, to a cent a litre. Wine of which nothing is known but what it brings in blends may
be left.

What it does not do: taste; varieties beyond what may join at all.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from costing.array_types import Floats
from costing.decisions.plan.programme import Programme
from costing.results.rounding import largest_remainder

NO_VALUE = "no value given"
_CENT, _SHORT = 0.01, 1_000.0
_SPOKEN_OF = 0.01


@dataclass(frozen=True, eq=False)
class Blends:
    """What blends hold and are made of.

    litres [B]; gain: per litre of each vat, NaN where it may not join [V, B]; typed: litres of each vat that are
    planned to join [V, B]; reserve, second, red: parts of each vat over those of each blend [V, B]; takes_reserve:
    litres of reserve in all of them.
    """

    litres: Floats
    gain: Floats
    typed: Floats
    reserve: Floats
    second: Floats
    red: Floats
    takes_reserve: float


@dataclass(frozen=True, eq=False)
class BestUses:
    """Litres of each vat used in each blend [V, B], kept a year and sold [V]."""

    used: Floats
    kept: Floats
    sold: Floats


def best_uses(litres: Floats, blends: Blends, kept: Floats, sold: Floats, reserve: Floats) -> BestUses:
    """Litres of every vat by use.

    litres: of each vat [V]; kept, sold: gain per litre [V], NaN unknown; reserve: share of each vat that is [V].
    """
    count, shape = len(litres), blends.gain.shape
    programme = Programme()
    joins, gain = np.isfinite(blends.gain), np.nan_to_num(blends.gain)
    typed = programme.variables("typed", shape, gain + _CENT, most=np.where(joins, blends.typed, 0.0))
    more = programme.variables("more", shape, gain, most=np.where(joins, np.inf, 0.0))
    unknown = ~np.isfinite(kept) & ~np.isfinite(sold)
    others = [
        programme.variables(name, count, np.nan_to_num(each), most=np.where(may, np.inf, 0.0))
        for name, each, may in (
            ("kept", kept, np.isfinite(kept)),
            ("sold", sold, np.isfinite(sold)),
            ("left", np.zeros(count), unknown),
        )
    ]
    whole = programme.rows("whole", count, least=litres, most=litres)
    holds = programme.rows("holds", shape[1], most=blends.litres)
    in_reserve = programme.rows("reserve", shape[1], least=0.0)
    second = programme.rows("second pressing", shape[1], most=0.0)
    red = programme.rows("red", shape[1], least=0.0, most=0.0)
    for each in others:
        programme.put(whole, each)
    for used in (typed, more):
        programme.put(whole[:, np.newaxis], used)
        programme.put(holds, used)
        for rows, over in ((in_reserve, blends.reserve), (second, blends.second), (red, blends.red)):
            programme.put(rows, used, over)
    stays = programme.rows("stays", 1, least=blends.takes_reserve)
    programme.put(stays, others[0], reserve)
    programme.put(stays, programme.variables("short", 1, -_SHORT))
    best = programme.best()
    return BestUses(best.amount("typed") + best.amount("more"), best.amount("kept"), best.amount("sold"))


def in_words(litres: float, used: dict[str, float], kept: float, sold: float) -> str:
    """What to do with a vat: "use in Brut", or "use 2,100 in Brut, sell 300". The figures add up to the litres of the
    vat: a hundredth of it or less counts with its largest part. used: litres by cuvée.
    """
    parts = {**used, "keep": kept, "sell": sold}
    spoken = {name: part for name, part in parts.items() if part > _SPOKEN_OF * litres}
    if len(spoken) < 2:
        alone = {"keep": "keep a year", "sell": "sell"}
        return "".join(alone.get(name, f"use in {name}") for name in spoken) or NO_VALUE
    spoken[max(spoken, key=spoken.__getitem__)] += sum(parts.values()) - sum(spoken.values())
    whole = dict(zip(spoken, largest_remainder(np.array(list(spoken.values())), 0), strict=True))
    blends = sorted((name for name in whole if name in used), key=lambda name: -whole[name])
    places = [f"{whole[name]:,.0f} in {name}" for name in blends]
    done = [f"{what} {whole[what]:,.0f}" for what in ("keep", "sell") if what in whole]
    return ", ".join(["use " + ", ".join(places)] * bool(places) + done)
