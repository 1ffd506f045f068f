"""Cash as the joint plan sells: its rows bring what the plan counts on, and nothing else of the estate changes."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from costing import House, read_estate
from costing.cli import main
from costing.decisions.budget.budget import budget
from costing.decisions.cash.cash import _NOTE_ON_PLAN, NOTHING_PLANNED, cash
from costing.decisions.cash.planned import _without_typed, as_planned
from costing.decisions.plan.house_plan import house_plan
from costing.decisions.plan.planning import value_of
from costing.decisions.prices.terms_in_force import channel_terms
from costing.graph.arrays import days
from costing.model import Runs
from tests.decisions.cash.small import small
from tests.golden.every_decision import FOLDER, tables


@pytest.fixture(scope="module")
def planned(small_runs):
    return as_planned(small_runs)


def of_plan(runs, table):
    """Rows that the plan put in place of those typed."""
    return runs.estate[table][runs.estate.sources[table].sheet == "Release plan"]


def test_bottles_are_those_of_the_plan(small_runs, planned) -> None:
    house = house_plan(small_runs)
    plan, stacks = house.best[0], house.inputs.facts.stacks
    put = plan.disgorged[~stacks.finished]
    assert of_plan(planned, "disgorgements")["bottles_in"].sum() == pytest.approx(put.sum(), abs=0.01)
    assert of_plan(planned, "dispatches")["bottles"].sum() == pytest.approx(plan.sold.sum(), abs=0.01)


def test_what_the_sales_bring_is_what_the_plan_counts_on(small_runs, planned) -> None:
    """Undiscounted, by hand from the columns of Channels, against the value of the same sales at a rate of 0."""
    house, estate = house_plan(small_runs), planned.estate
    plan, facts = house.best[0], house.inputs.facts
    rows = of_plan(planned, "dispatches")
    terms = channel_terms(estate, small_runs.today).reindex(rows["channel"].astype(str))
    fee, cost, later = (
        np.nan_to_num(terms[name].to_numpy(dtype=float))
        for name in ("commission", "selling_cost_per_bottle", "customer_days")
    )
    hurdle = float(estate["interest_rates"]["hurdle_rate"].dropna().iloc[-1])
    net = rows["net_price"].to_numpy() * (1 - fee) * (1 + hurdle) ** (-later / 365) - cost
    brought = float((net * rows["bottles"].to_numpy()).sum())
    one = {"discount": np.ones_like(facts.dates.discount), "sale_discount": np.ones_like(facts.dates.sale_discount)}
    none = {"finishing": 0.0, "storage": 0.0, "finished_storage": 0.0, "worth_left": 0.0, "worth_finished": 0.0}
    stacks = type(facts.stacks)(
        **{**vars(facts.stacks), **{name: np.zeros_like(getattr(facts.stacks, name)) for name in none}}
    )
    dates = type(facts.dates)(**{**vars(facts.dates), **one})
    undiscounted = type(facts)(**{**vars(facts), "stacks": stacks, "dates": dates})
    assert brought == pytest.approx(value_of(undiscounted, plan), rel=1e-6)


def test_the_past_and_lots_outside_the_plan_stay(small_runs, planned) -> None:
    for table in ("disgorgements", "dispatches", "movements"):
        before, after = small_runs.estate[table], planned.estate[table]
        past = days(before["on_date"]) <= small_runs.today
        assert len(before[past]) == (days(after["on_date"]) <= small_runs.today).sum()
    assert planned.book.total.sum() > 0  # every lot holds what is drawn from it
    now = [cash(runs)["owed_and_owing"]["amount"].sum() for runs in (small_runs, planned)]
    assert now[0] == pytest.approx(now[1])


def test_of_invoices_to_come_those_on_releases_that_are_never_filled_go_and_all_others_stay() -> None:
    """D26 is typed as filled from a stack that the plan disgorges on dates of its own; V25 is a vat, D25 was filled."""
    sheets = tables()
    later = {"Date incurred": "2026-06-01", "Date paid": None, "Stage": None}
    further = sheets["costs"].iloc[[0, 0, 0]].assign(**later)
    further["Lot"] = ["V25", "D26", "D25"]
    sheets["costs"] = pd.concat([sheets["costs"], further], ignore_index=True)
    estate = read_estate(sheets)
    kept = _without_typed(estate, {"T22", "T24", "D25"}, Runs(estate).today)
    assert estate["costs"]["lot"][~kept["costs"]].tolist() == ["D26"]


def test_cash_of_the_plan_adds_up(planned) -> None:
    found = budget(planned)
    ahead = found.periods.planned
    start = planned.estate.settings.bank_balance
    assert start + found.change[ahead].cumsum() == pytest.approx(found.balance[ahead])


def test_it_is_said_whose_dates_these_are(small_runs) -> None:
    estate = small_runs.estate
    further = cash(small_runs, 40, planned=True)
    assert further.says[0] == _NOTE_ON_PLAN
    assert len([one.rule for one in further.findings if "of the plan are fewer" in one.rule]) == 1
    as_long = cash(small_runs, estate.settings.plan_horizon_months, planned=True)
    assert not [one for one in as_long.findings if "of the plan are fewer" in one.rule]
    none = {name: estate[name].head(0) for name in ("price_by_age", "limits")}
    without = House(estate).replace(**none)
    assert without.cash(planned=True).says[0] == NOTHING_PLANNED


def test_without_shares_each_channel_sells_as_much_of_the_plan() -> None:
    price = {"cuvee": "Brut", "format": "bottle", "money_date": "2025-12-31"}
    prices = [{**price, "months_on_lees": age, "ex_cellar_price": 15.0} for age in (24, 48)]
    channels = [{"channel": name} for name in ("Trade", "Export")]
    runs = small(settings={"Plan horizon (months)": 3}, price_by_age=prices, channels=channels)
    sold = as_planned(runs).estate["dispatches"].groupby("channel", observed=True)["bottles"].sum()
    assert sold.to_dict() == pytest.approx({"Trade": 500.0, "Export": 500.0})


def test_the_command_takes_the_plan(capsys) -> None:
    assert main(["cash", str(FOLDER), "--plan", "--months", "6"]) == 0
    assert _NOTE_ON_PLAN[:40] in capsys.readouterr().out
