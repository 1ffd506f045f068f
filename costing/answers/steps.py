"""Amounts as the steps of a waterfall, for tables that such a chart draws.

Conventions: a step floats between the sums before and after it; what stands on the ground is a total.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd


def steps(labels: Sequence[str], amounts: Sequence[float], totals: Sequence[bool]) -> pd.DataFrame:
    """Amounts as a waterfall: step, the base that it stands on, and its height as a total, a rise or a fall.

    totals: which of them stand on the ground; the others are added to what stands before.
    """
    running, rows = 0.0, []
    for label, amount, is_total in zip(labels, amounts, totals, strict=True):
        after = amount if is_total else running + amount
        base = 0.0 if is_total else min(running, after)
        height = abs(amount)
        rows.append((label, base, *(height if shown else np.nan for shown in _which(amount, is_total=is_total))))
        running = after
    return pd.DataFrame(rows, columns=["step", "step_base", "step_total", "step_rise", "step_fall"])


def _which(amount: float, *, is_total: bool) -> tuple[bool, bool, bool]:
    return is_total, not is_total and amount >= 0, not is_total and amount < 0
