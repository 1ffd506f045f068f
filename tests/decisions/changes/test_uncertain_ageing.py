"""How sure a verdict is: gains over the draws and the chance that holding wins, against a simulation of their own.

The simulation draws the step of price bottle stack by bottle stack and prices both dates anew; lognormal moments are
those of scipy.stats (A. M. Law, Simulation Modeling and Analysis, 6.2.2, from memory).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from costing import ECONOMIC, run
from costing.decisions.changes.changes import apply_changes
from costing.decisions.changes.distributions import Distribution, draw, uncertain_figures
from costing.decisions.changes.uncertain_ageing import price_spread, verdicts_drawn
from costing.decisions.hold_or_release import ageing
from costing.decisions.plan.ageing import hold_or_release
from costing.decisions.plan.ageing_tables import holding
from costing.decisions.prices.release_dates import grid_on_curve, worth_by_date
from costing.decisions.prices.scarcity import queue_for_market
from costing.model import Runs
from tests.decisions.changes.test_uncertainty import doubtful
from tests.form import in_full

PRICES = ("prices by age", "Price by age", "Ex-cellar price", "", "multiply", "normal", 1, 0.07)
BRUT = ("price of Brut", "Price by age", "Ex-cellar price", "Cuvée=Brut", "multiply", "lognormal", 1, 0.05)
HURDLE = ("hurdle", "Interest rates", "Hurdle rate (%)", "", "add", "uniform", -0.75, 1)
GLASS = ("glass price", "Dry goods", "Unit price", "Item=glass", "multiply", "lognormal", 1, 0.08)


def drawn_verdicts(estate, draws=4_000, seed=7):
    figures, correlation, findings = uncertain_figures(estate)
    assert not findings
    drawn = draw(figures, correlation, draws, seed)
    return figures, drawn, verdicts_drawn(run(estate, ECONOMIC), figures, correlation, drawn, seed).set_index("lot")


def two_dates(estate):
    held = holding(run(estate, ECONOMIC))
    wait = queue_for_market(held.stacks, held.day, held.curve, held.market).wait_years
    return held, wait, hold_or_release(held.stacks, held.day, held.curve, wait)


@in_full
def test_the_chance_that_holding_wins_is_that_of_a_simulation(demo_estate) -> None:
    """One factor on all prices, and a step of price of its own: both dates priced anew in each of 4,000 draws."""
    estate = doubtful(demo_estate, PRICES)
    _, _, table = drawn_verdicts(estate, 20_000)
    held, wait, answer = two_dates(estate)
    grid, own = grid_on_curve(held.day, held.curve), np.random.default_rng(99)
    wins = np.zeros(len(held.stock))
    rows = np.flatnonzero((answer.first >= 0) & (answer.best_later >= 0))
    first, later = answer.first[rows], answer.best_later[rows]
    spread = np.sqrt(np.log1p(0.07**2)) * np.sqrt((held.day[later] - held.day[first]) / 365.0)
    for _ in range(4_000):
        price = held.stacks.price * own.normal(1.0, 0.07)
        price[rows, later] *= stats.lognorm(spread, scale=np.exp(-(spread**2) / 2)).rvs(random_state=own)
        npv = worth_by_date(replace(held.stacks, price=price), grid, wait).npv
        wins[rows] += npv[rows, later] > npv[rows, first]
    assert len(rows) > 10
    for row in rows:
        chance = table.loc[held.stock["lot"].iloc[row], "probability_holding"]
        assert chance == pytest.approx(wins[row] / 4_000, abs=4 * 0.5 / 4_000**0.5)
    assert (table["probability_holding"].between(0.05, 0.95)).sum() > 10  # one factor on all prices cancels: 0 or 1


def test_percentiles_of_the_gain_hold_the_step_of_price(demo_estate) -> None:
    """Without any other doubt the gain is g + (W − 1)·k: its percentiles are those of W."""
    estate = doubtful(demo_estate, BRUT)
    _, _, table = drawn_verdicts(estate, 40_000)
    brut, other = table[table["cuvee"] == "Brut"], table[table["cuvee"] != "Brut"]
    assert (brut["gain_p5"] < brut["gain_p50"]).all()
    assert (brut["gain_p50"] < brut["gain_p95"]).all()
    assert np.allclose(brut["gain_mean"], brut["gain_of_holding"], atol=0.02 * (brut["gain_p95"] - brut["gain_p5"]))
    assert np.allclose(other["gain_p5"], other["gain_of_holding"])
    assert other["probability_holding"].isna().all()


def test_each_percentile_of_the_gain_is_the_one_it_is_called(demo_estate) -> None:
    """The price of corks alone is in doubt: the gain is a straight line in it, and its draws are given."""
    estate = doubtful(
        demo_estate, ("corks", "Dry goods", "Unit price", "Item=cork and muselet", "multiply", "normal", 1, 0.08)
    )
    figures, correlation, _ = uncertain_figures(estate)
    results, factor = run(estate, ECONOMIC), 1.0 + np.linspace(0.0, 1.0, 201) ** 3
    found = verdicts_drawn(results, figures, correlation, factor[:, np.newaxis])
    ends = [verdicts_drawn(results, figures, correlation, np.array([[at]]))["gain_p50"] for at in (1.0, 2.0)]
    slope = (ends[1] - ends[0]).to_numpy()
    assert (np.abs(slope) > 1e-6).any()
    low, high = (np.where(slope > 0, at, 100 - at) for at in (5, 95))
    for column, share in (("gain_p5", low), ("gain_p50", np.full(len(slope), 50)), ("gain_p95", high)):
        expected = ends[0] + slope * (np.percentile(factor, share) - 1.0)
        assert found[column].to_numpy() == pytest.approx(expected.to_numpy(), rel=1e-9)


def test_a_later_date_further_off_is_less_sure_and_years_count_from_the_first_possible_one(demo_estate) -> None:
    estate = doubtful(demo_estate, BRUT)
    _, _, table = drawn_verdicts(estate)
    held, _, answer = two_dates(estate)
    row = int(np.flatnonzero((held.stock["lot"] == "T25-BRUT").to_numpy())[0])
    first, later = answer.first[row], answer.best_later[row]
    assert first > 0  # not sold before it is old enough
    spread = 0.05 * np.sqrt((held.day[later] - held.day[first]) / 365.0)
    flip = answer.flip_price[row, later] / held.stacks.price[row, later]
    expected = stats.lognorm(spread, scale=np.exp(-(spread**2) / 2)).sf(flip)
    level = table.loc["T25-BRUT", "probability_holding"]
    assert level == pytest.approx(expected, abs=0.02)  # the level of all prices, drawn too, changes it by little


def test_every_row_that_touches_the_prices_of_a_cuvee_counts(demo_estate) -> None:
    estate = doubtful(demo_estate, PRICES, BRUT)
    figures, correlation, _ = uncertain_figures(estate)
    results = run(estate, ECONOMIC)
    spread = price_spread(results, figures, correlation)
    level = np.sqrt(np.log1p(0.07**2))
    assert spread["Vintage|bottle"] == pytest.approx(level)
    assert spread["Brut|bottle"] == pytest.approx(np.hypot(level, 0.05))
    tied = np.array([[1.0, 0.5], [0.5, 1.0]])
    assert price_spread(results, figures, tied)["Brut|bottle"] ** 2 == pytest.approx(
        level**2 + 0.05**2 + 2 * 0.5 * level * 0.05
    )


def test_a_price_that_gains_some_euros_is_most_in_doubt_where_it_is_lowest(small_runs) -> None:
    """Between 1 and 4 more on prices of 17.00 to 21.80: the deviation stands beside the price that they make."""
    row = ("price of Brut", "Price by age", "Ex-cellar price", "Cuvée=Brut; Format=bottle", "add", "uniform", 1, 4)
    figures, correlation, findings = uncertain_figures(doubtful(small_runs.estate, row))
    assert not findings
    spread = price_spread(small_runs.economic, figures, correlation)
    assert spread == {"Brut|bottle": pytest.approx(np.sqrt(np.log1p((3.0 / np.sqrt(12.0) / 19.5) ** 2)))}


@pytest.mark.parametrize(
    ("kind", "given", "reference"),
    [
        ("normal", (2.0, 0.3, np.nan), stats.norm(2.0, 0.3)),
        ("uniform", (-0.5, 1.5, np.nan), stats.uniform(-0.5, 2.0)),
        ("triangular", (0.9, 1.2, 1.3), stats.triang(0.75, 0.9, 0.4)),
        ("lognormal", (1.2, 0.4, np.nan), stats.lognorm(0.4, scale=1.2)),
    ],
)
def test_moments_are_those_of_a_reference_library(kind, given, reference) -> None:
    assert Distribution(kind, given).moments() == pytest.approx((reference.mean(), reference.std()))


def test_gains_are_those_of_the_whole_run_at_one_draw(demo_estate) -> None:
    estate = doubtful(demo_estate, GLASS, HURDLE)  # nothing on prices: no step
    figures, correlation, _ = uncertain_figures(estate)
    one = draw(figures, correlation, 12, 7)[11:12]
    table = verdicts_drawn(run(estate, ECONOMIC), figures, correlation, one).set_index("lot")
    held, wait, now = two_dates(estate)
    changed = apply_changes(estate, [figure.change(float(one[0, at])) for at, figure in enumerate(figures)])
    then = holding(run(changed, ECONOMIC))
    again = hold_or_release(then.stacks, then.day, then.curve, wait)
    for row, lot in enumerate(held.stock["lot"]):
        later = now.best_later[row]
        if lot in table.index:
            expected = again.worth.npv[row, later] - again.worth.npv[row, now.first[row]]
            assert table.loc[lot, "gain_p50"] == pytest.approx(expected, rel=1e-4, abs=0.5), lot


def test_no_chance_where_nothing_doubts_the_price(demo_estate) -> None:
    runs = Runs(doubtful(demo_estate, GLASS))
    assert ageing(runs)["hold_or_release"]["probability_holding"].isna().all()
