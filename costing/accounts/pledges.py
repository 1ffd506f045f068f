"""Which stock secures which loan: kinds of stock that Loans lends on, and the loans that run on a day."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from costing.array_types import Ints
from costing.inputs.estate import Estate
from costing.inputs.loan_checks import ADVANCES

PLEDGED = ("receivables", "wine", "bottles on lees", "finished bottles")
"""What is lent on, in the order of the advances of Loans."""
RECEIVABLES = 0
_GROUP = {"must": 1, "wine": 1, "reserve": 1, "blend": 1, "on lees": 2, "finished": 3}


def group_of(kind: Sequence[str] | pd.Series) -> Ints:
    """Which of `PLEDGED` each kind of goods belongs to (−1: none)."""
    return np.array([_GROUP.get(str(name), -1) for name in kind], dtype=np.int64)


def pledged_to(estate: Estate, stock: pd.DataFrame, day: int) -> list[str]:
    """Names of the loans running on a day that each lot secures; "" for none. stock: with `kind` and `location`."""
    loans, today = estate["loans"], pd.Timestamp(np.datetime64(day, "D"))
    running = loans[(loans["from_date"] <= today) & (loans["due_date"] > today)]
    group, where = group_of(stock["kind"]), stock["location"].astype(object).to_numpy()
    names = [list[str]() for _ in range(len(stock))]
    for loan in running.to_dict("records"):
        advance = np.append(np.nan_to_num([loan[column] for column in ADVANCES]), 0.0)
        here = advance[group] > 0
        if pd.notna(loan["location"]):
            here &= where == loan["location"]
        for row in np.flatnonzero(here):
            names[row].append(str(loan["loan"]))
    return [", ".join(each) for each in names]
