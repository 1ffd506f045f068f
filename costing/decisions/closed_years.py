"""What later edits did to closed years.

Closed figures stay as they were: the difference belongs to the year in which the edit was made.
"""

from __future__ import annotations

import pandas as pd

from costing.decisions.closing import close_year, closed
from costing.inputs.estate import Estate

_LEAST_DIFFERENCE, _ROUNDING = 1e-6, 1e-9  # money, and of the amount: sums taken in another order differ by less


def prior_year_difference(estate: Estate) -> tuple[pd.DataFrame, pd.DataFrame]:
    """What later edits did to closed years: values by closing, basis and lot; and the rows that changed, by
    sheet.

    Both are empty where nothing changed.
    """
    values, rows = [], []
    for when in map(pd.Timestamp, sorted(estate["yearend_stock"]["closing_date"].dropna().unique())):
        on = when.date()
        again = close_year(estate, on)
        keys = ["lot", "basis"]
        frozen = closed(estate, "yearend_costs", on)
        frozen = frozen[frozen["incurred_date"].isna()].astype(dict.fromkeys(keys, str))
        present = again["yearend_costs"]
        present = present[present["incurred_date"].isna()].astype(dict.fromkeys(keys, str))
        both = (
            frozen.groupby(keys)["amount"].sum().to_frame("frozen")
            .join(present.groupby(keys)["amount"].sum().to_frame("present"), how="outer")
            .fillna(0.0).reset_index()
        )  # fmt: skip
        both["difference"] = both["present"] - both["frozen"]
        both = both[both["difference"].abs() > _LEAST_DIFFERENCE + _ROUNDING * both["frozen"].abs()]
        both.insert(0, "closing_date", when)
        values.append(both)
        rows.append(_changed_rows(closed(estate, "yearend_inputs", on), again["yearend_inputs"], when))
    blank = pd.DataFrame(columns=["closing_date", "lot", "basis", "frozen", "present", "difference"])
    changed = pd.DataFrame(columns=["closing_date", "sheet", "row", "what"])
    return (
        pd.concat(values, ignore_index=True) if values else blank,
        pd.concat(rows, ignore_index=True) if rows else changed,
    )


def _changed_rows(frozen: pd.DataFrame, present: pd.DataFrame, when: pd.Timestamp) -> pd.DataFrame:
    old = frozen
    parts = []
    for mine, theirs, what in ((present, old, "changed or added"), (old, present, "as it was at the closing")):
        known = set(zip(theirs["sheet"].astype(str), theirs["fingerprint"].astype(str), strict=True))
        keys = zip(mine["sheet"].astype(str), mine["fingerprint"].astype(str), strict=True)
        new = mine[[key not in known for key in keys]]
        parts.append(new[["sheet", "row"]].astype(object).assign(what=what))
    frame = pd.concat(parts, ignore_index=True).sort_values(["sheet", "row", "what"], ignore_index=True)
    frame.insert(0, "closing_date", when)
    return frame
