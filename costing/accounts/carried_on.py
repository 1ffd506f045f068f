"""What a closing carries on: stock as closed, and what falls after the closing on it and on goods that had gone."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import pandas as pd

from costing.answers.answer import Answer
from costing.model import Runs


def carried_on(runs: Runs, frozen: Mapping[str, pd.DataFrame], closed: date) -> Answer:
    """Totals of the frozen costs on each basis. frozen: tables of one closing."""
    costs = frozen["yearend_costs"]
    later, gone = costs["incurred_date"].notna(), costs["way_out"].notna()
    parts = {"closed_stock": ~later, "incurred_later": later & ~gone, "later_on_goods_gone": later & gone}
    table = pd.DataFrame({name: costs[which].groupby("basis")["amount"].sum() for name, which in parts.items()})
    table = table.reindex(costs["basis"].unique()).fillna(0.0)
    table = table.assign(carried_on=table.sum(axis=1)).rename_axis("basis").reset_index()
    lots = f"{len(frozen['yearend_stock']):,}"
    return Answer({"carried_on": table}, facts={"currency": runs.currency, "day": str(closed), "lots": lots})
