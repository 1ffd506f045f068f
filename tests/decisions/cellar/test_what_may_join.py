"""Red wine joins no white blend, and a cuvée takes what its bounds name and nothing else.

A sparkling rosé by blending takes red wine, a white one none: Regulation (EU) 1308/2013, annex VIII, part II, C, on
blending white with red wine, with its exception for the cuvées of sparkling wine.
"""

from __future__ import annotations

import numpy as np
import pytest

from costing import House, InputError
from costing.decisions.cellar.cheapest_blend import cheapest_blends
from costing.decisions.cellar.reserves import vats
from costing.decisions.cellar.what_may_join import may_join


def test_the_red_reserve_joins_the_rose_and_no_white_blend(demo_runs) -> None:
    answer = demo_runs.once(vats)
    joins = answer["vats_in_blends"]
    assert set(joins.loc[joins["lot"].isin(["R-ROUGE", "V25-31"]), "cuvee"]) == {"Rosé"}
    assert answer["vats"].set_index("lot").loc["R-ROUGE", "use"] in ("use in Rosé", "keep a year", "sell")


def test_a_cuvee_of_one_village_takes_no_other_wine(demo_runs) -> None:
    joins = demo_runs.once(vats)["vats_in_blends"]
    mine = joins.loc[joins["cuvee"] == "Terrasses", "lot"]
    chain, mix = demo_runs.chain, demo_runs.composition
    lots = chain.lots.names.get_indexer(mine).astype(np.int64)
    states = chain.state_on(lots, np.full(len(lots), demo_runs.today))
    assert len(mine)
    assert (mix.shares(states, "village")["Ambrelune"] >= 0.99).all()


def test_the_cheapest_white_blend_draws_no_red_wine_however_cheap(demo_runs) -> None:
    def red_for_nothing(values):
        return values.assign(value_per_unit=values["value_per_unit"].where(values["lot"] != "R-ROUGE", 0.01))

    house = House(demo_runs.estate).replace(market_values=red_for_nothing)
    made, _, _ = cheapest_blends(house.runs)
    assert not made["lot"].isin(["R-ROUGE", "V25-31"]).any()


def test_shares_of_colour_add_up(demo_runs) -> None:
    chain, mix = demo_runs.chain, demo_runs.composition
    lots = chain.lots.names.get_indexer(["R-ROUGE", "V25-31", "R-PERP"]).astype(np.int64)
    states = chain.state_on(lots, np.full(3, demo_runs.today))
    assert mix.shares(states, "colour").get("red").tolist() == pytest.approx([1.0, 1.0, 0.0])
    allowed = may_join(demo_runs.estate, mix, states, ["Rosé", "Brut", "no such cuvée"])
    assert allowed.tolist() == [[True, False, False], [True, False, False], [True, True, True]]


def test_a_bound_that_names_nothing_is_a_finding(demo_runs) -> None:
    with pytest.raises(InputError) as wrong:
        House(demo_runs.estate).replace(cuvees=lambda table: table.assign(only_from="vilage=Ambrelune"))
    assert any("vilage" in str(finding) for finding in wrong.value.findings)
    house = House(demo_runs.estate).replace(cuvees=lambda table: table.assign(only_from="village=Ambrelone"))
    assert any("Ambrelune" in str(finding) for finding in house.estate.cautions)
