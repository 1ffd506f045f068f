"""Draws against closed forms, the `uncertainties` package, SALib and exact reruns.

Sources: variance of a linear function of correlated normal figures, σ² = kᵀΣk (JCGM 100:2008, Guide to the expression
of uncertainty in measurement, 5.2.2, from memory); the `uncertainties` package does the same; first-order indices by
SALib's Sobol analysis.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from SALib.analyze import sobol as sobol_analysis
from SALib.sample import sobol as sobol_sample
from scipy import stats
from uncertainties import correlated_values_norm

from costing import BOOK, ECONOMIC, REPLACEMENT, InputError, run
from costing.decisions.changes.distributions import Distribution, draw, uncertain_figures
from costing.decisions.changes.scenarios import scenarios_answer
from costing.decisions.changes.uncertain_prices import prices_drawn
from costing.decisions.changes.uncertainty import Forecast, forecast, priced
from costing.decisions.changes.uncertainty_tables import (
    costs_drawn,
    figure_swings,
    figures_drawn,
    forecast_answer,
    stock_drawn,
    variance_shares,
)
from costing.decisions.hold_or_release import ageing
from costing.decisions.prices.price_tables import release_prices
from costing.decisions.prices.prices import priced_releases
from costing.graph.arrays import KINDS
from costing.inputs.estate import as_table
from costing.model import Runs
from costing.results.costs import cost_per_bottle
from costing.results.stock import stock_values
from tests.decisions.changes.test_sensitivity import cells_of
from tests.form import every, in_full
from tests.golden.as_kept import differences
from tests.properties.estates import estate_drawn

pytestmark = pytest.mark.slow

BRUT = "D25-3-BRUT"
COLUMNS = ["name", "sheet", "column", "where", "how", "distribution", "first_parameter", "second_parameter"]
COLUMNS += ["third_parameter", "correlated_with", "correlation"]


def at_draws(found: Forecast, basis: str, drawn: np.ndarray) -> np.ndarray:
    """Cost per bottle of any draws [draws, releases]; drawn [draws, figures]: as the sheet states values."""
    return priced(found.response[basis], found.figures, found.straight, found.curved, drawn)


@pytest.fixture(scope="module")
def demo(demo_estate):
    return demo_estate


@pytest.fixture(scope="module")
def found(demo_runs):
    return forecast(demo_runs, 4_000, seed=7)


@pytest.fixture(scope="module")
def answer(small_runs):
    return forecast_answer(small_runs)


def doubtful(estate, *rows):
    """The estate with these rows of the Uncertainty sheet."""
    frame = pd.DataFrame([dict(zip(COLUMNS, row, strict=False)) for row in rows], columns=COLUMNS)
    blank = np.array([], dtype=object)
    source = replace(
        estate.sources["uncertainty"],
        sheet=np.full(len(frame), "Uncertainty", dtype=object) if len(frame) else blank,
        row=np.arange(2, len(frame) + 2),
    )
    tables = {**estate.tables, "uncertainty": as_table("uncertainty", frame)}
    return replace(estate, tables=tables, sources={**estate.sources, "uncertainty": source})


GRAPES = ("grapes", "Grape prices", "Price per kg", "", "multiply", "normal", 1, 0.05)
GLASS = ("glass", "Dry goods", "Unit price", "Item=glass", "multiply", "normal", 1, 0.08, None, "grapes", 0.5)
LABOUR = ("labour", "Operation rates", "Amount", "Element=labour", "multiply", "normal", 1, 0.04)


@pytest.fixture(scope="module")
def cells(demo_runs):
    return cells_of(demo_runs.economic, BRUT)


def _per_whole(cells, sheet, column, what=None):
    """Change of a bottle if all cells of a column rise by the whole of their value."""
    mine = cells[(cells["sheet"] == sheet) & (cells["sheet_column"] == column)]
    return 100.0 * mine[(mine["what"] == what) if what else slice(None)]["change_per_percent"].sum()


def test_one_normal_price_has_the_closed_form(demo, cells) -> None:
    estate = doubtful(demo, GRAPES)
    drawn = forecast(Runs(estate), 20_000, seed=3, bases=(ECONOMIC,), watched=[BRUT])
    cost = drawn.cost["economic"][:, 0]
    slope = _per_whole(cells, "Grape prices", "Price per kg")
    assert cost == pytest.approx(drawn.recorded["economic"][0] + slope * (drawn.drawn[:, 0] - 1.0), rel=1e-9)
    error = slope * 0.05 / np.sqrt(20_000)
    assert abs(cost.mean() - drawn.recorded["economic"][0]) < 4 * error
    assert cost.std() == pytest.approx(slope * 0.05, rel=0.03)
    line = costs_drawn(drawn).iloc[0]
    assert line["p95"] == pytest.approx(
        drawn.recorded["economic"][0] + slope * 0.05 * stats.norm.ppf(0.95), abs=6 * error
    )


def test_correlated_prices_agree_with_the_uncertainties_package(demo, cells) -> None:
    estate = doubtful(demo, GRAPES, GLASS, LABOUR)
    drawn = forecast(Runs(estate), 20_000, seed=5, bases=(ECONOMIC,), watched=[BRUT])
    slopes = (
        _per_whole(cells, "Grape prices", "Price per kg"),
        _per_whole(cells, "Dry goods", "Unit price", "glass"),
        _per_whole(cells, "Operation rates", "Amount", "labour"),
    )
    matrix = np.array([[1.0, 0.5, 0.0], [0.5, 1.0, 0.0], [0.0, 0.0, 1.0]])
    prices = correlated_values_norm([(1.0, 0.05), (1.0, 0.08), (1.0, 0.04)], matrix)
    expected = sum(slope * price for slope, price in zip(slopes, prices, strict=True))
    assert drawn.cost["economic"][:, 0].std() == pytest.approx(expected.std_dev, rel=0.02)
    assert np.corrcoef(drawn.drawn[:, 0], drawn.drawn[:, 1])[0, 1] == pytest.approx(0.5, abs=0.03)


def test_first_order_shares_agree_with_salib(found) -> None:
    names = [figure.name for figure in found.figures]
    problem = {"num_vars": len(names), "names": names, "bounds": [[0.0, 1.0]] * len(names)}
    share = np.clip(sobol_sample.sample(problem, 1024, calc_second_order=False, seed=1), 1e-9, 1 - 1e-9)
    drawn = np.column_stack(
        [figure.distribution.at(stats.norm.ppf(share[:, at])) for at, figure in enumerate(found.figures)]
    )
    releases = list(found.releases["release"].astype(str))
    mine = variance_shares(found, "economic")
    for release in every(2, (BRUT, "D25-4-SEC", "D25-4-TERR")):
        at = releases.index(release)
        cost = at_draws(found, "economic", drawn)[:, at]
        theirs = sobol_analysis.analyze(problem, cost, calc_second_order=False, seed=1, num_resamples=20)
        assert np.allclose(mine[release].fillna(0.0), theirs["S1"], atol=0.03), release
    assert mine[BRUT].sum() == pytest.approx(1.0, abs=0.05)


def test_a_share_is_blank_where_the_figure_or_every_figure_varies_by_nothing(demo, found) -> None:
    mine = variance_shares(found, "economic")
    assert mine.loc["prices by age"].isna().all(), "a selling price is no part of a cost"
    assert mine[BRUT].sum() == pytest.approx(1.0, abs=0.05)
    price = ("prices", "Price by age", "Ex-cellar price", "", "multiply", "normal", 1, 0.07)
    still = variance_shares(forecast(Runs(doubtful(demo, price)), 50, watched=[BRUT]), "economic")
    assert still.isna().all(axis=None)


def test_the_response_agrees_with_exact_runs(found, demo) -> None:
    assert found.reruns_checked == 3
    assert found.rerun_difference < 2e-3
    assert 0.5 < found.overdrawn <= 1.0  # a yield below the recorded one leaves less than the rows draw
    assert np.allclose(found.recorded["economic"][list(found.releases["release"]).index(BRUT)], 16.0679, atol=1e-3)


def test_a_lower_yield_costs_bottles_and_money(demo) -> None:
    half = ("yield", "Pressings", "Must (L)", "Fraction=first", "multiply", "uniform", 0.96, 1.0)
    drawn = forecast(Runs(doubtful(demo, half)), 200, seed=1, bases=(ECONOMIC,), watched=[BRUT])
    assert drawn.rerun_difference < 1e-4
    assert drawn.overdrawn > 0.9
    order = np.argsort(drawn.drawn[:, 0])
    cost = drawn.cost["economic"][order, 0]
    assert (np.diff(cost) <= 1e-9).all()
    assert cost[0] > cost[-1] * 1.01


def test_the_same_seed_gives_the_same_figures(small_runs) -> None:
    estate = doubtful(
        small_runs.estate, ("corks", "Dry goods", "Unit price", "", "multiply", "normal", 1, 0.08), LABOUR
    )
    one, two, other = (forecast(Runs(estate), 300, seed=seed, bases=(BOOK,), watched=["D25"]) for seed in (4, 4, 5))
    assert np.ptp(one.cost["book"]) > 0
    assert np.array_equal(one.cost["book"], two.cost["book"])
    assert np.array_equal(one.drawn, two.drawn)
    assert not np.array_equal(one.drawn, other.drawn)


def test_progress_is_told_to_the_end(demo) -> None:
    seen = []
    forecast(Runs(doubtful(demo, GRAPES)), 50, watched=[BRUT], progress=lambda done, steps: seen.append((done, steps)))
    assert [one for one, _ in seen] == list(range(1, len(seen) + 1))
    assert seen[-1][0] == seen[-1][1]


def test_distributions_are_those_of_scipy() -> None:
    share = np.linspace(0.01, 0.99, 99)
    for mine, theirs in (
        (Distribution("normal", (2.0, 0.5, np.nan)), stats.norm(2.0, 0.5)),
        (Distribution("uniform", (1.0, 3.0, np.nan)), stats.uniform(1.0, 2.0)),
        (Distribution("triangular", (1.0, 1.5, 4.0)), stats.triang(0.5 / 3.0, 1.0, 3.0)),
        (Distribution("lognormal", (2.0, 0.3, np.nan)), stats.lognorm(0.3, scale=2.0)),
    ):
        assert np.allclose(mine.at(stats.norm.ppf(share)), theirs.ppf(share), rtol=1e-12), mine.kind


def test_figures_that_are_set_take_their_median(demo) -> None:
    rate = ("hurdle", "Interest rates", "Hurdle rate (%)", "", "set", "uniform", 6, 9)
    drawn = forecast(Runs(doubtful(demo, rate)), 400, seed=2, bases=(ECONOMIC,), watched=[BRUT])
    assert drawn.rerun_difference < 1e-5
    at_low = run(demo, ECONOMIC.replace(rate=0.06))
    releases = at_low.estate["disgorgements"]["release_lot"].astype(str)
    assert BRUT in set(releases)
    table = costs_drawn(drawn)
    assert table["p5"].iloc[0] > 0
    assert drawn.cost["economic"].min() < drawn.recorded["economic"][0] < drawn.cost["economic"].max()


@pytest.mark.parametrize("seed", every(2, [2, 5, 9]))
def test_random_estates_answer_as_exact_runs_do(seed) -> None:
    estate = estate_drawn(seed, 45)
    rows = []
    if len(estate["pressings"]):
        rows.append(("must", "Pressings", "Must (L)", "", "multiply", "uniform", 0.97, 1.02))
    if len(estate["costs"]):
        rows.append(("costs", "Costs", "Amount", "", "multiply", "normal", 1, 0.1))
    drawn = forecast(Runs(doubtful(estate, *rows)), 60, seed=1, bases=(ECONOMIC, BOOK))
    if not len(drawn.releases):
        pytest.skip("nothing is released")
    assert drawn.rerun_difference < 2e-3


@pytest.mark.parametrize(
    ("row", "column", "word"),
    [
        (("a", "Grape prices", "Price per kg", "", "multiply", "normal", 1, 0), "H2", "no standard deviation"),
        *(
            (("a", "Grape prices", "Price per kg", "", "multiply", "lognormal", 1, wide), "H2", "is more than 10, the")
            for wide in (1e15, 10.5)
        ),
        (("a", "Grape prices", "Price per kg", "", "multiply", "uniform", 2, 1), "H2", "high end"),
        (("a", "Grape prices", "Price per kg", "", "multiply", "triangular", 1, 2), "I2", "has three"),
        (("a", "Grape prices", "Price per kg", "", "multiply", "triangular", 1, 3, 2), "H2", "does not lie between"),
        (("a", "Grape prices", "Price per kg", "", "multiply", "lognormal", -1, 0.1), "G2", "median"),
        (("a", "Grape price", "Price per kg", "", "multiply", "normal", 1, 0.1), "B2", "Grape prices"),
        (("a", "Grape prices", "Price", "", "multiply", "normal", 1, 0.1), "C2", "no column"),
        (("a", "Grape prices", "Village", "", "multiply", "normal", 1, 0.1), "C2", "holds no figures"),
        (("a", "Grape prices", "Price per kg", "Variety=Chardonay", "multiply", "normal", 1, 0.1), "D2", "Chardonnay"),
        (("a", "Grape prices", "Price per kg", "", "multiply", "normal", 1, 0.9), "G2", "can't be"),
        (
            ("a", "Grape prices", "Price per kg", "", "multiply", "normal", 1, 0.1, None, "b", 0.2),
            "J2",
            "no other figure",
        ),
        (
            ("a", "Grape prices", "Price per kg", "", "multiply", "normal", 1, 0.1, None, "a", 0.2),
            "J2",
            "no other figure",
        ),
    ],
)
def test_what_is_wrong_is_said_at_its_cell(demo, row, column, word) -> None:
    with pytest.raises(InputError) as wrong:
        forecast(Runs(doubtful(demo, row)), 10)
    errors = [one for one in wrong.value.findings if one.severity == "error"]
    assert len(errors) == 1
    assert errors[0].place == f"Uncertainty!{column}"
    assert word in f"{errors[0].rule} {errors[0].remedy}"


def test_nothing_in_doubt_and_nothing_released(demo) -> None:
    sure = forecast(Runs(doubtful(demo)), 20, watched=[BRUT])
    assert np.array_equal(sure.cost["book"], np.full((20, 1), sure.recorded["book"][0]))
    assert len(costs_drawn(sure)) == 2
    silent = forecast_answer(Runs(doubtful(demo)), 20)
    assert not len(silent.main)
    assert "Uncertainty is empty" in silent.empty
    nothing = forecast(Runs(doubtful(demo, GRAPES)), 20, watched=["no such release"])
    assert nothing.cost["economic"].shape == (20, 0)


def test_correlations_that_cannot_hold_together_are_refused(demo) -> None:
    tied = (
        ("a", *GRAPES[1:], None, "b", 0.95),
        ("b", *LABOUR[1:], None, "c", 0.95),
        ("c", "Dry goods", "Unit price", "Item=glass", "multiply", "normal", 1, 0.08),
    )
    estate = doubtful(demo, *tied)
    _, _, findings = uncertain_figures(estate)
    assert [one.place for one in findings] == ["Uncertainty!K2"]
    assert "can't hold together" in findings[0].rule
    missing = doubtful(demo, ("a", *GRAPES[1:], None, "b"), ("b", *LABOUR[1:]))
    assert [one.place for one in uncertain_figures(missing)[2]] == ["Uncertainty!K2"]
    twice = doubtful(demo, GRAPES, ("grapes", *LABOUR[1:]))
    assert [one.place for one in uncertain_figures(twice)[2]] == ["Uncertainty!A3"]


def test_a_target_price_of_a_draw_is_that_of_the_whole_run(small_runs) -> None:
    """One certain change, glass 18 % dearer: the price of the draw against release prices of the estate typed so."""
    estate = small_runs.estate
    glass = ("glass", "Dry goods", "Unit price", "Item=glass", "multiply", "normal", 1, 0.01)
    hurdle = ("hurdle", "Interest rates", "Hurdle rate (%)", "", "add", "uniform", -1, 1)
    found = forecast(Runs(doubtful(estate, glass, hurdle)), 3, seed=1)
    drawn = np.array([[1.18, 0.0]] * 3)
    cost = {basis: at_draws(found, basis, drawn) for basis in found.cost}
    found = replace(found, drawn=drawn, cost=cost)
    price = {}
    for name, factor in (("now", 1.0), ("then", 1.18)):
        table = estate["dry_goods"].copy()
        table.loc[(table["item"] == "glass").to_numpy(), "unit_price"] *= factor
        dearer = replace(estate, tables={**estate.tables, "dry_goods": table})
        book = run(dearer, BOOK)
        economic, again = (run(dearer, basis, book.chain) for basis in (ECONOMIC, REPLACEMENT))
        price[name] = release_prices(book, economic, again), economic
    table = prices_drawn(found, price["now"][1], price["now"][0])
    both = table.merge(price["then"][0][["release", "channel", "target_price"]], on=["release", "channel"])
    assert len(both) > 10
    assert (both["target_price_y"] > both["target_price_x"] * 1.001).any()
    assert np.allclose(both["p50"], both["target_price_y"], rtol=5e-4)


def test_percentiles_of_even_draws_are_the_sixth_and_the_ninety_sixth_of_a_hundred_and_one(small_runs) -> None:
    """Corks at 1.00, 1.01, … 2.00 times its price: what rises with it has its percentiles at 1.05, 1.50 and 1.95."""
    corks = ("corks", "Dry goods", "Unit price", "Item=cork and label", "multiply", "normal", 1, 0.01)
    found = forecast(Runs(doubtful(small_runs.estate, corks)), 3, seed=1)

    def at(*factors: float) -> Forecast:
        drawn = np.array(factors)[:, np.newaxis]
        return replace(found, drawn=drawn, cost={basis: at_draws(found, basis, drawn) for basis in found.cost})

    even = at(*(1.0 + np.arange(101) / 100))
    recorded, prices = at(1.0).cost["economic"][0], priced_releases(small_runs)
    drawn = prices_drawn(even, small_runs.economic, prices)
    assert len(drawn) > 10
    for name, factor in (("p5", 1.05), ("p50", 1.50), ("p95", 1.95)):
        alone = at(factor, factor, factor)
        assert np.allclose(drawn[name], prices_drawn(alone, small_runs.economic, prices)["p50"], rtol=1e-9)
    line = figures_drawn(even).iloc[0]
    assert (line["draw_p5"], line["draw_mean"], line["draw_p95"]) == pytest.approx((1.05, 1.50, 1.95))
    swings = figure_swings(even, "economic").set_index("cuvee")
    assert len(swings) > 1
    low, high = (at(factor).cost["economic"][0] - recorded for factor in (1.05, 1.95))
    for cuvee, swing in swings.iterrows():
        mine = (found.releases["cuvee"] == cuvee).to_numpy()
        assert (np.isclose(low[mine], swing["swing_low"]) & np.isclose(high[mine], swing["swing_high"])).any(), cuvee


def test_stock_is_drawn_as_an_estate_with_other_figures_is_valued(demo) -> None:
    """Money moves stock in proportion, a late premium left out as it is from stock; the other figures are run again."""
    premium = ("premium", "Deliveries", "Final premium per unit", "", "multiply", "uniform", 0.5, 1.5)
    hurdle = ("hurdle", "Interest rates", "Hurdle rate (%)", "", "multiply", "uniform", 0.8, 1.2)
    drawn = forecast(Runs(doubtful(demo, GRAPES, premium, hurdle)), 300, seed=2, watched=[BRUT])
    dearer = {name: frame.copy() for name, frame in demo.tables.items()}
    factors = dict(zip((figure.name for figure in drawn.figures), drawn.drawn[7], strict=True))
    dearer["grape_prices"]["price_per_kg"] *= factors["grapes"]
    dearer["deliveries"]["premium_per_unit"] *= factors["premium"]
    dearer["interest_rates"]["hurdle_rate"] *= factors["hurdle"]
    changed = replace(demo, tables=dearer)
    for basis in (ECONOMIC, BOOK):
        stock = drawn.stock[basis.name]
        as_recorded = stock_values(run(demo, basis))
        assert drawn.recorded_stock[basis.name].sum() == pytest.approx(as_recorded["value"].sum(), rel=1e-12)
        by_kind = stock_values(run(changed, basis)).groupby("kind")["value"].sum()
        exact = by_kind.reindex(KINDS).fillna(0.0).to_numpy()
        assert stock[7] == pytest.approx(exact, rel=2e-5 if basis is ECONOMIC else 1e-9, abs=1e-6)
        assert abs(exact.sum() / as_recorded["value"].sum() - 1.0) > 1e-3


def test_percentiles_of_stock_stand_beside_what_is_recorded(demo, demo_runs) -> None:
    drawn = forecast(Runs(doubtful(demo, GRAPES)), 2_000, seed=3, watched=[BRUT])
    table = stock_drawn(drawn).set_index(["kind", "basis"])
    line = table.loc[("all goods", "economic")]
    assert line["recorded_total"] == pytest.approx(stock_values(demo_runs.economic)["value"].sum())
    assert line["total_p5"] < line["total_p25"] < line["total_p50"] < line["total_p75"] < line["total_p95"]
    slope = (drawn.stock["economic"].sum(axis=1) - line["recorded_total"]) / (drawn.drawn[:, 0] - 1.0)
    assert slope == pytest.approx(slope[0], rel=1e-6)  # linear in a price
    share = stats.norm.ppf(0.95) * 0.05
    assert line["total_p95"] - line["recorded_total"] == pytest.approx(slope[0] * share, rel=0.1)
    economic = table.xs("economic", level="basis")["recorded_total"]
    assert economic.drop("all goods").sum() == pytest.approx(economic["all goods"])


def test_the_answer_speaks_of_every_release_and_figure(answer, small_runs, found) -> None:
    figures, _, _ = uncertain_figures(small_runs.estate)
    assert answer["costs_drawn"]["basis"].value_counts().nunique() == 1
    assert set(answer["costs_drawn"]["release"]) == {"D25", "E25", "N25", "D26"}
    assert list(answer["figures_drawn"]["figure"]) == [figure.name for figure in figures]
    assert {"Brut", "Rosé"} <= set(answer["doubt_by_cuvee"]["cuvee"])
    turned = answer["doubt_by_figure"].set_index("figure")["share_of_doubt:Brut"]
    brut = answer["doubt_by_cuvee"].set_index("cuvee").loc["Brut"]
    assert 0 < brut["share_by:hurdle"] == pytest.approx(turned["hurdle"])
    assert len(answer["prices_drawn"]) > 10
    assert len(answer.says) == 3
    low, high = map(float, re.findall(r"[\d.]+(?= to )|(?<= to )[\d.]+", answer.says[0]))
    economic = answer["costs_drawn"].query("basis == 'economic'")
    widest = economic[["p5", "p95"]].round(2)
    assert ((widest["p5"] == low) & (widest["p95"] == high)).any()
    assert next(iter(answer.tables)) == "costs_drawn"
    assert draw(found.figures, found.correlation, 5, 7).shape == (5, 9)


@in_full
def test_every_figure_of_the_demo_is_as_kept(demo_runs) -> None:
    """Those of smaller houses are kept beside it (`tests.golden.questions`)."""
    assert differences("demo", ["forecast"], demo_runs) == []


def test_hold_or_release_and_the_forecast_say_one_chance(answer, small_runs) -> None:
    alone = ageing(small_runs)["hold_or_release"].set_index("lot")
    drawn = answer["verdicts_drawn"].set_index("lot")
    chance = drawn["probability_holding"]
    assert chance.between(0.01, 0.99).sum() > 1
    assert alone.loc[chance.index, "probability_holding"].equals(chance)  # blank where no price is in doubt
    assert (alone.loc[chance.index, "verdict"] == drawn["verdict"]).all()


def test_a_cost_as_recorded_is_that_of_the_costs_wherever_it_stands(answer, small_runs) -> None:
    """To the last decimal: one rounded later than the other shows another cent in one release of a hundred."""
    costs = cost_per_bottle(small_runs.economic).set_index("release")["per_bottle"]
    beside = scenarios_answer(small_runs)["scenarios_per_bottle"].set_index("release")["recorded_per_bottle"]
    drawn = answer["costs_drawn"].query("basis == 'economic'").set_index("release")["recorded_per_bottle"]
    for recorded in (beside, drawn):
        assert len(recorded) > 3
        assert (recorded == costs[recorded.index]).all()
