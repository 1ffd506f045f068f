"""Trial blends and vats in January on the demo: weighted means redone by hand, bounds, shortages."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from costing import BOOK, ECONOMIC, read_estate, run, trace
from costing.cli import demo_folder, main
from costing.decisions.blending import tirage_per_bottle, trial_blends
from costing.decisions.reserves import january_table
from costing.results.stock import stock_values


@pytest.fixture(scope="module")
def demo():
    estate = read_estate(demo_folder())
    chain = trace(estate)
    return [run(estate, basis, chain) for basis in (BOOK, ECONOMIC)]


def test_a_trial_costs_the_mean_of_its_lots(demo) -> None:
    estate = demo[0].estate
    table, findings = trial_blends(*demo)
    assert findings == []
    lines = estate["trial_blends"]
    for results, column in zip(demo, ("book", "economic"), strict=True):
        value = stock_values(results).set_index("lot")["value_per_unit"]
        for _, trial in table.iterrows():
            mine = lines[(lines["trial"] == trial["trial"]) & (lines["line"] == "lot")]
            weight = mine["litres"].fillna(mine["share"])  # all lines of a trial are litres, or all are shares
            mean = np.average(value[mine["lot"].astype(str)], weights=weight)
            assert trial[column] == pytest.approx(
                mean * 0.75 + tirage_per_bottle(estate, results.chain.valuation_day), rel=1e-12
            )


def test_one_trial_breaks_its_bound_and_says_by_how_much(demo) -> None:
    table, _ = trial_blends(*demo)
    breached = table[table["breached"] != "none"]
    assert len(table) == 3
    assert breached["trial"].tolist() == ["B young, more Meunier"]
    assert "second" in breached["breached"].iloc[0]


def test_a_trial_that_draws_more_than_is_there_names_the_lot_and_the_cell(demo) -> None:
    estate = demo[0].estate
    lines = estate["trial_blends"].copy()
    row = int(np.flatnonzero((lines["line"] == "lot").to_numpy())[3])
    lines.loc[row, "litres"] = 99_999.0
    greedy = replace(estate, tables={**estate.tables, "trial_blends": lines})
    _, findings = trial_blends(*(run(greedy, basis) for basis in (BOOK, ECONOMIC)))
    assert [finding.place for finding in findings] == [estate.place("trial_blends", row, "litres")]
    assert str(lines.loc[row, "lot"]) in findings[0].rule


def test_every_vat_is_in_the_january_table(demo) -> None:
    table = january_table(*demo).set_index("lot")
    stock = stock_values(demo[0])
    assert set(table.index) == set(stock.loc[stock["unit"] == "L", "lot"])
    assert table.loc["R-PERP", "reserve"] == pytest.approx(1.0)
    assert ((table["worth_keeping_at"] > table["market_per_l"]) | table["market_per_l"].isna()).all()
    assert (table["year_per_l"] > 0.07 * table["economic_per_l"]).all()


def test_command_prints_the_trials(tmp_path, capsys) -> None:
    assert main(["blend", str(demo_folder())]) == 0
    printed = capsys.readouterr().out
    assert "C Chardonnay and old reserve" in printed
    assert list(tmp_path.iterdir()) == []
