"""Stacks on lees that no plan disgorges: how they are riddled, and from when they may be sold."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from costing import ECONOMIC, read_estate, run, trace
from costing.decisions.hold_or_release import ageing
from costing.decisions.plan.ageing_tables import holding
from costing.decisions.prices.price_tables import release_prices
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


def _prices(estate: Estate) -> pd.DataFrame:
    runs = Runs(estate)
    return release_prices(runs.book, runs.economic, runs.replacement).set_index("release")


CHANNELS = pd.DataFrame({"Channel": ["Trade"]})


def test_a_stack_whose_release_would_be_named_as_a_vat_is_has_its_price_and_another_name() -> None:
    vat = pd.DataFrame(
        {"Date": ["2021-03-01", "2024-06-01", "2024-06-01"], "Lot": ["W", "V", "T on lees"], "What": "wine",
         "Supplier": "M", "Quantity": [750, 750, 100], "Unit": "L", "Price per unit": 12}
    )  # fmt: skip
    named, apart = _prices(stacked(channels=CHANNELS)), _prices(stacked(channels=CHANNELS, deliveries=vat))
    assert apart.index.tolist() == ["D1", "D2", "T on lees*"]
    pd.testing.assert_frame_equal(apart.rename(index={"T on lees*": "T on lees"}), named)


def test_of_a_stack_that_leaves_and_partly_comes_back_what_stays_is_priced() -> None:
    """900 of 1,000 bottles are elsewhere while the stack would be released; 700 of them come back."""
    moved = pd.DataFrame(
        {"Date": ["2025-03-02", "2025-03-10"], "Operation": "transfer", "From lot": ["T", "U"],
         "Out (bottles)": [900, 700], "To lot": ["U", "T"], "In (bottles)": [900, 700]}
    )  # fmt: skip
    found = _prices(stacked(channels=CHANNELS, movements=moved))
    assert found["bottles_to_sell"]["T on lees":].to_dict() == {"T on lees": 100.0}


def test_a_stack_priced_before_it_may_be_sold_alone_has_dates_and_no_curves() -> None:
    """AOC Champagne: 15 months from tirage to sale; prices here speak of 9 to 14."""
    cuvees = pd.DataFrame({"Cuvée": ["Brut"], "Category": ["blanc de blancs"], "Rule set": ["Champagne"]})
    settings = {"Valuation date": "2025-03-01", "Ageing step (months)": 1, "Ageing horizon (months)": 4}
    prices = {"Cuvée": "Brut", "Months on lees": [9, 14], "Ex-cellar price": [20, 21], "Money of": "2025-03-01"}
    sheets = {"cuvees": cuvees, "price_by_age": pd.DataFrame(prices)}
    answer = ageing(Runs(stacked(settings=pd.DataFrame(settings.items(), columns=["Setting", "Value"]), **sheets)))
    assert list(answer.tables) == ["hold_or_release", "candidate_dates"]
    assert answer["candidate_dates"]["price"].tolist() == pytest.approx([20.0, 20.2, 20.4, 20.6, 20.8])
    assert answer.main[["verdict", "reason"]].to_numpy().tolist() == [
        ["no release date", "before the minimum months on lees"]
    ]
