"""Which wine may join which cuvée, whatever it costs: colour, and the bounds of the cuvée.

    red wine joins a rosé alone, unless its cuvée says otherwise; every wine that joins is made of what `Only from`
    names, but for what a gauging can't tell

Conventions: a wine is red from one part in a hundred of red on. A cuvée that Cuvées does not name is white and unbound.

What it does not do: taste, or the rules of place.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from costing.graph.arrays import Ints
from costing.inputs.estate import Estate
from costing.inputs.release_checks import bounds_of
from costing.results.composition import RED, Composition

SOME = 0.01
"""Share from which a wine counts as made of something, and up to which it may be of something else."""
ROSE = "rosé"


def may_join(estate: Estate, mix: Composition, states: Ints, cuvees: list[str]) -> npt.NDArray[np.bool_]:
    """Whether the wine of each state may join each cuvée [states, cuvées]."""
    table = estate["cuvees"].drop_duplicates("cuvee", keep="last").set_index("cuvee")
    allowed = np.ones((len(states), len(cuvees)), dtype=bool)
    red = _share(mix, states, "colour", RED) >= SOME
    for at, cuvee in enumerate(cuvees):
        known = cuvee in table.index
        bounds = bounds_of(table.loc[cuvee, "only_from"]) if known else []
        if not (known and table.loc[cuvee, "category"] == ROSE) and "colour" not in dict(bounds):
            allowed[:, at] &= ~red
        for key, value in bounds:
            allowed[:, at] &= _share(mix, states, key, value) >= 1.0 - SOME
    return allowed


def _share(mix: Composition, states: Ints, by: str, name: str) -> np.ndarray:
    shares = mix.shares(states, by)
    return shares[name].to_numpy() if name in shares.columns else np.zeros(len(states))
