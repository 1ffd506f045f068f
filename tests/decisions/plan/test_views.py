"""The plan of the demo as people read it, its limits, and what a person may enter wrong."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from costing import House, InputError
from costing.cli import main
from costing.commands.records import demo_folder
from costing.decisions.plan.from_estate import plan_inputs
from costing.decisions.plan.planning import best_plan, value_of
from costing.decisions.plan.plans import as_far_as_there
from costing.decisions.plan.views import plan_answer
from costing.model import Runs


@pytest.fixture(scope="module")
def answer(demo_runs):
    return demo_runs.once(plan_answer)


def limits(*rows: tuple[str, str | None, str | None, float | None, float | None]) -> pd.DataFrame:
    """Limits: what, place, cuvée, at least, at most."""
    frame = pd.DataFrame(rows, columns=["what", "location", "cuvee", "least", "most"])
    return frame.assign(format=np.where(frame["what"] == "supply", "bottle", None))


def test_every_lot_has_something_to_do_and_a_reason(answer, demo_runs) -> None:
    plan = answer["release_plan"]
    assert set(plan["lot"]) == set(demo_runs.once(plan_inputs).lots["lot"])
    assert plan["do"].str.match(r"(sell|disgorge) [\d,]+ this quarter|(fill, )?keep (until \d{4}-\d\d|beyond)").all()
    assert (plan["reason"].str.len() > 10).all()
    assert (plan["bottles_now"] <= plan["bottles"] + 0.5).all()
    assert "T26-BRUT" in set(plan["lot"])  # a tirage to come
    assert "D25-3-BRUT" in set(plan["lot"])  # finished bottles


def test_no_plan_of_the_demo_is_worth_more_than_the_joint_one(answer) -> None:
    compared = answer["plans_compared"].set_index("plan")
    assert len(compared) == 4
    assert (compared["less_than_best"].iloc[1:] > 0).all()
    assert compared[["short_supply", "over_places", "over_line"]].iloc[0].sum() == pytest.approx(0.0, abs=1e-6)


def test_what_is_sold_and_left_adds_up_to_what_was_there(answer, demo_runs) -> None:
    inputs = demo_runs.once(plan_inputs)
    plan, _ = best_plan(inputs.facts)
    stacks = inputs.facts.stacks
    lees = ~stacks.finished
    gone = (plan.disgorged[lees] / survivors(inputs.facts)[lees]).sum(axis=1)
    left = plan.on_lees[lees, -1] / survivors(inputs.facts)[lees, -1]
    assert gone + left == pytest.approx(stacks.bottles[lees], rel=1e-9)
    outlook = answer["plan_outlook"]
    assert (outlook["bottles_sold_planned"] >= 0).all()


def survivors(facts) -> np.ndarray:
    """Part of each lot that is alive on each date."""
    stacks = facts.stacks
    alive = np.ones_like(stacks.price)
    for step in range(1, alive.shape[1]):
        held = np.where(stacks.arrives < step, stacks.survival[:, step - 1], 1.0)
        alive[:, step] = alive[:, step - 1] * held
    return alive


def test_a_limit_more_costs_and_one_less_frees(demo_runs) -> None:
    estate = demo_runs.estate
    free = plan_answer(demo_runs, ("places", "disgorging", "supply"))["plans_compared"]["plan_value"].iloc[0]
    bound = demo_runs.once(plan_answer)["plans_compared"]["plan_value"].iloc[0]
    assert free > bound
    house = House(estate).replace(limits=limits(("places", "Cellar 1", None, None, 100_000.0)))
    tight = plan_answer(house.runs)
    places = tight["limits_used"].set_index(["limit", "limit_of"]).loc[("places", "Cellar 1")]
    assert places["worth_of_one_more"] > 0 or places["broken_by"] > 0


def test_what_insisting_costs(demo_runs) -> None:
    own = pd.DataFrame({"lot": ["T21-VINT"], "day": [demo_runs.today], "bottles": [1_656.0]})
    compared = plan_answer(demo_runs, own=own)["plans_compared"].set_index("plan")
    assert compared.loc["your own", "less_than_best"] > 0


def test_to_hold_a_few_lots_leaves_the_others_free(demo_runs) -> None:
    """All of 2021 kept to the end of the plan: dearer than the best plan, and far less dear than to hold everything."""
    own = pd.DataFrame({"lot": ["T21-VINT", "T21-PREST"], "day": demo_runs.today, "bottles": 0.0})
    compared = plan_answer(demo_runs, own=own)["plans_compared"].set_index("plan")
    assert 0.0 < compared.loc["your own", "less_than_best"] < 25_000.0


def test_a_plan_that_promises_too_much_comes_back_and_says_so(demo_runs) -> None:
    house = House(demo_runs.estate).replace(limits=limits(("supply", None, "Brut", 400_000.0, None)))
    answer = plan_answer(house.runs)
    assert [finding.severity for finding in answer.findings] == ["caution"] * len(answer.findings)
    assert any("promised" in finding.rule and "short" in finding.rule for finding in answer.findings)


def test_bottles_fixed_beyond_what_is_there_are_cut_to_it(demo_runs) -> None:
    inputs = demo_runs.once(plan_inputs)
    wanted = np.full_like(inputs.facts.stacks.price, 0.0)
    wanted[:, 0] = np.inf
    given = as_far_as_there(inputs.facts, wanted)
    assert np.isfinite(given).all()
    plan, _ = best_plan(inputs.facts, given)
    assert np.isfinite(value_of(inputs.facts, plan))


@pytest.mark.parametrize(
    ("row", "said"),
    [
        (("places", "Celler 1", None, None, 10.0), "Did you mean 'Cellar 1'"),
        (("places", None, None, None, 10.0), "no place"),
        (("places", "Cellar 1", None, None, None), "no limit"),
        (("supply", None, "Brut", None, None), "no bottles"),
        (("supply", None, None, 10.0, None), "no cuvée"),
    ],
)
def test_a_limit_that_says_nothing_is_a_finding(demo_runs, row, said) -> None:
    with pytest.raises(InputError) as wrong:
        House(demo_runs.estate).replace(limits=limits(row))
    assert any(said in str(finding) for finding in wrong.value.findings)


def test_an_elasticity_above_minus_one_is_refused(demo_runs) -> None:
    with pytest.raises(InputError, match="Price by age"):
        House(demo_runs.estate).replace(price_by_age=lambda t: t.assign(price_response=-0.5))


def test_the_command_prints_the_plan(capsys, tmp_path) -> None:
    assert main(["plan", str(demo_folder())]) == 0
    printed = capsys.readouterr().out
    assert "this quarter" in printed
    assert "Plans compared" in printed
    assert main(["plan", str(demo_folder()), "--without", "places", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert not [line for line in found["limits_used"] if line["limit"] == "places"]
    own = tmp_path / "own.csv"
    own.write_text("lot,date,bottles\nT21-VINT,2026-06-30,1000\n", encoding="utf-8")
    assert main(["plan", str(demo_folder()), "--with-plan", str(own)]) == 0
    assert "your own" in capsys.readouterr().out
    own.write_text("lot,when\n", encoding="utf-8")
    assert main(["plan", str(demo_folder()), "--with-plan", str(own)]) == 1
    assert "is no plan" in capsys.readouterr().err


def test_an_estate_without_prices_has_nothing_to_plan(demo_estate) -> None:
    none = replace(demo_estate, tables={**demo_estate.tables, "price_by_age": demo_estate["price_by_age"].iloc[:0]})
    answer = plan_answer(Runs(none))
    assert not len(answer.main)
    assert "nothing to plan" in answer.empty
