"""Which wine may join which cuvée, whatever it costs: colour, and the bounds of the cuvée.

    red wine joins a rosé alone, unless its cuvée says otherwise; every wine that joins is made of what `Only from`
    names, but for what a gauging can't tell

Conventions: a wine is red from one part in a hundred of red on. A cuvée that Cuvées does not name is white and unbound.

What it does not do: taste, or the rules of place.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.array_types import Flags, Ints, Names
from costing.inputs.cuvee_bounds import bounds_of
from costing.inputs.estate import Estate
from costing.results.composition import RED, Composition

_SOME = 0.01
"""Share from which a wine counts as made of something, and up to which it may be of something else."""
ROSE = "rosé"


def may_join(estate: Estate, mix: Composition, states: Ints, cuvees: list[str]) -> Flags:
    """Whether the wine of each state may join each cuvée [states, cuvées]."""
    allowed = np.array([why_not(estate, mix, states, cuvee) == "" for cuvee in cuvees], dtype=bool)
    return allowed.reshape(len(cuvees), len(states)).T


def why_not(estate: Estate, mix: Composition, states: Ints, cuvee: str) -> Names:
    """Why the wine of each state may not join a cuvée, in words; "" where it may [states]."""
    table = estate["cuvees"].drop_duplicates("cuvee", keep="last").set_index("cuvee")
    row = table.loc[cuvee] if cuvee in table.index else pd.Series({"category": "", "only_from": None})
    bounds = bounds_of(row["only_from"])
    reasons = np.full(len(states), "", dtype=object)
    for key, value in reversed(bounds):
        lacks = _share(mix, states, key, value) < 1.0 - _SOME
        reasons[lacks] = f"is not all of {key} {value}, and cuvée '{cuvee}' takes nothing else"
    if row["category"] != ROSE and "colour" not in dict(bounds):
        whose = f"cuvée '{cuvee}' is" if cuvee else "no cuvée is named that is"
        red = _share(mix, states, "colour", RED) >= _SOME
        reasons[red] = f"is red wine, and {whose} {'no' if cuvee else 'a'} rosé"
    return reasons


def _share(mix: Composition, states: Ints, by: str, name: str) -> np.ndarray:
    shares = mix.shares(states, by)
    return shares[name].to_numpy() if name in shares.columns else np.zeros(len(states))
