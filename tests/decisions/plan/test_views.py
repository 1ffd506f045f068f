"""The plan of the demo as people read it, its limits, and what a person may enter wrong."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from costing import House, InputError, read_estate
from costing.cli import main
from costing.decisions.hold_or_release import ageing
from costing.decisions.plan.from_estate import plan_inputs
from costing.decisions.plan.planning import value_of
from costing.decisions.plan.plans import as_far_as_there
from costing.decisions.plan.views import plan_answer
from costing.model import Runs
from tests.decisions.plan.best import best_plan
from tests.form import every
from tests.golden.as_kept import differences
from tests.golden.every_decision import FOLDER, near

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def answer(demo_runs):
    return plan_answer(demo_runs)


def limits(*rows: tuple[str, str | None, str | None, float | None, float | None]) -> pd.DataFrame:
    """Limits: what, place, cuvée, at least, at most."""
    frame = pd.DataFrame(rows, columns=["what", "location", "cuvee", "least", "most"])
    return frame.assign(format=np.where(frame["what"] == "supply", "bottle", None))


def test_every_lot_has_something_to_do_and_a_reason(answer, demo_runs) -> None:
    plan = answer["release_plan"]
    assert set(plan["lot"]) == set(plan_inputs(demo_runs).lots["lot"])
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
    inputs = plan_inputs(demo_runs)
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


def test_a_limit_more_costs_and_one_less_frees(small_runs) -> None:
    free = plan_answer(small_runs, ("places", "disgorging", "supply"))["plans_compared"]["plan_value"].iloc[0]
    bound = plan_answer(small_runs)["plans_compared"]["plan_value"].iloc[0]
    assert free > bound
    house = House(small_runs.estate).replace(limits=limits(("places", "Deep", None, None, 11_100.0)))
    tight = plan_answer(house.runs)
    places = tight["limits_used"].set_index(["limit", "limit_of"]).loc[("places", "Deep")]
    assert places["worth_of_one_more"] > 0 or places["broken_by"] > 0


def test_what_insisting_costs(demo_runs) -> None:
    own = pd.DataFrame({"lot": ["T21-VINT"], "day": [demo_runs.today], "bottles": [1_656.0]})
    compared = plan_answer(demo_runs, own=own)["plans_compared"].set_index("plan")
    assert compared.loc["your own", "less_than_best"] > 0


def test_to_hold_a_few_lots_leaves_the_others_free(demo_runs) -> None:
    """All of 2021 kept to the end of the plan: dearer than the best plan, and far less dear than to hold everything."""
    own = pd.DataFrame({"lot": ["T21-VINT", "T21-PREST"], "day": demo_runs.today, "bottles": 0.0})
    answer = plan_answer(demo_runs, own=own)
    compared = answer["plans_compared"].set_index("plan").loc["your own"]
    assert 0.0 < compared["less_than_best"] < 25_000.0
    unsold = f"less, and leaves {compared['short_supply']:,.0f} more bottles promised unsold."
    assert compared["short_supply"] > 0
    assert any(one.startswith("Following 'your own'") and one.endswith(unsold) for one in answer.says)


def test_bottles_fixed_beyond_what_is_there_are_cut_to_it(demo_runs) -> None:
    inputs = plan_inputs(demo_runs)
    wanted = np.full_like(inputs.facts.stacks.price, 0.0)
    wanted[:, 0] = np.inf
    given = as_far_as_there(inputs.facts, wanted)
    assert np.isfinite(given).all()
    plan, _ = best_plan(inputs.facts, given)
    assert np.isfinite(value_of(inputs.facts, plan))


SAY_NOTHING = {
    "Limits!B2": (("places", None, None, None, 10.0), "no place"),
    "Limits!E3": (("places", "Deep", None, None, None), "no limit"),
    "Limits!D4": (("supply", None, "Brut", None, None), "no bottles"),
    "Limits!C5": (("supply", None, None, 10.0, None), "no cuvée"),
}


def test_limits_that_say_nothing_are_findings_each_at_its_cell(small_runs) -> None:
    with pytest.raises(InputError) as wrong:
        House(small_runs.estate).replace(limits=limits(*(row for row, _ in SAY_NOTHING.values())))
    found = {finding.place: str(finding) for finding in wrong.value.findings if finding.severity == "error"}
    assert set(found) == set(SAY_NOTHING)
    for cell, (_, said) in SAY_NOTHING.items():
        assert said in found[cell]


def of_brut(table: pd.DataFrame, value: float) -> pd.DataFrame:
    """Price by age with another price response of Brut in bottles."""
    brut = (table["cuvee"] == "Brut") & (table["format"] == "bottle")
    return table.assign(price_response=table["price_response"].mask(brut, value))


@pytest.mark.parametrize("response", every(2, [-0.5, -1.0, 3.0], 1))
def test_an_elasticity_not_below_minus_one_counts_as_blank_and_the_plan_comes_back(response) -> None:
    near_by = House(read_estate(near()))
    silent, doubted = (
        near_by.replace(price_by_age=lambda table, value=value: of_brut(table, value)) for value in (np.nan, response)
    )
    said = [one for one in doubted.runs.estate.cautions if "no price response below -1" in one.rule]
    assert [one.place for one in said] == [f"Price by age!H{row}" for row in (2, 3, 4, 5)]
    assert doubted.plan()["plans_compared"].equals(silent.plan()["plans_compared"])


TOGETHER = {
    "Limits!H9": (("places", "Deep", None, None, 6_000.0), "fewer than the 11,060 that are taken today"),
    "Limits!C10": (("places", "Cave 9", None, None, 10.0), "is no place in which a lot lies: it limits nothing."),
    "Limits!G11": (("supply", None, "Rosé", 9_000.0, None), "there are 1,592 of it in all; the plan is short by"),
    "Limits!G12": (("supply", None, "Brut", 40_000.0, None), "40,000' bottles of Brut bottle a year are promised"),
    "Limits!H13": (("credit", None, None, None, 5_000.0), "is below the 54,179 owed today, by"),
    "Limits!H14": (("disgorging", None, None, None, 50.0), "the plan puts more to disgorging, by"),
}


def test_limits_that_cannot_be_kept_are_said_at_their_cells_and_the_plan_comes_back(small_runs) -> None:
    rows = limits(*(row for row, _ in TOGETHER.values()))
    house = House(small_runs.estate).replace(limits=lambda own: pd.concat([own, rows], ignore_index=True))
    answer = plan_answer(house.runs)
    for cell, (_, said) in TOGETHER.items():
        at_cell = [str(finding) for finding in answer.findings if finding.place == cell]
        assert len(at_cell) == 1
        assert said in at_cell[0]
    assert {finding.severity for finding in answer.findings} == {"caution"}
    assert len(answer["release_plan"])
    worth = pd.concat([answer["limits_used"]["worth_of_one_more"], answer["worth_at_margin"]["worth_of_one_more"]])
    assert worth.abs().max() < 2_000.0  # money, not what breaking a limit costs the search


@pytest.mark.parametrize(
    ("most", "place", "amount"),
    [(5_000.0, "Limits!H9", "5,000"), (480_000.0, "Loans!D2", "60,000"), *every(2, [(None, "Loans!D2", "60,000")], 1)],
)
def test_credit_that_a_large_payment_exceeds_is_said_where_it_is_limited(
    small_runs, most: float | None, place: str, amount: str
) -> None:
    """At the row of Limits, in force from June on, where it leaves less than the bank's line of 60,000 does."""
    row = limits(*([("credit", None, None, None, most)] if most else [])).assign(from_date=pd.Timestamp("2026-06-01"))
    paid = {"from_date": pd.Timestamp("2026-02-15"), "to_date": pd.Timestamp("2026-02-15"), "amount": 900_000.0}
    paying = House(small_runs.estate).replace(
        limits=lambda own: pd.concat([own, row], ignore_index=True),
        other_payments=lambda own: pd.concat([own, own.iloc[:1].assign(**paid)], ignore_index=True),
    )
    (said,) = plan_answer(paying.runs).findings
    assert (said.place, said.value) == (place, amount)
    assert "of credit can't be kept: the plan owes more, by " in said.rule


def test_what_has_no_price_is_said_at_its_row_its_age_or_its_lot(small_runs) -> None:
    """Bottles promised of a format without a price are short in full; the oldest age with a price stands for those
    above it; wine without any price is no part of the plan.
    """
    row = limits(("supply", None, "Brut", 100.0, None)).assign(format="jeroboam")

    def priced(table: pd.DataFrame) -> pd.DataFrame:
        young = (table["format"] != "bottle") | (table["months_on_lees"] <= 24)
        return table[(table["cuvee"] == "Brut") & young].reset_index(drop=True)

    house = House(small_runs.estate).replace(
        price_by_age=priced, limits=lambda own: pd.concat([own, row], ignore_index=True)
    )
    answer = plan_answer(house.runs)
    said = {finding.place: str(finding) for finding in answer.findings}
    assert "no lot of it has a price by age; the plan is short by 100 in 2026, 50 in 2027" in said["Limits!G9"]
    assert any(one.place == "Limits!D9" and "no price by age" in one.rule for one in house.runs.estate.cautions)
    assert [place for place in said if place.startswith("Price by age!")] == ["Price by age!C3"]
    assert "24' months is the oldest age of Brut bottle with a price: T22" in said["Price by age!C3"]
    assert any("'Rosé bottle' has no price by age: K22" in one for one in said.values())
    assert not {"K22", "K25"} & set(answer["release_plan"]["lot"])


def test_what_is_drawn_is_the_cash_of_the_plan(demo_runs) -> None:
    """Debt less spare cash changes by interest and what goes out less what comes in, counted from the bottles alone."""
    facts = plan_inputs(demo_runs).facts
    plan, _ = best_plan(facts)
    stacks, limits_given = facts.stacks, facts.limits
    out = limits_given.other_outlay + (plan.disgorged * np.nan_to_num(stacks.finishing)).sum(axis=0)
    out += (plan.on_lees * np.nan_to_num(stacks.storage)).sum(axis=0)
    owed, spare = limits_given.debt, 0.0
    for step in range(facts.dates.steps):
        got = 0.0
        for begun in range(max(step - facts.longest_wait - 1, 0), step):
            passed = (facts.dates.day[step - 1] - facts.dates.day[begun]) / 365.0
            price = np.nan_to_num(stacks.price[:, begun]) * (1.0 + stacks.price_growth) ** passed
            got += float((plan.sold[:, begun, step - 1 - begun] * price).sum())
        if step:
            owed *= (1.0 + limits_given.borrowing_rate) ** facts.dates.years[step - 1]
        net = owed - spare + out[step] - got
        owed, spare = max(net, 0.0), max(-net, 0.0)
        assert plan.debt[step] == pytest.approx(owed, rel=1e-9, abs=1e-6)


def test_credit_is_the_line_of_the_bank_and_can_be_left_out(demo_runs, answer) -> None:
    used = answer["limits_used"].set_index("limit")
    assert used.loc["credit", "limit_of"] == "Stock line"
    assert used.loc["credit", "most"] == pytest.approx(420_000.0 - 60_000.0)  # the line less the headroom promised
    free = plan_answer(demo_runs, ("credit",))
    assert "credit" not in set(free["limits_used"]["limit"])


def test_ageing_says_what_the_plan_does_with_each_stack_and_why(demo_runs, answer) -> None:
    stacks = ageing(demo_runs)["hold_or_release"].set_index("lot")["plan_does"]
    plan = answer["release_plan"].set_index("lot").loc[stacks.index]
    assert (stacks == plan["do"] + ": " + plan["reason"]).all()
    assert stacks["T24-BRUT"].endswith("older bottles fill its market until then")


def test_the_command_prints_the_plan(capsys, tmp_path) -> None:
    folder = str(FOLDER)
    assert main(["plan", folder]) == 0
    printed = capsys.readouterr().out
    assert "this quarter" in printed
    assert "Plans compared" in printed
    own = tmp_path / "own.csv"
    own.write_text("lot,date,bottles\nT22,2026-06-30,300\n", encoding="utf-8")
    assert main(["plan", folder, "--without", "places", "--with-plan", str(own), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert {line["limit"] for line in found["limits_used"]} >= {"disgorging", "market"}
    assert not [line for line in found["limits_used"] if line["limit"] == "places"]
    assert "your own" in [line["plan"] for line in found["plans_compared"]]
    own.write_text("lot,when\n", encoding="utf-8")
    assert main(["plan", folder, "--with-plan", str(own)]) == 1
    assert "is no plan" in capsys.readouterr().err


def test_an_estate_without_prices_has_nothing_to_plan(demo_estate) -> None:
    none = replace(demo_estate, tables={**demo_estate.tables, "price_by_age": demo_estate["price_by_age"].iloc[:0]})
    answer = plan_answer(Runs(none))
    assert not len(answer.main)
    assert "nothing to plan" in answer.empty


def test_every_figure_of_the_demo_is_as_kept(demo_runs) -> None:
    assert differences("demo", ["plan", "ageing"], demo_runs) == []
