"""What forecasts of small houses tell and refuse, and how slopes go with size; figures are kept whole elsewhere."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from costing import BOOK, ECONOMIC, InputError, read_estate, run
from costing.decisions.changes.figures import costed_figure
from costing.decisions.changes.sensitivity import derivatives_of
from costing.decisions.changes.uncertain_prices import prices_drawn
from costing.decisions.changes.uncertainty import forecast
from costing.decisions.changes.uncertainty_tables import forecast_answer
from costing.decisions.prices.price_tables import release_prices
from costing.inputs.estate import Estate, empty_table
from costing.inputs.load import read_inputs
from costing.model import Runs
from tests.decisions.changes.test_sensitivity import MOST, check_quantities
from tests.decisions.changes.test_uncertainty import doubtful
from tests.decisions.one_bottling import one_bottling
from tests.golden.every_decision import example, tables
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


def test_nothing_released_is_nothing_to_draw(estate: Estate) -> None:
    nothing = forecast(Runs(doubtful(estate, GLASS)), 20, watched=["no such release"])
    assert nothing.cost["economic"].shape == (20, 0)
    unmade = {name: empty_table(name) for name in ("disgorgements", "dispatches")}
    small = example()
    answer = forecast_answer(Runs(doubtful(replace(small, tables={**small.tables, **unmade}), GLASS)), 20)
    assert not len(answer.main)
    assert answer.empty == "No release is made or planned: nothing to draw."


SIZED = {
    "opening_stock": ("quantity",),
    "opening_costs": ("amount",),
    "deliveries": ("quantity",),
    "pressings": ("weight_kg", "volume_l"),
    "movements": ("out_l", "in_l", "out_bottles", "in_bottles", "proceeds"),
    "tirage": ("wine_l", "liqueur_l", "bottles"),
    "disgorgements": ("bottles_in", "bottles_out", "liqueur_l"),
    "dispatches": ("bottles",),
    "stocktakes": ("quantity",),
    "costs": ("amount",),
    "pools": ("amount", "normal_capacity"),
}
"""Columns that say how large a house is."""


def test_a_house_a_ten_thousandth_as_large_costs_as_much_a_bottle_and_its_slopes_are_as_much_steeper(
    estate: Estate,
) -> None:
    """Cost per bottle is homogeneous of degree nought in quantities and sums of money together: so a bottle, a litre or
    a kilogram less than one counts as any other.
    """
    part, basis = 1e-4, BOOK.replace(name="gains", abnormal_gains=True)
    settings = {"volume_tolerance_l": 0.0, "bottle_tolerance": 0.0, "weight_tolerance_kg": 0.0}
    exact = replace(estate, settings=estate.settings.model_copy(update=settings))
    tables = {
        name: exact[name].assign(**{column: exact[name][column] * part for column in columns})
        for name, columns in SIZED.items()
    }
    sized = [run(one, basis) for one in (exact, replace(exact, tables={**exact.tables, **tables}))]
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
