"""The demo opened anew at the start of its last year, so that decisions on it take little time: as it stands, with
other settings and figures, and with little beside its wine.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from costing.decisions.closing.closing import close_year, with_closing
from costing.decisions.closing.next_year import open_year
from costing.inputs.estate import Estate, as_table, empty_table
from costing.inputs.load import read_inputs
from tests.golden.wrong_decisions import (
    BOTTLES_OFFERED,
    CHEAPEST,
    OFFERS,
    SCENARIOS,
    SPRINGS,
    TRIALS,
    UNCERTAINTY,
    with_rows,
)

_DEMO = Path(__file__).parents[2] / "demo_estate"
_CLOSED = date(2024, 12, 31)
_SETTINGS = {
    "fiscal_year_start_month": 7,
    "ageing_step_months": 6,
    "ageing_horizon_months": 30,
    "plan_horizon_months": 27,
    "plan_safety_percent": 0.0,
    "campaign_cost": 300.0,
    "smallest_campaign": 500,
    "service_method": "step-down",
    "price_step": 0.25,
    "bank_balance": 1_000.0,
    "cash_to_keep": 50_000.0,
    "day_count": "Act/360",
}
_FIGURES: dict[tuple[str, str], Callable[[Any], Any]] = {
    ("price_by_age", "price_response"): lambda column: column.where(column.index % 2 == 0),
    ("price_by_age", "bottles_a_month"): lambda column: column.where(column.index % 3 > 0),
    ("price_by_age", "ex_cellar_price"): lambda column: column * (1.0 + 0.1 * np.cos(column.index)),
    ("offers", "price_per_unit"): lambda column: column * (0.5 + column.index % 2),
    ("limits", "most"): lambda column: column * 0.5,
    ("loans", "rate"): lambda column: column + 0.02,
    ("loans", "drawn_in_steps_of"): lambda column: column * 0.0 + 5_000.0,
    ("channels", "cap_bottles"): lambda column: column.fillna(pd.Series(900.0 + 100.0 * column.index)),
    ("channels", "floor_bottles"): lambda column: column.fillna(20.0),
    ("channels", "customer_days"): lambda column: column.fillna(0.0) + 30.0,
    ("targets", "value"): lambda column: column + 0.05,
    ("uncertainty", "first_parameter"): lambda column: column * 0.9,
    ("scenarios", "value"): lambda column: column * 1.1,
    ("price_list", "list_price"): lambda column: column * (1.0 + 0.05 * np.sin(column.index)),
    ("trial_blends", "share"): lambda column: column * 0.9,
}
_LEFT_OUT = (
    *("limits", "loans", "offers", "other_payments", "targets", "price_by_age", "scenarios", "uncertainty", "recipes"),
    *("interest_rates", "price_indices", "channels", "price_list", "terms", "trial_blends"),
)


@cache
def opened() -> Estate:
    """The demo with what lay in its cellar at the start of its last year."""
    demo = read_inputs(_DEMO)
    frozen = {name: as_table(name, sheet) for name, sheet in with_closing(demo, close_year(demo, _CLOSED)).items()}
    return open_year(replace(demo, tables={**demo.tables, **frozen}), _CLOSED)


def varied() -> Estate:
    """The same under other settings, with other figures on the sheets that decisions ask."""
    estate = opened()
    tables = dict(estate.tables)
    for (name, column), change in _FIGURES.items():
        tables[name] = tables[name].assign(**{column: change(tables[name][column])})
    return replace(estate, settings=estate.settings.model_copy(update=_SETTINGS), tables=tables)


def broken() -> Estate:
    """The same with rows that a decision refuses or leaves out."""
    rows = {"uncertainty": UNCERTAINTY, "scenarios": SCENARIOS, "trial_blends": TRIALS, "offers": OFFERS}
    return with_rows(opened(), **rows)


def asked() -> Estate:
    """The same with bottles offered, springs bounded, and blends that can't be made."""
    limits = [*SPRINGS, {"what": "disgorging", "most": 20_000.0}]
    return with_rows(opened(), trial_blends=CHEAPEST, offers=BOTTLES_OFFERED, limits=limits)


def bare() -> Estate:
    """The same with no sheet that only decisions ask."""
    estate = opened()
    tables = {**estate.tables, **{name: empty_table(name) for name in _LEFT_OUT}}
    unpriced = as_table("dispatches", estate["dispatches"].drop(columns="currency"))
    return replace(estate, tables={**tables, "dispatches": unpriced})
