"""Plans and valuation dates change nothing that is past."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from costing.inputs.basis import BOOK, ECONOMIC, Basis
from costing.results.results import Results
from tests.form import every
from tests.properties.estates import Tables, random_estate
from tests.properties.reading import run_one, state_cost

BOTH = pytest.mark.parametrize("basis", [BOOK, ECONOMIC], ids=lambda basis: basis.name)
DATES = ("Date", "Date incurred")


def valued_on(tables: Tables, day: np.datetime64) -> Tables:
    """The same tables with another valuation date."""
    settings = tables["settings"].copy()
    settings.loc[settings["Setting"] == "Valuation date", "Value"] = str(day)
    return {**tables, "settings": settings}


def until(tables: Tables, day: np.datetime64) -> Tables:
    """The tables without any row after that day."""
    found = dict(tables)
    for name, table in tables.items():
        date = next((header for header in DATES if header in table), None)
        if date:
            found[name] = table[table[date].to_numpy() <= day].reset_index(drop=True)
    return {name: table for name, table in found.items() if len(table)}


def quiet_days(tables: Tables) -> list[np.datetime64]:
    """Days in the middle of the records on which nothing happened."""
    dates = [table[header] for table in tables.values() for header in DATES if header in table]
    happened = {day.astype("datetime64[D]") for day in pd.concat(dates).to_numpy()}
    first, last = min(happened), max(happened)
    days = first + (last - first) * np.array([2, 3, 4]) // 6
    while any(day in happened for day in days):
        days = np.array([day + 1 if day in happened else day for day in days])
    return list(days)


def past(results: Results, day: np.datetime64) -> dict[tuple[str, str, str], float]:
    """Cost of what is over by that day: states that ended by then, by lot, start and column."""
    states, found = results.chain.states, {}
    over = (states.end <= day.astype(int)) & (states.lot >= 0) & (states.end > states.start)
    for state in np.flatnonzero(over):
        lot = str(results.chain.lots.names[states.lot[state]])
        for (stage, element), amount in state_cost(results, int(state)).items():
            key = (f"{lot} from {states.start[state]}", stage, element)
            found[key] = found.get(key, 0.0) + amount
    return {key: amount for key, amount in found.items() if abs(amount) > 1e-9}


def without_late_money(tables: Tables) -> Tables:
    """Tables without premiums and late costs, which rightly enter lots of the past, and without pools."""
    found = {name: table for name, table in tables.items() if name not in ("costs", "pools")}
    headers = ["Final premium per unit", "Premium date"]
    kept = [header for header in found["deliveries"] if header not in headers]
    return {**found, "deliveries": found["deliveries"][kept]}


@pytest.mark.slow
@BOTH
@pytest.mark.parametrize("seed", every(4, [0, 1, 2, 3]))
def test_plans_change_nothing_past(seed: int, basis: Basis) -> None:
    tables = without_late_money(random_estate(seed, 50))
    for day in quiet_days(tables):
        planned = run_one(valued_on(tables, day), basis)
        alone = run_one(valued_on(until(tables, day), day), basis)
        with_plan, without = past(planned, day), past(alone, day)
        assert len(without) > 5
        assert with_plan == pytest.approx(without, rel=1e-9)


@BOTH
@pytest.mark.parametrize("seed", every(2, [0, 1, 2], 1))
def test_the_valuation_date_changes_no_earlier_cost(seed: int, basis: Basis) -> None:
    tables = random_estate(seed, 50)
    days = quiet_days(tables)
    closed = np.datetime64(f"{str(days[1])[:4]}-01-01") - 1  # pools of the years before are over
    early, late = (run_one(valued_on(tables, day), basis) for day in days[1:])
    first, second = past(early, closed), past(late, closed)
    assert first
    assert first == pytest.approx(second, rel=1e-9)
