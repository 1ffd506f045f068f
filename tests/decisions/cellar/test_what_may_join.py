"""Red wine joins no white blend, and a cuvée takes what its bounds name and nothing else.

A sparkling rosé by blending takes red wine, a white one none: Regulation (EU) 1308/2013, annex VIII, part II, C, on
blending white with red wine, with its exception for the cuvées of sparkling wine.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from costing import House, InputError, read_estate
from costing.decisions.cellar.cheapest_blend import cheapest_blends
from costing.decisions.cellar.recipe_figures import read_recipes
from costing.decisions.cellar.reserves import vats
from costing.decisions.cellar.what_may_join import may_join, why_not


def test_the_red_reserve_joins_the_rose_and_no_white_blend(demo_runs) -> None:
    answer = vats(demo_runs)
    joins = answer["vats_in_blends"]
    assert set(joins.loc[joins["lot"].isin(["R-ROUGE", "V25-31"]), "cuvee"]) == {"Rosé"}
    assert answer["vats"].set_index("lot").loc["R-ROUGE", "use"] in ("use in Rosé", "keep a year", "sell")


def test_a_cuvee_of_one_village_takes_no_other_wine(demo_runs) -> None:
    joins = vats(demo_runs)["vats_in_blends"]
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


def test_a_trial_that_pours_red_wine_into_a_white_cuvee_is_named(demo_runs) -> None:
    def with_red(lines: pd.DataFrame) -> pd.DataFrame:
        trial = {"trial": "D red", "line": "lot", "cuvee": "Brut", "lot": "R-ROUGE", "litres": 100.0}
        white = trial | {"lot": "V25-05", "litres": 900.0}
        bound = {"trial": "E hill", "line": "lot", "cuvee": "Terrasses", "lot": "V25-07", "litres": 500.0}
        rose = trial | {"trial": "F rosé", "cuvee": "Rosé"}
        return pd.concat([lines, pd.DataFrame([trial, white, bound, rose])], ignore_index=True)

    answer = House(demo_runs.estate).replace(trial_blends=with_red).blend()
    said = [(finding.value, finding.rule) for finding in answer.findings]
    assert said == [
        ("R-ROUGE", "is red wine, and cuvée 'Brut' is no rosé."),
        ("V25-07", "is not all of village Ambrelune, and cuvée 'Terrasses' takes nothing else."),
    ]
    breached = answer["trial_blends_costed"].set_index("trial")["bounds_breached"]
    assert breached["D red"] == "R-ROUGE is red wine, and cuvée 'Brut' is no rosé"
    assert breached["F rosé"] == "none"


def test_a_recipe_from_another_village_than_its_cuvee_is_named(demo_runs) -> None:
    def moved(recipes: pd.DataFrame) -> pd.DataFrame:
        more = pd.DataFrame({"recipe": "Blanc de Meunier", "what": ["cuvée"], "value": ["Terrasses"]})
        return pd.concat([recipes, more], ignore_index=True)

    sound, wrong = read_recipes(House(demo_runs.estate).replace(recipes=moved).estate)
    assert set(sound) == {"Brut standard"}
    assert [(one.value, one.rule) for one in wrong] == [
        (
            "Mirecombe",
            "is another village than cuvée 'Terrasses' is made from, Ambrelune (Cuvées, Only from).",
        )
    ]


def test_one_part_in_a_hundred_makes_wine_red_and_is_as_much_of_another_village_as_a_bound_bears() -> None:
    cuvees = pd.DataFrame({"Cuvée": ["Hill", "Brut"], "Only from": ["village=Praysson", None]})
    opening = {"Date": ["2025-01-01"], "Lot": ["V1"], "Kind": ["wine"], "Quantity": [1.0], "Unit": ["L"]}
    estate = read_estate({"Cuvées": cuvees, "Opening stock": pd.DataFrame({**opening, "Village": ["Praysson"]})})
    shares = {
        "colour": pd.DataFrame({"red": [0.0, 0.009, 0.01]}),
        "village": pd.DataFrame({"Praysson": [1.0, 0.99, 0.98]}),
    }
    mix: Any = SimpleNamespace(shares=lambda states, by: shares[by].iloc[states])
    states = np.arange(3)
    assert why_not(estate, mix, states, "Brut").tolist() == ["", "", "is red wine, and cuvée 'Brut' is no rosé"]
    barred = "is not all of village Praysson, and cuvée 'Hill' takes nothing else"
    shares["colour"][:] = 0.0
    assert why_not(estate, mix, states, "Hill").tolist() == ["", "", barred]
