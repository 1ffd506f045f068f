"""Derivatives of a bottle's cost against central differences, on the demo and on random estates.

Source of the check: a central difference, (f(x+h) − f(x−h))/2h, of the whole run (textbook numerical analysis); it
knows nothing of weights.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from costing import BOOK, ECONOMIC, REPLACEMENT, read_estate, run
from costing.decisions.changes.changes import Change, ChangedCells, apply_changes
from costing.decisions.changes.figures import costed_figure
from costing.decisions.changes.gradients import LINEAR_COLUMNS, Moved, Reached, gradients, worth_by_moves
from costing.decisions.changes.quantity_gradients import quantity_gradients
from costing.decisions.changes.replay import later_rows_follow
from costing.decisions.changes.sensitivity import (
    EXACT,
    FIGURES_SHOWN,
    cell_tables,
    derivatives_of,
    sensitivity,
)
from costing.errors import InputError
from costing.graph.arrays import Flow
from costing.inputs.basis import Basis
from costing.inputs.schema import sheets
from costing.model import Runs
from costing.results.origins import release_states
from tests.decisions.one_bottling import one_bottling
from tests.form import FULL, chosen, every, in_full
from tests.golden.as_kept import differences
from tests.golden.every_decision import example
from tests.properties.estates import estate_drawn
from tests.properties.test_other_owners import pair

pytestmark = pytest.mark.slow

MOST = chosen(full=3, short=1)


def drawn(*seeds: int) -> list[tuple[int, Basis]]:
    """Random estates on every basis; in the short form each on one, by turns."""
    bases = (BOOK, ECONOMIC, REPLACEMENT)
    return [(seed, basis) for turn, seed in enumerate(seeds) for basis in (bases if FULL else bases[turn % 3 :][:1])]


@pytest.fixture(scope="module")
def demo(demo_runs):
    return demo_runs.economic


def cells_of(results, what):
    """Every cell that the cost of a release depends on, largest per 1 % first."""
    return cell_tables(derivatives_of(results, [what]))[what]


@pytest.fixture(scope="module")
def cells(demo):
    """Those of the latest Brut in bottles."""
    return cells_of(demo, "D25-3-BRUT")


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
def test_money_moved_forward_is_money_weighed_backward(demo_estate, basis) -> None:
    """Both solves of one equation: wᵀ·d and the sum of (I − S)⁻¹·d over the release."""
    results = run(demo_estate, basis)
    states = release_states(results, "D25-3-BRUT")
    slopes = gradients(Reached.by(results, [states]))
    for table, column in LINEAR_COLUMNS:
        size = len(results.estate[table])
        step = np.linspace(0.5, 2.0, size)
        forward = worth_by_moves(results, [Moved(table, column, np.arange(size), step)])[states, 0].sum()
        assert forward == pytest.approx(float(slopes[table, column][0] @ step), rel=1e-11, abs=1e-9)


@pytest.mark.parametrize(("seed", "basis"), drawn(*every(2, [3, 7, 11, 19])))
def test_gradients_are_central_differences_on_random_estates(seed, basis) -> None:
    results = run(estate_drawn(seed, 45), basis)
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
            target = ChangedCells(table, column, np.array([row]), 1.0)
            try:
                expected = _slope(results, target, cost)
            except InputError:  # at the edge of what a split may be
                continue
            if np.isnan(value):
                continue
            assert slope[0, row] * value == pytest.approx(expected * value, rel=1e-6, abs=1e-8 * scale), (table, column)
            checked += 1
    assert checked >= 8


def test_cells_of_the_demo_are_central_differences(demo, cells) -> None:
    size = cells["change_per_percent"].abs().to_numpy()
    assert (np.diff(size) <= 1e-12 * size.max()).all()
    assert (size > 0).all()
    wanted = (("Grape prices", "price_per_kg", "grape_prices"), ("Dry goods", "unit_price", "dry_goods"))
    wanted += (("Operation rates", "amount", "operation_rates"), ("Pools", "amount", "pools"))
    for title, column, table in wanted:
        line = cells[(cells["sheet"] == title)].iloc[0]
        row = int("".join(filter(str.isdigit, line["place"]))) - 2
        target = ChangedCells(table, column, np.array([row]), 1.0)
        expected = _slope(demo, target, lambda one: costed_figure(one, "D25-3-BRUT"))
        assert line["change_per_unit"] == pytest.approx(expected, rel=1e-7), title
        assert line["change_per_percent"] == pytest.approx(expected * line["value"] / 100.0, rel=1e-7)


def test_split_values_move_cost_from_one_fraction_to_the_other(demo) -> None:
    cells = cells_of(demo, "D25-4-SEC")
    split = cells[cells["sheet_column"] == "Value per litre"]
    market = cells[cells["sheet"] == "Market values"]
    assert len(split) + len(market) > 0
    both = split if len(split) else market
    second = both[both["what"] == "second"]["change_per_percent"].sum()
    first = both[both["what"] == "first"]["change_per_percent"].sum()
    assert second > 0 > first  # the second wine is mostly second pressing: a dearer second pressing makes it dearer


def rerun_slope(results, lot, *targets, step=1e-5, above=1.0):
    """Change of the cost per bottle per whole of the cells of targets, later rows following, by two runs.

    above: 0 where there is no more.
    """
    ends = []
    for factor in (1.0 - step, 1.0 + above * step):
        changed = apply_changes(results.estate, [Change(target, "multiply", factor) for target in targets])
        moved, _ = later_rows_follow(results.estate, results.chain, changed)
        ends.append(costed_figure(run(moved, results.basis), lot))
    return (ends[1] - ends[0]) / ((1.0 + above) * step)


def takes_all_there_is(chain):
    """Rows of Movements that work on all of a lot in place."""
    flows = chain.flows
    moved = np.flatnonzero((flows.kind == Flow.MOVEMENT) & (chain.source_state < 0) & (chain.target_state >= 0))
    held = chain.states.before[chain.target_state[moved]]
    return set(flows.row[moved[(held > 0) & (flows.out[moved] == held)]].tolist())


def check_quantities(results, lot, most):
    """Hold the most telling cells of every column against reruns, and one of each that should not matter, all of these
    moved together; return how many.
    """
    chain, checked, still = results.chain, 0, []
    drawn = np.flatnonzero(chain.source_state >= 0)
    held, left = chain.states.before[chain.source_state[drawn]], chain.states.quantity[chain.source_state[drawn]]
    # a row that wants a little more than there is, within the tolerance, is scaled by the rerun and not in the records
    near = 1e-5 if np.allclose((held - chain.flows.out[drawn])[left == 0], 0.0, atol=1e-9) else 2e-3
    for (table, column), slopes in quantity_gradients(Reached.by(results, [release_states(results, lot)])).items():
        value = np.nan_to_num(results.estate[table][column].to_numpy(dtype=np.float64))
        slope = np.nan_to_num(slopes[0]) * value
        rows = np.argsort(-np.abs(slope), kind="stable")[:most]
        still += [
            ChangedCells(table, column, np.array([row]), 1.0)
            for row in np.flatnonzero((slopes[0] == 0) & (value != 0))[:1]
        ]
        for row in rows[slope[rows] != 0]:
            no_more = (table, column) == ("movements", "out_l") and row in takes_all_there_is(chain)
            cell = ChangedCells(table, column, np.array([row]), 1.0)
            expected = rerun_slope(results, lot, cell, above=0.0 if no_more else 1.0)
            assert slope[row] == pytest.approx(expected, rel=near, abs=near / 10), (table, column, row)
            checked += 1
    if still:
        assert rerun_slope(results, lot, *still) == pytest.approx(0.0, abs=near / 10), still
    return checked + len(still)


@pytest.mark.parametrize(("seed", "basis"), drawn(*chosen(full=[8, 10, 11, *range(30, 60)], short=[8])))
def test_quantities_are_central_differences_on_random_estates(seed, basis) -> None:
    results = run(estate_drawn(seed, 45), basis)
    flows, names = results.chain.flows, results.chain.lots.names
    released = names[flows.target[flows.kind == Flow.DISGORGEMENT]]
    if not len(released):
        pytest.skip("this estate disgorges nothing")
    assert check_quantities(results, str(released[-1]), MOST) >= 20


@pytest.mark.parametrize("seed", chosen(full=[1, 3], short=[1]))
def test_quantities_beside_other_peoples_goods_are_central_differences(seed) -> None:
    """A pool counts the goods of both sides: what ours take of it moves the rate less than it would alone."""
    _, beside = pair(seed)
    results = run(read_estate(beside), BOOK)
    flows, names = results.chain.flows, results.chain.lots.names
    released = names[flows.target[flows.kind == Flow.DISGORGEMENT]]
    assert results.charges.service_cost > 0
    assert check_quantities(results, str(released[-1]), MOST) >= 20


@pytest.mark.parametrize("wanted", [400, 1_100])
def test_quantities_move_the_parts_of_a_late_cost(wanted: int) -> None:
    """A vat filled twice and bottled twice, and an invoice after it was emptied."""
    wine = {"Lot": "B", "What": "wine", "Unit": "L", "Price per unit": 4.0}
    stack = {"Cuvée": "Brut", "Wine lot": "B", "Format": "bottle"}
    tables = {
        "cuvees": pd.DataFrame({"Cuvée": ["Brut"]}),
        "deliveries": pd.DataFrame(
            [{**wine, "Date": "2024-01-01", "Quantity": 825}, {**wine, "Date": "2024-04-01", "Quantity": 300}]
        ),
        "tirage": pd.DataFrame(
            [
                {**stack, "Date": "2024-03-01", "Bottle lot": "S400", "Wine (L)": 300, "Bottles (bottles)": 400},
                {**stack, "Date": "2024-05-01", "Bottle lot": "S1100", "Wine (L)": 825, "Bottles (bottles)": 1100},
            ]
        ),
        "disgorgements": pd.DataFrame(
            [{"Date": "2025-05-01", "Release lot": "D", "From lot": f"S{wanted}", "Bottles in (bottles)": wanted,
              "Bottles out (bottles)": wanted}]
        ),
        "costs": pd.DataFrame([{"Date incurred": "2024-06-01", "Lot": "B", "Element": "labour", "Amount": 9_000.0}]),
    }  # fmt: skip
    assert check_quantities(run(read_estate(tables), BOOK), "D", 3) >= 4


def test_quantities_of_work_in_place_in_parts_are_central_differences() -> None:
    """A racking entered in two rows, which loses beyond its norm, in a vat that is bottled."""
    racking = {"Date": "2024-02-01", "Operation": "racking", "From lot": "B", "To lot": "B"}
    tables = {
        "cuvees": pd.DataFrame({"Cuvée": ["Brut"]}),
        "deliveries": pd.DataFrame(
            [{"Date": "2024-01-01", "Lot": "B", "What": "wine", "Unit": "L", "Price per unit": 4.0, "Quantity": 1_000}]
        ),
        "movements": pd.DataFrame(
            [{**racking, "Out (L)": 300, "In (L)": 270}, {**racking, "Out (L)": 200, "In (L)": 155}]
        ),
        "operation_rates": pd.DataFrame(
            [{"From": "2020-01-01", "Operation": "racking", "Driver": "litre", "Amount": 0.5, "Element": "labour"}]
        ),
        "tirage": pd.DataFrame(
            [{"Date": "2024-05-01", "Cuvée": "Brut", "Wine lot": "B", "Format": "bottle", "Bottle lot": "S",
              "Wine (L)": 750, "Bottles (bottles)": 1_000}]
        ),
        "disgorgements": pd.DataFrame(
            [{"Date": "2025-05-01", "Release lot": "D", "From lot": "S", "Bottles in (bottles)": 1_000,
              "Bottles out (bottles)": 1_000}]
        ),
    }  # fmt: skip
    assert check_quantities(run(read_estate(tables), BOOK), "D", 2) >= 7


@in_full
@pytest.mark.parametrize("basis", [ECONOMIC, BOOK, REPLACEMENT], ids=lambda basis: basis.name)
def test_quantities_of_the_demo_are_central_differences(demo_runs, basis) -> None:
    assert check_quantities(demo_runs.on(basis), "D25-3-BRUT", 1) >= 20


def test_nothing_is_claimed_where_a_row_empties_its_lot(demo, cells) -> None:
    flows, states = demo.chain.flows, demo.chain.states
    slopes = quantity_gradients(Reached.by(demo, [release_states(demo, "D25-3-BRUT")]))["movements", "out_l"][0]
    moved = np.flatnonzero((flows.kind == Flow.MOVEMENT) & (demo.chain.source_state >= 0))
    empties = states.quantity[demo.chain.source_state[moved]] == 0
    filled = demo.estate["movements"]["out_l"].to_numpy()[flows.row[moved]] > 0
    assert (empties & filled).any()
    assert np.array_equal(np.isnan(slopes[flows.row[moved]]), empties & filled)
    assert cells["change_per_percent"].notna().all()


def test_one_bottle_more_out_of_a_disgorgement_shares_its_cost(demo, cells) -> None:
    out = cells[(cells["sheet_column"] == "Bottles out") & (cells["what"] == "D25-3-BRUT")].iloc[0]
    # c = C/b: one more good bottle makes each of them cheaper by c/b, but for what is paid per bottle out
    assert out["change_per_unit"] < 0
    assert abs(out["change_per_unit"]) < costed_figure(demo, "D25-3-BRUT") / out["value"]


def test_interest_is_a_central_difference(demo, cells) -> None:
    lines = cells[cells["sheet"] == "Interest rates"]
    assert len(lines) > 4
    for at in every(3, range(len(lines))):
        line = lines.iloc[at]
        row = int(line["place"].removeprefix("Interest rates!C")) - 2
        target = ChangedCells("interest_rates", "hurdle_rate", np.array([row]), 0.01)
        expected = _slope(demo, target, lambda one: costed_figure(one, "D25-3-BRUT"))
        assert line["change_per_unit"] == pytest.approx(expected / 100.0, rel=1e-6)


def test_the_tornado_ranks_figures() -> None:
    table = sensitivity(Runs(example()))["tornado"]
    assert table["release"].nunique() == 1
    assert len(table) == FIGURES_SHOWN
    size = table[["percent_less", "percent_more"]].abs().max(axis=1)
    assert size.is_monotonic_decreasing
    exact = table[table["method"] == EXACT]
    assert np.allclose(exact["percent_less"], -exact["percent_more"])
    assert any("Must" in figure for figure in table["figure"])


def test_all_prices_and_amounts_one_per_cent_dearer_is_one_per_cent_of_the_cost(demo_runs) -> None:
    results = demo_runs.book  # Euler: the cost is homogeneous of degree one in money
    cells = cells_of(results, "D25-3-BRUT")
    priced = {
        (sheets()[table].title, sheets()[table].column(column).title)
        for table, column in LINEAR_COLUMNS
        if column != "quantity_per_bottle"
    }
    money = cells[[one in priced for one in zip(cells["sheet"], cells["sheet_column"], strict=True)]]
    assert money["change_per_percent"].sum() == pytest.approx(costed_figure(results, "D25-3-BRUT") / 100.0, rel=1e-9)


@in_full
def test_every_figure_of_the_demo_is_as_kept(demo_runs) -> None:
    """Those of smaller houses are kept beside it (`tests.golden.questions`)."""
    assert differences("demo", ["sensitivity"], demo_runs) == []


def test_a_value_of_must_moves_nothing_where_nobody_presses() -> None:
    house = one_bottling()
    house["market_values"] = pd.DataFrame({"From": ["2020-01-01"], "What": ["first"], "Value per unit": [3.0]})
    answer = sensitivity(Runs(read_estate(house)))
    moved = answer.main.set_index("figure")["percent_more"]
    assert moved["Deliveries: Price per unit"] == pytest.approx(9 * 0.01 * 1.08**3, abs=1e-4)
    assert not moved.index.str.startswith("Market values").any()
