"""The blends that cuvées were and will be bottled from: the measure for vats and trials.

    a blend = the wine lot of one day's tirage of a cuvée, as it stood before it was drawn

Conventions: amounts per bottle are per 75 cl; tirages into other formats count where there is no other.
`wine_per_bottle_l` is what a bottle of 75 cl took of the lot, losses of tirage included and liqueur left out.
The next blend is the first planned after the valuation date, the last one the latest up to it.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.graph.arrays import Flow
from costing.once import asked_once
from costing.results.composition import OTHER, Composition
from costing.results.lots import lot_labels
from costing.results.results import Results
from costing.units import STANDARD_BOTTLE_L

BLENDS = ["cuvee", "wine_lot", "bottle_lot", "day", "planned", "state", "litres", "bottles_75cl", "cost_per_bottle"]
MOST_OTHER = 0.05
"""A lot with more sugar and other than this is a liqueur and no wine to blend."""


@asked_once
def cuvee_blends(results: Results) -> pd.DataFrame:
    """One row per cuvée, wine lot and day of tirage that gave bottles, by day (columns `BLENDS`).

    state: of the wine lot before the draw; litres: of wine drawn; cost_per_bottle: at tirage, per 75 cl, on
    the basis of the results.
    """
    chain = results.chain
    flows, lots = chain.flows, chain.lots
    rows = np.flatnonzero(flows.kind == Flow.TIRAGE)
    labels = lot_labels(results.estate, chain)
    target = flows.target[rows]
    standard = flows.into[rows] * lots.litres_per_unit[target] / STANDARD_BOTTLE_L
    frame = pd.DataFrame(
        {
            "cuvee": labels.cuvee[target].astype(str),
            "wine_lot": labels.name[flows.source[rows]].astype(str),
            "bottle_lot": labels.name[target].astype(str),
            "day": flows.day[rows],
            "state": chain.states.previous[chain.source_state[rows]],
            "litres": flows.out[rows],
            "bottles_75cl": standard,
            "cost": results.total[chain.states.batch_state[flows.batch[rows]]],
            "usual": labels.format[target] == "bottle",
        }
    )
    keys = ["cuvee", "wine_lot"]
    usual = frame.groupby(keys)["usual"].transform("any")
    frame = frame[(frame["usual"] | ~usual) & (frame["bottles_75cl"] > 0)].sort_values("day", kind="stable")
    summed = frame.groupby([*keys, "day"], sort=False, as_index=False).agg(
        bottle_lot=("bottle_lot", "first"),
        state=("state", "first"),
        litres=("litres", "sum"),
        bottles_75cl=("bottles_75cl", "sum"),
        cost=("cost", "sum"),
    )
    summed["planned"] = summed["day"] > chain.valuation_day
    summed["cost_per_bottle"] = summed["cost"] / summed["bottles_75cl"]
    return summed[BLENDS]


def next_or_last(blends: pd.DataFrame) -> pd.DataFrame:
    """For each cuvée its next blend, or the last one where none is planned."""
    planned = blends[blends["planned"]].drop_duplicates("cuvee", keep="first")
    last = last_blends(blends)
    both = pd.concat([planned, last[~last["cuvee"].isin(planned["cuvee"])]])
    return both.sort_values("cuvee", ignore_index=True)


def last_blends(blends: pd.DataFrame) -> pd.DataFrame:
    """For each cuvée the last blend up to the valuation date."""
    made = blends[~blends["planned"]].drop_duplicates("cuvee", keep="last")
    return made.sort_values("cuvee", ignore_index=True)


def is_liqueur(mix: Composition, states: np.ndarray) -> np.ndarray:
    """Whether each state is a liqueur rather than wine: more sugar and other in it than `MOST_OTHER`."""
    shares = mix.shares(states, "variety")
    other = shares[OTHER].to_numpy() if OTHER in shares.columns else np.zeros(len(states))
    return np.asarray(other > MOST_OTHER)
