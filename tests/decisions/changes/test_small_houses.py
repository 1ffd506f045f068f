"""What forecasts of small houses tell and refuse, and how slopes go with size; figures are kept whole elsewhere."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from costing import BOOK, ECONOMIC, InputError, read_estate, run
from costing.decisions.changes.changes import ChangedCells
from costing.decisions.changes.figures import costed_figure
from costing.decisions.changes.quantity_gradients import _allowed
from costing.decisions.changes.sensitivity import derivatives_of
from costing.decisions.changes.uncertain_prices import prices_drawn
from costing.decisions.changes.uncertainty import forecast
from costing.decisions.changes.uncertainty_tables import _verdicts_said, forecast_answer, stock_drawn
from costing.decisions.prices.price_tables import release_prices
from costing.graph.arrays import KINDS
from costing.inputs.estate import Estate, empty_table
from costing.inputs.load import read_inputs
from costing.model import Runs
from tests.decisions.changes.test_sensitivity import MOST, check_quantities, rerun_slope
from tests.decisions.changes.test_uncertainty import doubtful
from tests.decisions.one_bottling import one_bottling
from tests.golden.every_decision import SIZED, example, smaller, tables
from tests.inputs.planted import FOLDER

GLASS = ("glass", "Dry goods", "Unit price", "Item=glass", "multiply", "normal", 1, 0.08)
LOSS = ("loss", "Disgorgements", "Bottles out", None, "multiply", "uniform", 0.9, 1)


@pytest.fixture(scope="module")
def estate() -> Estate:
    return read_estate(tables())


def test_steps_are_told_to_the_end_and_one_release_may_be_watched_alone(estate: Estate) -> None:
    told: list[tuple[int, int]] = []
    drawn = forecast(
        Runs(estate), 40, bases=(BOOK,), watched=["D25"], progress=lambda done, steps: told.append((done, steps))
    )
    steps = told[0][1]
    assert told == [(done, steps) for done in range(1, steps + 1)]
    assert list(drawn.cost) == ["book"]
    assert drawn.cost["book"].shape == (40, 1)
    assert drawn.releases["release"].tolist() == ["D25"]


def test_money_alone_draws_no_more_than_there_is_and_fewer_bottles_do_not_either() -> None:
    for row in (GLASS, LOSS):
        assert forecast(Runs(doubtful(example(), row)), 20, bases=(ECONOMIC,)).overdrawn == 0.0


def test_a_yield_so_low_that_rows_want_more_than_there_is_counts_draw_by_draw(estate: Estate) -> None:
    """Of 1,478 and of 541 bottles out planned and made sales take nearly all: a third fewer are too few."""
    row = ("loss", "Disgorgements", "Bottles out", "Release lot=D25", "multiply", "uniform", 0.5, 1)
    assert 0.0 < forecast(Runs(doubtful(estate, row)), 50, bases=(ECONOMIC,)).overdrawn < 1.0


def test_dosage_that_no_row_draws_yet_may_be_in_doubt() -> None:
    """A draw of it makes one movement more, which the counting of what later rows want leaves out."""
    sheets = one_bottling()
    wine = sheets["deliveries"].loc[[0, 0]].reset_index(drop=True)
    sheets["deliveries"] = wine.assign(Lot=["W", "L"], Quantity=[750, 10])
    sheets["disgorgements"] = sheets["disgorgements"].assign(**{"Liqueur lot": "L", "Liqueur (L)": 0})
    dosage = ("dosage", "Disgorgements", "Liqueur (L)", "", "add", "uniform", 0, 1)
    found = forecast(Runs(doubtful(read_estate(sheets), dosage)), 20, bases=(BOOK,))
    assert found.overdrawn == 0.0
    assert found.cost["book"][:, 0] == pytest.approx(9.0 + 0.012 * found.drawn[:, 0])


def test_draws_that_make_no_sense_are_said_at_their_row() -> None:
    credit = ("credit", "Pressings", "By-product credit", "Fraction=by-product", "multiply", "uniform", 1, 1e6)
    with pytest.raises(InputError) as wrong:
        forecast(Runs(doubtful(read_inputs(FOLDER), credit, GLASS)), 10)
    finding = wrong.value.findings[-1]
    assert (finding.place, finding.value, finding.remedy) == (
        "Uncertainty!E2",
        "credit, glass",
        "Narrow the distribution.",
    )
    assert finding.rule.startswith("can be drawn so far out that the records make no sense (")


def test_a_borrowing_rate_that_is_missing_is_said_as_such_and_not_as_a_draw_too_far_out() -> None:
    house = example()
    no_rate = house["interest_rates"].assign(borrowing_rate=np.nan)
    settings = house.settings.model_copy(update={"book_borrowing_cost": "capitalised"})
    without = replace(house, settings=settings, tables={**house.tables, "interest_rates": no_rate})
    with pytest.raises(InputError) as wrong:
        forecast(Runs(doubtful(without, GLASS)), 10)
    assert [(one.place, one.remedy) for one in wrong.value.findings] == [
        ("Interest rates", "Enter the borrowing rate with the date from which it holds.")
    ]


def test_a_target_that_speaks_of_a_basis_that_was_not_drawn_has_no_line(estate: Estate) -> None:
    """A margin is asked of the book cost, a return of the economic; a stack without a planned release is not drawn."""
    runs = Runs(doubtful(estate, GLASS))
    prices = release_prices(runs.book, runs.economic, runs.replacement)
    both, book, economic = (
        prices_drawn(forecast(runs, 20, bases=bases), runs.economic, prices)[["release", "channel", "target"]]
        for bases in ((BOOK, ECONOMIC), (BOOK,), (ECONOMIC,))
    )
    assert len(both) == len(book) + len(economic) > len(book) > 0
    assert book["target"].str.endswith("margin").all()
    assert economic["target"].str.endswith("return").all()
    without = prices.assign(target_price=prices["target_price"].where(prices["channel"] != "Trade"))
    fewer = prices_drawn(forecast(runs, 20), runs.economic, without)["channel"]
    assert fewer.tolist() == [channel for channel in both["channel"] if channel != "Trade"]


def test_a_list_price_that_is_just_the_target_price_reaches_it_in_every_draw(estate: Estate) -> None:
    selling = ("prices", "Price by age", "Ex-cellar price", "", "multiply", "normal", 1, 0.07)
    runs = Runs(doubtful(estate, selling))
    prices = release_prices(runs.book, runs.economic, runs.replacement)
    prices = prices[prices["target"].str.endswith("margin")]
    drawn = forecast(runs, 20)
    found = prices_drawn(drawn, runs.economic, prices)
    at_it = prices.merge(found[["release", "channel", "p50"]]).rename(columns={"p50": "sold_at"})
    just = prices_drawn(drawn, runs.economic, at_it.assign(net_price_at_list=at_it["sold_at"]))
    assert len(just) == len(found) > 3
    assert just["draws_list_reaches"].eq(1.0).all()


@pytest.mark.parametrize(("put_in", "short"), [(1_000, True), (500, False)])
def test_rows_that_draw_more_than_there_is_in_half_of_the_draws_are_counted_in_half(put_in: int, short: bool) -> None:
    """1,000 bottles are there, and 900 to 1,100 are put to disgorging; or 450 to 550, and none is short."""
    sheets = one_bottling()
    given = {"Bottles in (bottles)": put_in, "Bottles out (bottles)": put_in}
    sheets["disgorgements"] = sheets["disgorgements"].assign(**given)
    doubt = ("bottles in", "Disgorgements", "Bottles in", "", "multiply", "uniform", 0.9, 1.1)
    found = forecast(Runs(doubtful(read_estate(sheets), doubt)), 400, bases=(BOOK,))
    above = (found.drawn[:, 0] > 1.0).mean()
    assert 0.4 < above < 0.6
    assert found.overdrawn == (above if short else 0.0)


def test_a_verdict_that_is_nine_parts_sure_is_not_open_whichever_side_wins() -> None:
    """Release with a chance of 10 % that holding wins was said to be open, hold with one of 90 % was not."""
    chances = {"A": 0.9, "B": 0.1, "C": 0.89, "D": 0.11, "E": np.nan}
    verdicts = pd.DataFrame({"lot": list(chances), "probability_holding": list(chances.values())})
    (said,) = _verdicts_said(verdicts)
    assert said.startswith("2 of 4 verdicts are at least 90% sure; open, ")
    assert said.endswith(": C (89%), D (11%).")


def test_goods_that_are_there_in_some_draw_or_as_recorded_have_their_line() -> None:
    drawn, recorded = np.zeros((2, len(KINDS))), np.zeros(len(KINDS))
    drawn[1, 0], recorded[1] = 5.0, 7.0
    found: Any = SimpleNamespace(stock={"book": drawn}, recorded_stock={"book": recorded})
    assert stock_drawn(found)["kind"].tolist() == ["all goods", *KINDS[:2]]


def test_an_allowance_that_is_used_up_gives_what_it_grows_to_the_loss_after_it() -> None:
    """Allowed until the first gauging 1.0, of which 2.0 are lost; until the second 1.5, of which 0.2 are."""
    accrued, lost = np.array([1.0, 1.5]), np.array([2.0, 0.2])

    def left(grown: np.ndarray, gone: np.ndarray) -> np.ndarray:
        used = min(gone[0], grown[0])
        return np.array([grown[0], grown[1] - used])

    known: Any = SimpleNamespace(
        judged=np.arange(2), segment=np.zeros(2, dtype=int), left=left(accrued, lost), lost=lost
    )
    worth, step = np.array([3.0, 5.0]), 1e-6 * np.eye(2)
    by_accrued, by_lost = _allowed(known, worth)
    for at in range(2):
        more = worth @ (left(accrued + step[at], lost) - left(accrued - step[at], lost)) / 2e-6
        assert by_accrued[at] == pytest.approx(more)
        gone = worth @ (left(accrued, lost + step[at]) - left(accrued, lost - step[at])) / 2e-6
        assert by_lost[at] == pytest.approx(gone)


@pytest.mark.parametrize(
    ("valued", "last", "capacity", "cell"),
    [
        ("2025-03-01", "2025-12-31", 800, ("pools", "normal_capacity")),
        ("2025-01-05", "2025-03-01", None, ("disgorgements", "bottles_in")),
        ("2025-01-05", "2025-02-28", None, ("disgorgements", "bottles_in")),
    ],
)
def test_what_a_pool_counts_on_its_last_day_and_on_the_valuation_day_is_of_its_period(
    valued: str, last: str, capacity: float | None, cell: tuple[str, str]
) -> None:
    """Half of a stack is disgorged in January and half on 1 March; the day after its end the rate is carried on."""
    sheets = one_bottling()
    half = {"Bottles in (bottles)": 500, "Bottles out (bottles)": 490, "From lot": "T"}
    sheets["disgorgements"] = pd.DataFrame(
        [{**half, "Date": "2025-01-10", "Release lot": "C"}, {**half, "Date": "2025-03-01", "Release lot": "D"}]
    )
    sheets["settings"] = pd.DataFrame({"Setting": ["Valuation date"], "Value": [valued]})
    sheets["pools"] = pd.DataFrame(
        {"From": ["2025-01-01"], "To": last, "Pool": "Line", "Amount": 700.0, "Driver": "bottle in",
         "Normal capacity": capacity, "Element": "overhead"}
    )  # fmt: skip
    results = run(read_estate(sheets), BOOK)
    slope = derivatives_of(results, ["D"]).quantities[cell][0, 0] * results.estate[cell[0]][cell[1]].iloc[0]
    assert slope == pytest.approx(
        rerun_slope(results, "D", ChangedCells(*cell, np.array([0]), 1.0)), rel=1e-5, abs=1e-9
    )


def test_nothing_released_is_nothing_to_draw(estate: Estate) -> None:
    nothing = forecast(Runs(doubtful(estate, GLASS)), 20, watched=["no such release"])
    assert nothing.cost["economic"].shape == (20, 0)
    unmade = {name: empty_table(name) for name in ("disgorgements", "dispatches")}
    small = example()
    answer = forecast_answer(Runs(doubtful(replace(small, tables={**small.tables, **unmade}), GLASS)), 20)
    assert not len(answer.main)
    assert answer.empty == "No release is made or planned: nothing to draw."


def test_a_house_a_ten_thousandth_as_large_costs_as_much_a_bottle_and_its_slopes_are_as_much_steeper(
    estate: Estate,
) -> None:
    """Cost per bottle is homogeneous of degree nought in quantities and sums of money together: so a bottle, a litre or
    a kilogram less than one counts as any other.
    """
    part, basis = 1e-4, BOOK.replace(name="gains", abnormal_gains=True)
    sized = [run(smaller(estate, times), basis) for times in (1.0, 1.0 / part)]
    assert costed_figure(sized[1], "D25") == pytest.approx(costed_figure(sized[0], "D25"), rel=1e-9)
    large, small = (derivatives_of(results, ["D25", "E25", "N25"]) for results in sized)
    for of_large, of_small in ((large.money, small.money), (large.quantities, small.quantities)):
        for (table, column), slope in of_large.items():
            steeper = 1.0 / part if column in SIZED.get(table, ()) else 1.0
            assert of_small[table, column] == pytest.approx(
                slope * steeper, rel=1e-5, abs=1e-9 * steeper, nan_ok=True
            ), (table, column)


def test_quantities_behind_a_release_planned_after_the_last_period_of_its_pools_are_central_differences(
    estate: Estate,
) -> None:
    """Its stock takes from the rate of all in each period, and in plans from that of the last."""
    assert check_quantities(run(estate, ECONOMIC), "D26", MOST) >= 20


@pytest.mark.parametrize("basis", [BOOK, ECONOMIC])
def test_quantities_of_the_first_lot_of_all_are_central_differences_where_a_yearly_norm_lets_some_go(basis) -> None:
    """Of 1,000 bottles that lay there for a year and a half 980 are counted; 15 lost are usual."""
    sheets = {
        "loss_norms": pd.DataFrame({"Operation or stage": ["on lees"], "Norm (%)": [1], "Time base": ["per year"]}),
        "cuvees": pd.DataFrame({"Cuvée": ["Brut"]}),
        "opening_stock": pd.DataFrame(
            {"Date": ["2023-09-01"], "Lot": ["A"], "Kind": ["on lees"], "Cuvée": ["Brut"], "Format": ["bottle"],
             "Quantity": [1000], "Unit": ["bottles"]}
        ),
        "opening_costs": pd.DataFrame({"Lot": ["A"], "Element": ["grapes"], "Amount": [5000]}),
        "stocktakes": pd.DataFrame({"Date": ["2025-03-01"], "Lot": ["A"], "Measured": [980]}),
        "disgorgements": pd.DataFrame(
            {"Date": ["2025-06-01"], "Release lot": ["D"], "From lot": ["A"], "Bottles in (bottles)": [600],
             "Bottles out (bottles)": [590]}
        ),
    }  # fmt: skip
    assert check_quantities(run(read_estate(sheets), basis), "D", MOST) >= 3
