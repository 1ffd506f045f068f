"""Whole campaigns: small cases against every choice of campaigns, a published lot-sizing case through the plan itself,
and what the command says.

H. M. Wagner and T. M. Whitin, "Dynamic version of the economic lot size model", Management Science 5 (1958).
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from itertools import product
from shutil import copytree

import numpy as np
import pytest

from costing.cli import main
from costing.decisions.plan import campaigns
from costing.decisions.plan.campaigns import whole_campaigns
from costing.decisions.plan.facts import Campaigns, Dates, Facts, Limits, Markets, Stacks
from costing.decisions.plan.planning import SOME, Search, value_of
from tests.decisions.plan.test_planning import broken, facts_of, with_credit
from tests.form import every
from tests.golden.every_decision import FOLDER


def few(seed: int, *, tight: bool = True) -> Facts:
    """Random facts in which two lots on lees may go on three dates each, in campaigns; all others are kept."""
    facts = facts_of(seed, tight=tight)
    stacks = facts.stacks
    may = np.zeros_like(stacks.may)
    for lot in np.flatnonzero(~stacks.finished)[:2]:
        may[lot, np.flatnonzero(stacks.may[lot] & (np.arange(8) >= stacks.arrives[lot]))[:3]] = True
    may |= stacks.finished[:, np.newaxis]
    campaigns = Campaigns(np.linspace(300.0, 700.0, 8), 400.0)
    return replace(facts, stacks=replace(stacks, may=may), campaigns=campaigns)


def by_every_choice(facts: Facts) -> float:
    """Best value over every choice of campaigns, each solved as bounds on what is disgorged; what is broken counts."""
    search, campaigns, best = Search(facts), facts.campaigns, -np.inf
    system = search.programme.system()
    lots, dates = np.nonzero(system.most[search.put_to] > 0)
    alive = facts.stacks.bottles[lots] * 0.999 ** (dates - facts.stacks.arrives[lots])
    for chosen in product([False, True], repeat=len(lots)):
        least, most, at = system.least.copy(), system.most.copy(), search.put_to[lots, dates]
        least[at] = np.where(chosen, np.minimum(campaigns.least, alive) * (1.0 - 1e-9), 0.0)
        most[at] = np.where(chosen, np.inf, 0.0)
        try:
            value = search.programme.best(replace(system, least=least, most=most)).value
        except ArithmeticError:  # more campaigns than bottles
            continue
        best = max(best, value - float((chosen * campaigns.cost[dates] * search.discount[dates]).sum()))
    return best


@pytest.mark.parametrize("seed", every(2, range(6)))
def test_small_cases_agree_with_every_choice_of_campaigns(seed: int) -> None:
    facts = few(seed)
    found = whole_campaigns(facts)
    plan = found.search.plan()
    worth = value_of(facts, plan) - broken(facts, plan)
    assert worth == pytest.approx(by_every_choice(facts), rel=1e-4)
    done = plan.disgorged[plan.disgorged > SOME]
    assert found.starts == len(done)
    assert (done >= np.minimum(400.0, facts.stacks.bottles.min() * 0.99) - 1e-6).all()


@pytest.mark.parametrize("seed", every(2, range(6)))
def test_without_time_the_first_campaigns_stand_and_the_gap_holds(seed: int) -> None:
    """Below the best, whose bound both keep; the gap is what the plan falls short of the bound, of the bound."""
    facts = replace(facts_of(seed, tight=False), campaigns=Campaigns(np.full(8, 500.0), 300.0))
    hasty, patient = whole_campaigns(facts, seconds=0.0), whole_campaigns(facts)
    assert hasty.value <= patient.value + 1e-6 * patient.value
    assert patient.value <= patient.bound + 1e-6 * patient.value
    assert patient.bound <= hasty.bound + 1e-6 * patient.value
    assert hasty.gap == pytest.approx((hasty.bound - hasty.value) / hasty.bound)
    assert 0.0 < hasty.gap < 0.1
    plan = hasty.search.plan()
    assert value_of(facts, plan) == pytest.approx(hasty.value)
    alive = (facts.stacks.bottles[:, np.newaxis] * 0.99 * np.ones(8))[plan.disgorged > SOME]
    assert (plan.disgorged[plan.disgorged > SOME] >= np.minimum(300.0, alive) - 1e-6).all()


@pytest.mark.parametrize("seed", every(2, range(6)))
def test_of_many_dates_those_beside_the_best_ones_are_tried(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """They are found too where only dates beside those of the bound may be taken, and the bound still holds."""
    facts = few(seed)
    exact = whole_campaigns(facts)
    monkeypatch.setattr(campaigns, "FEW_STARTS", 0)
    found = whole_campaigns(facts)
    assert found.value <= exact.value * (1.0 + 1e-6)
    assert found.value == pytest.approx(exact.value, rel=0.01)
    assert exact.bound <= found.bound * (1.0 + 1e-6)


def test_as_many_starts_as_are_few_are_all_left_free(monkeypatch: pytest.MonkeyPatch) -> None:
    """The bound is then that of branch and bound, below the one with starts between 0 and 1."""
    facts = few(0)
    search = Search(facts)
    dates = int((search.programme.system().most[search.put_to] > 0).sum())
    exact = whole_campaigns(facts)
    for free, is_exact in ((dates, True), (dates - 1, False)):
        monkeypatch.setattr(campaigns, "FEW_STARTS", free)
        assert (whole_campaigns(facts).bound == pytest.approx(exact.bound, rel=1e-9)) == is_exact


def test_bottles_that_just_make_another_campaign_are_one() -> None:
    """The smallest is 400: after 400 another 400 are begun, 399 are too few."""
    facts = few(0, tight=False)
    lot = int(np.argmax(np.where(facts.stacks.may.sum(axis=1) == 3, facts.stacks.bottles, 0.0)))
    first, second = np.flatnonzero(facts.stacks.may[lot])[[0, 2]]
    assert facts.stacks.bottles[lot] > 1_300.0
    for later, begun in ((400.0, True), (399.0, False)):
        wanted = np.zeros_like(facts.stacks.price)
        wanted[lot, [first, second]] = 400.0, later
        search = Search(facts)
        starts = campaigns._starts(search, None)
        system = search.programme.system()
        best = search.programme.best(system)
        amounts = best.amounts.copy()
        amounts[best.variables["disgorged"]] = wanted
        opened = campaigns._rounded(search, system, replace(best, amounts=amounts), starts, None)
        assert (opened[lot, first], opened[lot, second]) == (True, begun)


def test_where_those_that_follow_the_bound_keep_no_bounds_one_of_each_lot_is_begun_with(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    facts, value, asked = few(0), campaigns._value, []

    def impossible_at_first(*given) -> float:
        asked.append(given[-1])
        if len(asked) == 1:
            raise ArithmeticError
        return value(*given)

    exact = whole_campaigns(facts)
    monkeypatch.setattr(campaigns, "_value", impossible_at_first)
    assert whole_campaigns(facts).value == pytest.approx(exact.value, rel=1e-4)
    assert (asked[1].sum(axis=1) <= 1).all()


def test_campaigns_of_nothing_change_nothing() -> None:
    facts = facts_of(4, tight=False)
    free = value_of(facts, Search(facts).plan())
    found = whole_campaigns(replace(facts, campaigns=Campaigns(np.zeros(8), 0.0)))
    assert found.value == pytest.approx(free, rel=1e-4)


def test_what_campaigns_cost_is_drawn_on_the_line() -> None:
    facts = replace(with_credit(facts_of(2, tight=False), 1.2), campaigns=Campaigns(np.full(8, 900.0), 300.0))
    search = whole_campaigns(facts).search
    drawn = search.programme.best().amount("drawn")
    assert search.plan().debt == pytest.approx(drawn, rel=1e-7, abs=1e-3)


@pytest.mark.parametrize(
    ("demand", "set_up", "holding", "least_cost"),
    [
        (
            [69, 29, 36, 61, 61, 26, 34, 67, 45, 67, 79, 56],
            [85, 102, 102, 101, 98, 114, 105, 86, 119, 110, 98, 114],
            1.0,
            864.0,
        ),
        ([3, 2, 3, 2], [2, 2, 2, 2], 0.2, 4.8),
    ],
)
def test_published_lot_sizes_through_the_plan(demand, set_up, holding, least_cost) -> None:
    """One lot, what is wanted each month promised in full; set-up costs a campaign, what is finished waits at a cost.
    First Wagner and Whitin, then Hillier and Lieberman, Introduction to Operations Research, inventory theory.
    """
    months, price = len(demand), 10.0
    wanted, one, flat = np.array(demand, dtype=float), np.ones(1), np.ones((1, len(demand)))
    stacks = Stacks(
        bottles=one * wanted.sum(),
        most=one * wanted.sum(),
        fill_cost=0 * one,
        arrives=np.array([0]),
        finished=np.array([False]),
        survival=flat,
        good=one,
        may=flat > 0,
        price=price * flat,
        price_growth=0 * one,
        finishing=0 * flat,
        storage=0 * flat,
        finished_storage=holding * flat,
        worth_left=0 * one,
        worth_finished=0 * one,
        market=np.array([0]),
        place=np.array([-1]),
        takes_places=one,
    )
    limits = Limits(
        places=np.zeros((0, months)),
        line=np.full(months, np.inf),
        supply_markets=np.ones((months, 1), dtype=bool),
        supply_channel=np.full(months, -1),
        supply_year=np.arange(months),
        supply=wanted,
        supply_most=wanted,
        credit=np.full(months, np.inf),
        debt=0.0,
        other_outlay=np.zeros(months),
        borrowing_rate=0.0,
    )
    dates = Dates(30 * np.arange(months + 1), np.ones(months + 1), np.ones(months), np.arange(months))
    markets = Markets(np.full((1, months), np.inf), price * flat, np.array([np.nan]), np.ones((1, 1)), np.ones((1, 1)))
    facts = Facts(
        dates, stacks, markets, limits, months, 1_000.0, campaigns=Campaigns(np.array(set_up, dtype=float), 0.0)
    )
    found = whole_campaigns(facts)
    assert price * wanted.sum() - found.value == pytest.approx(least_cost, abs=1e-6)
    assert found.gap == pytest.approx(0.0, abs=1e-6)


def a_quarter(tmp_path, *settings: str):
    """The small house as a folder with a plan of three months, and settings of its own."""
    folder = tmp_path / "estate"
    copytree(FOLDER, folder)
    lines = (folder / "settings.csv").read_text(encoding="utf-8").splitlines()
    changed = {"Plan horizon (months)", *(line.split(",")[0] for line in settings)}
    kept = [line for line in lines if line.split(",")[0] not in changed]
    text = "\n".join([*kept, "Plan horizon (months),3", *settings])
    (folder / "settings.csv").write_text(text + "\n", encoding="utf-8")
    return str(folder)


@pytest.mark.slow
def test_the_command_says_what_campaigns_cost_and_how_far_from_the_best(capsys, tmp_path) -> None:
    folder = a_quarter(tmp_path, "Cost of a campaign,250", "Smallest campaign (bottles),500")
    assert main(["plan", folder, "--whole-campaigns", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    said = next(one for one in found["says"] if "campaigns of 500 bottles or more" in one)
    assert "250 EUR each" in said
    bound = float(re.search(r"worth more than ([\d,]+)", said)[1].replace(",", ""))
    short = float(re.search(r"by ([\d.]+)%", said)[1])
    value = found["plans_compared"][0]["plan_value"]
    assert short == pytest.approx(100.0 * (bound - value) / bound, abs=0.006)
    for row in found["release_plan"]:
        if row["do"].startswith("disgorge"):
            assert row["bottles_now"] >= min(500.0, 0.99 * row["bottles"])
    assert main(["plan", folder, "--whole-campaigns", "--futures"]) == 1
    assert "ask for --futures or --whole-campaigns" in capsys.readouterr().err


@pytest.mark.slow
def test_without_a_cost_or_a_smallest_campaign_it_is_said_that_nothing_changes(capsys, tmp_path) -> None:
    folder = a_quarter(tmp_path, "Cost of a campaign,0", "Smallest campaign (bottles),0")
    assert main(["plan", folder, "--whole-campaigns"]) == 0
    assert "whole campaigns change nothing" in " ".join(capsys.readouterr().out.split())
