"""From kilo to bottle: what 1,000 kg of grapes give at the yields and losses of one financial year.

    must = litres pressed / kilograms pressed;   a stage leaves what came in × (1 − lost / (opening + all that came in))

Each stage counts at its own loss of the year, so wine of several harvests is in the figure; sugar and liqueur added at
tirage count as a rise. Reserve is left out: only a part of the wine goes through it.

Conventions: in bottles of 75 cl; formats by their litres. A gain is a loss below zero.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.answers.steps import steps
from costing.units import FORMATS_L, STANDARD_BOTTLE_L

GRAPES_KG = 1_000.0
_MUST = ("pressing", "vinification")
_STAGES = ("vinification", "blending", "tirage", "on lees", "finishing", "finished stock")
_CAME, _ADDED, _LOST = ("opening_quantity", "received", "from_stages_quantity"), ("added",), ("lost_quantity",)
_COLUMNS = ["step", "lost_share", "bottles_total", "bottles_rise", "bottles_fall", "bottles_base"]


def kilo_to_bottle(moved: pd.DataFrame) -> pd.DataFrame:
    """Steps from grapes to good bottles as a waterfall (`_COLUMNS`); no row where no grapes were pressed.

    moved: quantities by stage, unit and format (`roll_forward_quantities`).
    """
    kilograms = -float(moved.loc[moved["unit"] == "kg", "to_stages_quantity"].sum())
    must = moved[(moved["unit"] == "L") & moved["stage"].isin(_MUST) & (moved["from_stages_quantity"] > 0)]
    if kilograms <= 0 or not len(must):
        return pd.DataFrame(columns=_COLUMNS)
    left = float(must["from_stages_quantity"].iloc[0]) / kilograms * GRAPES_KG / STANDARD_BOTTLE_L
    lines = [("must", left, np.nan)]
    for stage in _STAGES:
        part = moved[moved["stage"] == stage]
        litres = part["format"].map(FORMATS_L).where(part["unit"] == "bottles", 1.0).astype(float)
        came, added, lost = (float((part[list(names)].sum(axis=1) * litres).sum()) for names in (_CAME, _ADDED, _LOST))
        if came <= 0:
            continue
        gained, kept_back = left * added / came, left * (1.0 + added / came) * lost / (came + added)
        lines += [(f"added at {stage}", gained, np.nan)] if gained else []
        lines += [(stage, kept_back, -lost / (came + added))] if kept_back else []
        left += gained + kept_back
    lines.append(("good bottles", left, np.nan))
    labels, amounts, shares = zip(*lines, strict=True)
    floating = steps(labels, amounts, [position in (0, len(lines) - 1) for position in range(len(lines))])
    named = floating.rename(columns=lambda name: name.replace("step_", "bottles_"))
    return named.assign(lost_share=shares)[_COLUMNS]
