"""Cash of random estates: in less out is the change of the balance, and each day it is the money of the engine."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest

from costing import House
from costing.decisions.budget.budget import budget
from costing.decisions.budget.entries import posted_entries
from costing.inputs.load import read_inputs
from costing.money.postings import TABLE_NAMES
from tests.form import every
from tests.properties.estates import random_estate

POOLS, OPENING = (TABLE_NAMES.index(name) for name in ("pools", "opening_costs"))


@pytest.mark.parametrize("seed", every(3, range(8)))
def test_cash_adds_up(seed: int) -> None:
    tables = random_estate(seed, 30, plan_days=120)
    rng = np.random.default_rng(seed)
    today = pd.Timestamp(tables["settings"].iloc[0, 1])
    years = [str((today + pd.DateOffset(years=count)).date()) for count in (-1, 3)]
    loans = pd.DataFrame(
        {
            "Loan": ["line", "term"],
            "From": [date.fromisoformat(years[0])] * 2,
            "Due": [date.fromisoformat(years[1])] * 2,
            "Amount": rng.integers(1_000, 60_000, 2).astype(float),
            "Rate (% a year)": [4.0, 3.0],
            "Repayment": ["at will", "equal instalments"],
            "Months between payments (months)": [rng.choice([1, 3]), 1],
            "Advance on wine (%)": [50.0, None],
        }
    )
    house = House(read_inputs({**tables, "loans": loans}))
    found = budget(house.runs, 18)
    planned = found.periods.planned
    balance = np.concatenate([[0.0], found.balance[planned]])
    np.testing.assert_allclose(np.diff(balance), found.change[planned], atol=1e-6)
    assert (found.drawn.owed >= -1e-6).all()
    assert (
        found.drawn.owed <= np.maximum(found.lines.most, np.maximum.accumulate(found.lines.most, axis=1)) + 1e-6
    ).all()
    charges = house.runs.book.charges
    engine = pd.concat(
        [
            pd.Series(part.amount, part.paid)[~np.isin(part.table, (POOLS, OPENING))]
            for part in (charges.postings, charges.expensed)
        ]
    )
    entries = posted_entries(house.runs.book)
    both = pd.DataFrame(
        {"engine": engine.groupby(level=0).sum(), "cash": -pd.Series(entries.amount).groupby(entries.paid).sum()}
    )
    np.testing.assert_allclose(both["cash"].fillna(0.0), both["engine"].fillna(0.0), atol=1e-6)
    assert (both["engine"].abs() > 1.0).any()
