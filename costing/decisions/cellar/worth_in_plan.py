"""What wine is worth in bottles: by the plan of all lots, what its price, market, places and line leave of one more.

    worth of a bottle  that of one more of the blend's tirage, in money of today
    worth of a litre   (worth of a bottle − filling)/litres that it draws

Conventions: a bottle of a blend made before, filled today, is worth what one of that tirage is worth now, discounted by
the years since. It is the worth of the first bottle more: many more bring less each.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.array_types import Floats
from costing.decisions.cellar.bottling_costs import filling
from costing.decisions.cellar.cuvee_blends import cuvee_blends, next_or_last
from costing.decisions.plan.ageing_tables import hurdle_curve
from costing.decisions.plan.house_plan import house_plan
from costing.model import Runs
from costing.units import FORMATS_L, STANDARD_BOTTLE_L


def worth_of_bottle(runs: Runs, blends: pd.DataFrame) -> Floats:
    """Worth today of a bottle more of each blend (rows of `cuvee_blends`), in the format that it was or will be filled
    into; NaN where the plan speaks of no bottle of it.
    """
    worth = blends["bottle_lot"].map(house_plan(runs).one_more).to_numpy(dtype=float)
    day = np.minimum(blends["day"].to_numpy(dtype=np.int64), runs.today)
    return np.asarray(worth / hurdle_curve(runs.economic).growth(day, np.full(len(day), runs.today)))


def worth_of_litre(runs: Runs, blends: pd.DataFrame) -> Floats:
    """Worth today of a litre more in each blend (rows of `cuvee_blends`); NaN where the plan has no bottle of it."""
    today, size = runs.today, _formats(runs, blends)
    day = np.maximum(blends["day"].to_numpy(dtype=np.int64), today)
    growth = hurdle_curve(runs.economic).growth(np.full(len(day), today), day)
    filled = [
        filling(runs.estate, cuvee, form, np.array([on]), today)
        for cuvee, form, on in zip(blends["cuvee"], size, day, strict=True)
    ]
    work, drawn_l = np.array([each.work[0] for each in filled]), np.array([each.drawn_l for each in filled])
    return np.asarray((worth_of_bottle(runs, blends) - work / growth) / drawn_l)


def worth_of_cuvee(runs: Runs, cuvee: str) -> float:
    """Worth today of 75 cl more of a cuvée, as its next or last blend is bottled; NaN where the plan speaks of none."""
    blends = next_or_last(cuvee_blends(runs.economic))
    of_cuvee = blends[blends["cuvee"] == cuvee]
    if not len(of_cuvee):
        return np.nan
    return float(worth_of_bottle(runs, of_cuvee)[0]) * STANDARD_BOTTLE_L / FORMATS_L[_formats(runs, of_cuvee)[0]]


def _formats(runs: Runs, blends: pd.DataFrame) -> list[str]:
    lot = runs.chain.lots.names.get_indexer(pd.Index(blends["bottle_lot"]))
    return [str(size) for size in runs.labels.format[lot]]
