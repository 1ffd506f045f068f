"""Every cent of a release leads back to a cell, on any basis, and one basis to another adds up."""

from __future__ import annotations

import numpy as np
import pytest

from costing import BOOK, ECONOMIC, REPLACEMENT, CostingError, read_estate, run, trace
from costing.inputs.checks import ATTRIBUTES
from costing.results.bridge import bridge
from costing.results.composition import Composition, composition
from costing.results.costs import releases
from costing.results.coverage import coverage
from costing.results.origins import grouped_origins, origins, release_states
from costing.results.place_rules import place_cautions
from costing.results.rounding import largest_remainder
from tests.form import every
from tests.properties.estates import estate_drawn, random_estate


@pytest.fixture(scope="module")
def demo(demo_estate, demo_runs):
    return demo_estate, demo_runs.book.chain


@pytest.mark.parametrize("seed", every(3, range(8)))
def test_origins_add_up_on_random_estates(seed) -> None:
    estate = estate_drawn(seed, 60)
    chain = trace(estate)
    for basis in (BOOK, ECONOMIC):
        results = run(estate, basis, chain)
        table = releases(results)
        for lot, total in zip(table["release"], table["total"], strict=True):
            assert origins(results, lot)["total"].sum() == pytest.approx(total, rel=1e-9, abs=1e-9)


def test_origins_by_stage_are_the_plain_stage_costs(demo) -> None:
    estate, chain = demo
    results = run(estate, BOOK, chain)
    row = releases(results).set_index("release").loc["D25-3-BRUT"]
    lines = grouped_origins(origins(results, "D25-3-BRUT"), ["stage"]).set_index("stage")["own"]
    for stage, amount in lines.items():
        assert amount == pytest.approx(row.get(stage, 0.0), abs=1e-6)


def test_places_are_cells_and_growers_are_named(demo) -> None:
    estate, chain = demo
    lines = origins(run(estate, ECONOMIC, chain), "D25-3-BRUT")
    assert lines["place"].str.fullmatch(r"[A-Z][\w é-]+![A-Z]+\d+").all()
    grapes = lines[lines["element"] == "grapes"]
    assert grapes["village"].ne("").mean() > 0.8
    assert (lines.loc[lines["paid"] > lines["incurred"], "element"] == "grapes").any()  # instalments


def test_unknown_release_names_the_nearest(demo) -> None:
    estate, chain = demo
    with pytest.raises(CostingError, match="D25-3-BRUT"):
        origins(run(estate, BOOK, chain), "D25-3-BRUTT")


def test_bridge_adds_up(demo) -> None:
    estate, chain = demo
    table = bridge(lambda basis: run(estate, basis, chain), BOOK, REPLACEMENT, "D25-3-BRUT").set_index("line")["amount"]
    steps = table.drop([table.index[0], table.index[-1]])
    assert table.iloc[0] + steps.sum() == pytest.approx(table.iloc[-1], rel=1e-12)
    assert {"Own grapes", "Price level", "Capital"} <= set(steps.index)


def test_composition_adds_up_for_every_state(demo) -> None:
    estate, chain = demo
    mix = Composition(estate, chain)
    held = np.flatnonzero(chain.states.quantity > 0)
    for attribute in ATTRIBUTES:
        assert np.allclose(mix.shares(held, attribute).sum(axis=1), 1.0, atol=1e-12)


@pytest.mark.parametrize("seed", every(3, range(8)))
def test_composition_adds_up_on_random_estates(seed) -> None:
    estate = estate_drawn(seed, 60)
    chain = trace(estate)
    held = np.flatnonzero(chain.states.quantity > 0)
    for attribute in ATTRIBUTES:
        assert np.allclose(Composition(estate, chain).shares(held, attribute).sum(axis=1), 1.0, atol=1e-9)


def test_multi_year_brut_has_its_share_of_reserve_and_vintages(demo) -> None:
    estate, chain = demo
    results = run(estate, BOOK, chain)
    state = release_states(results, "D25-3-BRUT")
    table = composition(results, ["D25-3-BRUT"], state)
    reserve = table.loc[table["attribute"] == "reserve", "share"].iloc[0]
    assert 0.30 <= reserve <= 0.40
    vintages = table[(table["attribute"] == "vintage") & (table["share"] > 0.01)]
    assert len(vintages) >= 4


def test_second_wine_is_second_pressing(demo) -> None:
    estate, chain = demo
    results = run(estate, BOOK, chain)
    table = composition(results, ["D25-4-SEC"], release_states(results, "D25-4-SEC"))
    assert table.loc[table["attribute"] == "pressing", "share"].iloc[0] > 0.8


def test_coverage_says_what_is_missing(demo) -> None:
    estate, chain = demo
    results = run(estate, BOOK, chain)
    assert coverage(results, release_states(results, "D25-3-BRUT")) == ["complete"]
    rows = {name: table for name, table in random_estate(0, 40).items() if name not in ("opening_costs", "dry_goods")}
    bare = read_estate(rows)
    some = run(bare, BOOK)
    said = coverage(some, np.array([release_states(some, lot)[0] for lot in releases(some)["release"]]))
    assert any("dressing" in text and text.endswith("missing") for text in said), said


def test_the_demo_keeps_the_rules_of_its_yardstick(demo) -> None:
    estate, chain = demo
    assert all(finding.severity == "caution" for finding in place_cautions(run(estate, BOOK, chain)))


def test_disgorging_too_early_is_a_caution_at_its_cell(demo) -> None:
    import pandas as pd

    from costing.inputs.estate import Estate

    estate, _ = demo
    early = estate["disgorgements"].copy()
    row = 5
    lot = early["from_lot"].iloc[row]
    bottled = estate["tirage"].loc[estate["tirage"]["to_lot"].astype(str) == str(lot), "on_date"]
    if bottled.empty:
        row = int(np.flatnonzero(early["from_lot"].astype(str).isin(estate["tirage"]["to_lot"].astype(str)))[0])
        bottled = estate["tirage"].loc[
            estate["tirage"]["to_lot"].astype(str) == str(early["from_lot"].iloc[row]), "on_date"
        ]
    early.loc[row, "on_date"] = bottled.iloc[0] + pd.Timedelta(days=200)
    changed = Estate(estate.settings, {**estate.tables, "disgorgements": early}, estate.sources)
    places = {finding.place for finding in place_cautions(run(changed, BOOK))}
    assert estate.place("disgorgements", row, "on_date") in places


def test_largest_remainder_adds_up() -> None:
    rounded = largest_remainder(np.array([1 / 3, 1 / 3, 1 / 3]), 2)
    assert sorted(rounded.tolist()) == [0.33, 0.33, 0.34]
    assert largest_remainder(np.array([-0.004, 0.005, 1.0]), 2).sum() == pytest.approx(1.0)
