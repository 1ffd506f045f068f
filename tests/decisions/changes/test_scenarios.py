"""Named changes, later rows that follow, scenarios side by side.

Sources: arithmetic in the test; proportions of a yield are common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from costing import BOOK, ECONOMIC, InputError, read_estate, run, trace
from costing.answers.kinds import about
from costing.decisions.changes.changes import Change, ChangedCells, _rows, apply_changes, beyond_bounds, outside_bounds
from costing.decisions.changes.figures import costed_figure
from costing.decisions.changes.replay import later_rows_follow
from costing.decisions.changes.reruns import rerun
from costing.decisions.changes.scenarios import (
    _moved_most,
    run_scenarios,
    scenario_changes,
    scenarios_answer,
    side_by_side,
)
from costing.graph.arrays import Flow
from costing.inputs.estate import as_table
from costing.inputs.schema import sheets
from costing.model import Runs
from costing.results.costs import releases
from tests.form import every
from tests.golden.as_kept import differences
from tests.properties.estates import estate_drawn

COLUMNS = ["scenario", "sheet", "column", "where", "how", "value"]


@pytest.fixture(scope="module")
def demo(demo_estate):
    return demo_estate


@pytest.fixture(scope="module")
def economic(demo):
    return run(demo, ECONOMIC)


def asking(estate, *rows):
    """The estate with these rows of the Scenarios sheet."""
    frame = as_table("scenarios", pd.DataFrame([dict(zip(COLUMNS, row, strict=True)) for row in rows]))
    title = np.full(len(rows), "Scenarios", dtype=object)
    source = replace(estate.sources["scenarios"], sheet=title, row=np.arange(2, len(rows) + 2))
    return replace(
        estate,
        tables={**estate.tables, "scenarios": frame},
        sources={**estate.sources, "scenarios": source},
    )


def test_the_demo_s_scenarios_run_side_by_side(demo, economic, demo_runs) -> None:
    answer = scenarios_answer(demo_runs)
    (doubt,) = answer.findings  # a third fewer bottles of a tirage that is to be sold whole
    assert (doubt.value, doubt.rule) == ("Short tirage", "leaves too little for 1 later row: it takes what is there.")
    table = answer["scenarios_per_bottle"].set_index("release")
    names = list(dict.fromkeys(demo["scenarios"]["scenario"].astype(str)))
    named = [name for name in table.columns if name.startswith("scenario:")]
    assert named == [f"scenario:{name}" for name in names]
    assert (table["change:Dear glass and power"] >= -1e-12).all()
    assert table.loc["D25-3-BRUT", "recorded_per_bottle"] == pytest.approx(
        costed_figure(economic, "D25-3-BRUT"), abs=5e-5
    )
    stock = answer["scenarios_stock"].set_index("kind")
    assert (stock.loc["on lees"] > 0).all()
    moves = stock.sum() - stock["recorded_total"].sum()
    assert moves.idxmax() == "scenario_total:Dear grapes"
    latest = answer["scenario_changes_latest"].set_index("cuvee")
    assert latest.max().idxmax() == "change:Tight money, weak pound"
    largest = latest["change:Tight money, weak pound"]
    assert answer.says == (
        f"Stock moves most under Dear grapes: +{about(moves.max())} EUR.",
        f"A bottle moves most under Tight money, weak pound: +{largest.max():.2f} EUR on {largest.idxmax()}.",
    )


def test_a_scenario_is_the_estate_typed_that_way(demo) -> None:
    changed = dict(demo.tables)
    glass = changed["dry_goods"].copy()
    glass.loc[(glass["item"] == "glass").to_numpy(), "unit_price"] *= 1.18
    rates = changed["operation_rates"].copy()
    rates.loc[(rates["element"] == "energy").to_numpy(), "amount"] *= 1.35
    typed = run(replace(demo, tables={**changed, "dry_goods": glass, "operation_rates": rates}), BOOK)
    changed, short = rerun(Runs(demo), apply_changes(demo, scenario_changes(demo)[0]["Dear glass and power"]))
    assert short == 0
    assert np.array_equal(changed.on(BOOK).total, typed.total)


def test_percent_points_and_units_of_the_header(demo) -> None:
    estate = asking(
        demo,
        ("a", "Interest rates", "Hurdle rate (%)", "", "add", 1.5),
        ("b", "Interest rates", "hurdle_rate", "Hurdle rate (%)=7.5", "set", 9),
        ("c", "Pressings", "Must (hl)", "Load=P24-01, Fraction=first", "add", 1),
        ("d", "Costs", "Amount", "17", "multiply", 2),
        ("e", "Tirage", "Sugar (g/L)", "From=x", "set", 20),
    )
    found, findings = scenario_changes(estate)
    assert found["a"][0].value == pytest.approx(0.015)
    assert found["b"][0].value == pytest.approx(0.09)
    assert (demo["interest_rates"]["hurdle_rate"].iloc[found["b"][0].target.rows] == 0.075).all()
    assert found["c"][0].value == 100.0
    assert list(demo.sources["costs"].row[found["d"][0].target.rows]) == [17]
    assert [one.place for one in findings] == ["Scenarios!D6"]
    assert "e" not in found


def test_nothing_is_changed_in_place(small_runs) -> None:
    small = small_runs.estate
    before = {name: table.copy() for name, table in small.tables.items()}
    scenarios_answer(Runs(small))
    for name, table in before.items():
        pd.testing.assert_frame_equal(small[name], table)


@pytest.mark.parametrize(
    ("row", "cell", "word"),
    [
        (("a", "Grape price", "Price per kg", "", "multiply", 1.1), "B2", "Did you mean 'Grape prices'"),
        (("a", "Settings", "Value", "", "set", 1), "B2", "no sheet whose figures"),
        (("a", "Year-end costs", "Amount", "", "set", 1), "B2", "no sheet whose figures"),
        (("a", "Grape prices", "Price", "", "multiply", 1.1), "C2", "no column"),
        (("a", "Grape prices", "Variety", "", "multiply", 1.1), "C2", "holds no figures"),
        (("a", "Interest rates", "Hurdle rate", "", "add", 1), "C2", "Hurdle rate (%)"),
        (("a", "Grape prices", "Price per kg", "Variety=Chardonnai", "multiply", 1.1), "D2", "'Chardonnay'"),
        (("a", "Grape prices", "Price per kg", "Grape=Meunier", "multiply", 1.1), "D2", "pairs of column=value"),
        (("a", "Grape prices", "Price per kg", "9999", "multiply", 1.1), "D2", "no filled row"),
        (
            ("a", "Grape prices", "Price per kg", "Variety=Chardonnay, Village=Corvaux", "add", 1),
            "D2",
            "never together",
        ),
        (("a", "Recipes", "Value", "", "set", 1), "B2", "no sheet whose figures"),
        (("a", "Grape prices", "Price per kg", "", "add", -50), "F2", "below 0"),
        (("a", "Loss norms", "Norm (%)", "", "add", 400), "F2", "above 100"),
        (("a", "Costs", "Amount", "", "multiply", float("nan")), "F2", "is missing"),
    ],
)
def test_a_scenario_that_names_nothing_is_a_finding(demo, row, cell, word) -> None:
    estate = asking(demo, row, ("fine", "Costs", "Amount", "", "multiply", 1.1))
    results, findings = run_scenarios(Runs(estate))
    assert [one.place for one in findings] == [f"Scenarios!{cell}"]
    assert word in f"{findings[0].rule} {findings[0].remedy}"
    assert list(results) == ["fine"]


def test_records_that_would_make_no_sense_are_a_finding(demo) -> None:
    estate = asking(demo, ("a", "Pressings", "By-product credit", "Fraction=by-product", "multiply", 1e6))
    results, findings = run_scenarios(Runs(estate))
    assert not results
    assert "make no sense" in findings[0].rule


def test_a_frost_takes_bottles_and_is_told(demo) -> None:
    estate = asking(demo, ("Frost", "Pressings", "Must (L)", "Fraction=first", "multiply", 0.9))
    results, findings = run_scenarios(Runs(estate))
    assert [one.severity for one in findings] == ["caution"]
    before, after = releases(run(demo, ECONOMIC)), releases(results["Frost"])
    fewer = after["bottles"] / before["bottles"]
    assert (fewer <= 1 + 1e-12).all()
    assert fewer.min() == pytest.approx(0.9, abs=0.02)


def test_every_row_follows_when_all_grapes_are_fewer() -> None:
    """All opening stock and deliveries × k: every quantity that empties its lot is × k, every share stays."""
    for seed in (3, 8, 14):
        estate = estate_drawn(seed, 40)
        chain = trace(estate)
        fewer = [
            Change(ChangedCells(name, "quantity", np.arange(len(estate[name])), 1.0), "multiply", 1.0 + 1e-9)
            for name in ("opening_stock", "deliveries")
            if len(estate[name])
        ]
        moved, short = later_rows_follow(estate, chain, apply_changes(estate, fewer))
        again = trace(moved)
        assert short == 0
        assert np.allclose(again.edges.share, chain.edges.share, atol=1e-6)


@pytest.mark.parametrize("seed", every(4, range(12)))
@pytest.mark.parametrize("factor", [0.93, 1.04])
def test_no_lot_is_overdrawn_whatever_the_yield(seed, factor) -> None:
    estate = estate_drawn(seed, 50)
    chain = trace(estate)
    pressed = np.flatnonzero(estate["pressings"]["volume_l"].notna().to_numpy())
    received = np.arange(len(estate["deliveries"]))[::2]
    changes = [
        Change(ChangedCells(name, column, rows, 1.0), "multiply", factor)
        for name, column, rows in (("pressings", "volume_l", pressed), ("deliveries", "quantity", received))
        if len(rows)
    ]
    moved, _ = later_rows_follow(estate, chain, apply_changes(estate, changes))
    again = trace(moved)  # an overdrawn lot would be an error
    results = run(moved, ECONOMIC, again)
    assert len(again.flows) == len(chain.flows)
    emptied = (chain.states.quantity[chain.states.last_of_lot] == 0) & (chain.lots.unit < 2)
    at = again.states.last_of_lot
    touched = np.zeros(len(chain.lots.names), dtype=bool)
    touched[chain.flows.target[chain.flows.kind == Flow.STOCKTAKE]] = True
    assert (again.states.quantity[at][emptied & ~touched] <= 1e-6).all()
    assert results.reconciliation()["amount"].iloc[-1] == pytest.approx(0, abs=1e-6)


def test_no_change_changes_nothing(demo) -> None:
    chain = trace(demo)
    moved, short = later_rows_follow(demo, chain, demo)
    assert moved is demo
    assert short == 0


def test_last_year_s_run_is_a_scenario_too(demo, economic) -> None:
    other = run(demo, ECONOMIC.replace(name="at 12 %", rate=0.12))
    table = side_by_side({"this run": economic, "at 12 %": other})
    assert (table["change:at 12 %"] >= -1e-9).all()
    assert len(table) == len(releases(economic))


@pytest.mark.parametrize(("moved", "said"), [(1.0, "+1 EUR"), (1.5, "+2 EUR"), (-1.0, "-1 EUR"), (0.99, None)])
def test_stock_that_moves_by_one_is_said_and_by_less_is_not(moved: float, said: str | None) -> None:
    stock = pd.DataFrame({"kind": ["wine"], "recorded_total": [100.0], "scenario_total:Frost": [100.0 + moved]})
    found = _moved_most(pd.DataFrame({"cuvee": []}), stock, "EUR")
    assert found == ((f"Stock moves most under Frost: {said}.",) if said else ())


def test_a_value_left_blank_in_where_names_the_rows_that_are_blank_there() -> None:
    rates = {"From": ["2020-01-01", "2021-01-01"], "Hurdle rate (%)": [8, None], "Borrowing rate (%)": [None, 5]}
    estate = read_estate({"interest_rates": pd.DataFrame(rates)})
    named = [_rows(estate, "interest_rates", f"Hurdle rate (%)={value}")[0].tolist() for value in ("", "8", "9")]
    assert named == [[1], [0], []]


def test_no_release_to_compare_is_not_called_an_empty_sheet() -> None:
    wine = {"lot": "V1", "kind": "wine", "on_date": "2025-12-31", "quantity": 1000, "unit": "L"}
    tables = {"opening_stock": pd.DataFrame([wine]), "opening_costs": pd.DataFrame([{"lot": "V1", "amount": 3000.0}])}
    runs = Runs(read_estate(tables))
    assert scenarios_answer(runs).empty == "The Scenarios sheet is empty."
    beside = scenarios_answer(runs, {"the budget": Runs(read_estate(tables))})
    assert not len(beside.main)
    assert beside.empty.startswith("No release to compare")


def test_every_figure_of_the_demo_is_as_kept(demo_runs) -> None:
    assert differences("demo", ["scenarios"], demo_runs) == []


def test_a_value_at_the_bound_of_its_column_is_within_it() -> None:
    norm, price = sheets()["loss_norms"].column("percent"), sheets()["grape_prices"].column("price_per_kg")
    assert outside_bounds(norm, np.array([-0.001, 0.0, 1.0, 1.001, np.nan])).tolist() == [
        True,
        False,
        False,
        True,
        False,
    ]
    assert outside_bounds(price, np.array([-0.01, 0.0, 1e9])).tolist() == [True, False, False]
    assert beyond_bounds(norm, np.array([0.0, 1.0])) is None
    assert beyond_bounds(norm, np.array([0.5, 1.25, 1.1])) == (125.0, "above", 100.0)
    assert beyond_bounds(price, np.array([-2.0, -1.0, 3.0])) == (-2.0, "below", 0.0)


def test_a_change_beyond_the_bounds_of_its_column_names_the_cell(demo) -> None:
    rows = np.flatnonzero(demo["loss_norms"]["percent"] > 0)[:2]
    with pytest.raises(InputError) as refused:
        apply_changes(demo, [Change(ChangedCells("loss_norms", "percent", rows, 1.0), "set", 1.2)])
    (finding,) = refused.value.findings
    assert finding.place == demo.place("loss_norms", int(rows[0]), "percent")
    assert (finding.value, finding.rule) == ("120", "is above 100 once changed.")
    changed = apply_changes(demo, [Change(ChangedCells("loss_norms", "percent", rows, 1.0), "set", 1.0)])
    assert changed["loss_norms"]["percent"][rows].tolist() == [1.0, 1.0]
