"""Stacks on lees that no plan disgorges: how they are riddled, and from when they may be sold."""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing import ECONOMIC, read_estate, run, trace
from costing.decisions.plan.ageing_tables import holding
from costing.decisions.prices.releases_to_sell import DatedMoney, to_sell, with_stacks_released
from costing.inputs.estate import Estate
from costing.model import Runs
from costing.results.origins import plain_weights, reached_by, release_states
from costing.results.results import Results


def stacked(**sheets: pd.DataFrame) -> Estate:
    """Two bottlings of Brut, one disgorged in two halves and one still on lees; rows of the sheet newest first."""
    tirage = pd.DataFrame(
        {"Date": ["2021-03-01", "2024-06-01"], "Cuvée": "Brut", "Bottle lot": ["OLD", "T"], "Wine lot": ["W", "V"],
         "Wine (L)": [750, 750], "Format": "bottle", "Bottles (bottles)": [1000, 1000]}
    )  # fmt: skip
    wine = pd.DataFrame(
        {"Date": ["2021-03-01", "2024-06-01"], "Lot": ["W", "V"], "What": "wine", "Supplier": "M", "Quantity": 750,
         "Unit": "L", "Price per unit": 12}
    )  # fmt: skip
    released = pd.DataFrame(
        {"Date": ["2025-02-01", "2023-03-01"], "Release lot": ["D2", "D1"], "From lot": "OLD",
         "Bottles in (bottles)": 500, "Bottles out (bottles)": 500,
         "Riddling": ["machine riddling", "hand riddling"]}
    )  # fmt: skip
    rows = {
        "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-03-01"]}),
        "interest_rates": pd.DataFrame({"From": ["2020-01-01"], "Hurdle rate (%)": [8]}),
        "cuvees": pd.DataFrame({"Cuvée": ["Brut"]}),
    }
    return read_estate(rows | {"deliveries": wine, "tirage": tirage, "disgorgements": released} | sheets)


def test_a_stack_is_riddled_as_the_latest_release_and_not_as_the_last_row() -> None:
    estate = stacked()
    extended, lots = with_stacks_released(estate, trace(estate))
    assert lots == ["T on lees"]
    assert extended["disgorgements"]["riddling"].iloc[-1] == "machine riddling"


def test_a_cuvee_with_a_declared_year_waits_as_a_vintage() -> None:
    # AOC Champagne: 15 months from tirage to sale, 36 for vintage wine
    for declared, first in ((None, "2025-09-01"), ("2023", "2027-06-01")):
        cuvees = {"Cuvée": ["Brut"], "Category": ["blanc de blancs"], "Rule set": ["Champagne"], "Vintage": [declared]}
        estate = stacked(cuvees=pd.DataFrame(cuvees, dtype=object))
        extended, _ = with_stacks_released(estate, trace(estate))
        assert str(extended["disgorgements"]["on_date"].iloc[-1].date()) == first
        held = holding(run(estate, ECONOMIC))
        assert held.stacks.minimum_months[0, 0] == (15.0 if declared is None else 36.0)


def test_what_reaches_many_releases_at_once_is_what_reaches_each_alone(demo_runs: Runs) -> None:
    economic = demo_runs.economic
    sets = [release_states(economic, str(name)) for name in to_sell(economic)["release"]]
    reached = reached_by(economic, sets)
    each = np.array([plain_weights(economic, states) for states in sets])
    assert np.abs(reached.toarray() - each).max() < 1e-14
    assert reached.nnz < 0.3 * each.size  # what reaches no release takes neither memory nor time


def test_money_behind_many_releases_is_that_behind_each(demo_runs: Runs) -> None:
    economic = demo_runs.economic
    money = DatedMoney(economic)
    sets = [release_states(economic, str(name)) for name in to_sell(economic)["release"]]
    for states, (days, amounts) in zip(sets, money.behind_each(sets), strict=True):
        alone_days, alone = money.behind(states)
        assert (days == alone_days).all()
        assert np.allclose(amounts, alone, rtol=1e-12, atol=1e-12)
        assert np.isclose(amounts.sum(), economic.cost[states][:, ~_is_capital(economic)].sum(), rtol=1e-12)


def _is_capital(results: Results) -> np.ndarray:
    return np.asarray(results.columns.get_level_values("element") == "capital")
