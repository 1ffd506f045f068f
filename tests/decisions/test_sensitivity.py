"""Derivatives of a bottle's cost against central differences, on the demo and on random estates.

Source of the check: a central difference, (f(x+h) − f(x−h))/2h, of the whole run (textbook numerical analysis); it
knows nothing of weights.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from costing import BOOK, ECONOMIC, CostingError, read_estate, run
from costing.decisions.changes import Change, Target, apply_changes
from costing.decisions.figures import figure_of
from costing.decisions.gradients import Reached, gradients
from costing.decisions.sensitivity import (
    DIFFERENCE,
    EXACT,
    by_rerun,
    cell_sensitivities,
    quantity_sensitivities,
    tornado,
)
from costing.errors import InputError
from costing.graph.arrays import Flow
from costing.results.origins import release_states
from tests.properties.estates import random_estate

DEMO = Path(__file__).parents[2] / "demo_estate"
SEEDS = (3, 7, 11, 19)


@pytest.fixture(scope="module")
def demo():
    return run(read_estate(DEMO), ECONOMIC)


def _slope(results, target, states_of):
    """Derivative of the cost of a release by one cell, by two runs."""
    value = float(results.estate[target.table][target.column].iloc[target.rows[0]])
    step = 1e-4 * abs(value)
    ends = [
        states_of(run(apply_changes(results.estate, [Change(target, "add", one)]), results.basis))
        for one in (step, -step)
    ]
    return (ends[0] - ends[1]) / (2.0 * step)


@pytest.mark.parametrize("basis", [BOOK, ECONOMIC], ids=lambda basis: basis.name)
@pytest.mark.parametrize("seed", SEEDS)
def test_gradients_are_central_differences_on_random_estates(seed, basis) -> None:
    results = run(read_estate(random_estate(seed, 45)), basis)
    flows, names = results.chain.flows, results.chain.lots.names
    lots = list(dict.fromkeys(names[flows.target[flows.kind == Flow.DISGORGEMENT]]))
    if not lots:
        pytest.skip("this estate disgorges nothing")
    lot = str(lots[-1])

    def cost(one):
        return float(one.total[release_states(one, lot)].sum())

    found = gradients(Reached.by(results, [release_states(results, lot)]))
    scale, checked = max(1.0, abs(cost(results))), 0
    for (table, column), slope in found.items():
        for row in np.flatnonzero(slope[0])[:4]:
            value = abs(float(results.estate[table][column].iloc[row]))
            target = Target(table, column, np.array([row]), 1.0)
            try:
                expected = _slope(results, target, cost)
            except InputError:  # at the edge of what a split may be
                continue
            if np.isnan(value):
                continue
            assert slope[0, row] * value == pytest.approx(expected * value, rel=1e-6, abs=1e-8 * scale), (table, column)
            checked += 1
    assert checked >= 8


def test_cells_of_the_demo_are_central_differences(demo) -> None:
    cells = cell_sensitivities(demo, "D25-3-BRUT")
    assert cells["per_percent"].abs().is_monotonic_decreasing
    assert set(cells["method"]) == {EXACT, DIFFERENCE}
    wanted = (("Grape prices", "price_per_kg", "grape_prices"), ("Dry goods", "unit_price", "dry_goods"))
    wanted += (("Operation rates", "amount", "operation_rates"), ("Pools", "amount", "pools"))
    for title, column, table in wanted:
        line = cells[(cells["sheet"] == title)].iloc[0]
        row = int("".join(filter(str.isdigit, line["place"]))) - 2
        target = Target(table, column, np.array([row]), 1.0)
        expected = _slope(demo, target, lambda one: figure_of(one, "D25-3-BRUT"))
        assert line["per_unit"] == pytest.approx(expected, rel=1e-7), title
        assert line["per_percent"] == pytest.approx(expected * line["value"] / 100.0, rel=1e-7)


def test_split_values_move_cost_from_one_fraction_to_the_other(demo) -> None:
    cells = cell_sensitivities(demo, "D25-4-SEC")
    split = cells[cells["column"] == "Value per litre"]
    market = cells[cells["sheet"] == "Market values"]
    assert len(split) + len(market) > 0
    both = split if len(split) else market
    second = both[both["what"] == "second"]["per_percent"].sum()
    first = both[both["what"] == "first"]["per_percent"].sum()
    assert second > 0 > first  # the second wine is mostly second pressing: a dearer second pressing makes it dearer


def test_a_rerun_is_made_for_the_cell_asked_for(demo) -> None:
    loads = demo.estate["pressings"]
    row = int(np.flatnonzero((loads["fraction"] == "first") & loads["to_lot"].astype(str).str.startswith("S22"))[0])
    line = by_rerun(demo, "D25-3-BRUT", Target("pressings", "volume_l", np.array([row]), 1.0)).iloc[0]
    assert line["method"] == DIFFERENCE
    assert line["per_percent"] < 0  # more must from the same grapes
    with pytest.raises(CostingError, match="no figure to change"):
        by_rerun(demo, "D25-3-BRUT", Target("pressings", "fixed_share", np.array([row]), 1.0))


def test_a_rerun_of_a_price_equals_its_exact_derivative(demo) -> None:
    exact = cell_sensitivities(demo, "Brut")
    line = exact[exact["sheet"] == "Grape prices"].iloc[0]
    row = int(line["place"].removeprefix("Grape prices!D")) - 2
    again = by_rerun(demo, "Brut", Target("grape_prices", "price_per_kg", np.array([row]), 1.0)).iloc[0]
    assert again["per_unit"] == pytest.approx(line["per_unit"], rel=1e-6)


def test_the_quantities_that_carry_most_cost_are_run_again(demo) -> None:
    table = quantity_sensitivities(demo, "D25-3-BRUT", most=6)
    assert len(table) == 6
    assert table["per_percent"].abs().is_monotonic_decreasing
    out = table[table["sheet"] == "Disgorgements"]
    good = out[out["column"] == "Bottles out (bottles)"].iloc[0]
    # c = C/b: one more good bottle makes each of them cheaper by c/(b + 1), but for what is paid per bottle out
    assert good["per_unit"] < 0
    assert abs(good["per_unit"]) < figure_of(demo, "D25-3-BRUT") / good["value"]


def test_the_tornado_ranks_figures(demo) -> None:
    table = tornado(demo, "Brut", most=8)
    assert len(table) == 8
    size = table[["less", "more"]].abs().max(axis=1)
    assert size.is_monotonic_decreasing
    exact = table[table["method"] == EXACT]
    assert np.allclose(exact["less"], -exact["more"])
    assert any("Must" in figure for figure in table["figure"])


def test_all_prices_and_amounts_one_per_cent_dearer_is_one_per_cent_of_the_cost() -> None:
    results = run(read_estate(DEMO), BOOK)  # Euler: the cost is homogeneous of degree one in money
    cells = cell_sensitivities(results, "D25-3-BRUT")
    money = cells[~cells["column"].isin(["Quantity per bottle", "Value per litre", "Value per unit"])]
    money = money[money["column"] != "Cost to complete per litre"]
    assert money["per_percent"].sum() == pytest.approx(figure_of(results, "D25-3-BRUT") / 100.0, rel=1e-9)
