"""Channels of the plan: what a bottle brings by channel, shares of the market, floors and caps of a year."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from costing import House, InputError
from costing.decisions.plan.channels import channel_values
from costing.decisions.plan.from_estate import plan_inputs
from costing.decisions.plan.views import plan_answer
from tests.decisions.plan.best import best_plan

pytestmark = pytest.mark.slow


def limits(*rows: tuple[str | None, str | None, float | None, float | None]) -> pd.DataFrame:
    """Supplies: cuvée, channel, at least, at most."""
    frame = pd.DataFrame(rows, columns=["cuvee", "channel", "least", "most"])
    return frame.assign(what="supply", format=None)


def bound(runs, *rows) -> House:
    return House(runs.estate).replace(limits=limits(*rows))


def test_sold_at_their_shares_channels_bring_the_price_by_age(demo_runs) -> None:
    """The shares of Channels: 46, 18, 11 and 23 %."""
    markets = plan_inputs(demo_runs).markets
    value, share = channel_values(demo_runs.estate, demo_runs.today, markets, ["Export UK", "Export US"])
    assert (value * share).sum(axis=1) == pytest.approx(np.ones(len(markets)))
    assert share[0] == pytest.approx(np.array([18, 11, 69]) / 98)


def test_a_channel_brings_its_list_price_less_what_is_taken_off(demo_runs) -> None:
    """Brut at the cellar door against trade, terms and prices of the demo typed in: 26.2 at once less 2.1 of work;
    26.2 less 15 % less 6 % after 45 days at 7.5 %, less 0.55.
    """
    estate = demo_runs.estate
    brut = pd.DataFrame({"cuvee": ["Brut"], "format": ["bottle"]})
    value, _ = channel_values(estate, demo_runs.today, brut, ["Trade", "Cellar door"])
    listed = estate["price_list"]
    price = listed[(listed["cuvee"] == "Brut") & (listed["format"] == "bottle") & listed["channel"].isna()]
    price = float(price["list_price"].iloc[-1])
    rate = float(estate["interest_rates"]["hurdle_rate"].iloc[-1])
    trade = price * 0.85 * 0.94 * (1.0 + rate) ** (-45 / 365.0) - 0.55
    assert value[0, 1] / value[0, 0] == pytest.approx((price - 2.1) / trade, rel=1e-9)


def test_a_floor_and_a_cap_of_a_channel_are_kept(small_runs) -> None:
    house = bound(small_runs, ("Brut", "Trade", 2_600.0, None), (None, "Export", None, 300.0))
    answer = plan_answer(house.runs)
    used = answer["limits_used"].set_index(["limit", "limit_of", "when_month"])
    floor = used.loc[("promised", "Brut, Trade", "2026")]
    assert floor["used"] == pytest.approx(2_600.0)
    assert floor["worth_of_one_more"] < 0
    cap = used.loc[("at most", "all wines, Export", "2026")]
    assert cap["used"] == pytest.approx(300.0)
    assert cap["worth_of_one_more"] > 0
    by_channel = answer["quarter_by_channel"].set_index("lot")
    plan = answer["release_plan"].set_index("lot")
    finished = [lot for lot in by_channel.index if plan.loc[lot, "kind"] == "finished"]
    assert finished
    for lot in finished:
        assert by_channel.loc[lot].filter(like="through:").sum() == pytest.approx(plan.loc[lot, "bottles_now"])


def test_a_supply_without_format_speaks_of_every_format(small_runs) -> None:
    inputs = plan_inputs(bound(small_runs, ("Brut", None, 40_000.0, None)).runs)
    of = inputs.markets[inputs.facts.limits.supply_markets[0]]
    assert set(of["format"]) == {"bottle", "magnum"}


def test_without_bounds_of_their_own_channels_are_one(small_runs) -> None:
    inputs = plan_inputs(bound(small_runs, ("Brut", None, 1.0, None)).runs)
    assert inputs.facts.markets.share.shape[1] == 1
    plan, _ = best_plan(inputs.facts)
    assert plan.by_channel.shape[1] == 1


NO_SENSE = {
    "Limits!A2": ((None, None, 10.0, None), "of what the row speaks"),
    "Limits!B3": (("Brut", "Tasting", 10.0, None), "no channel of sale"),
    "Limits!C4": (("Brut", "Export", 20.0, 10.0), "no year can keep both"),
    "Limits!C5": (("Brut", "Export", None, None), "nothing is promised"),
    "Limits!B6": (("Brut", "Exprot", 10.0, None), "Exprot"),
}


def test_supplies_that_make_no_sense_are_findings_each_at_its_cell(small_runs) -> None:
    with pytest.raises(InputError) as wrong:
        bound(small_runs, *(row for row, _ in NO_SENSE.values()))
    found = {finding.place: str(finding) for finding in wrong.value.findings if finding.severity == "error"}
    assert set(found) == set(NO_SENSE)
    for cell, (_, said) in NO_SENSE.items():
        assert said in found[cell]
