"""Plans of one bottling: lots on the days on which they begin, limits on the first row of their sheet, amounts of less
than one, channels without shares, by hand.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from costing.decisions.plan.channels import channel_values
from costing.decisions.plan.from_estate import PlanInputs, plan_inputs
from costing.decisions.plan.house_plan import house_plan
from costing.decisions.plan.plans import OLDEST, wanted_plans
from costing.decisions.plan.unkept import what_it_breaks, without_price
from costing.decisions.plan.views import _money, plan_answer
from costing.errors import Finding
from costing.graph.arrays import BLANK_DAY
from costing.model import Runs
from tests.decisions.cash.small import small

BRUT = {"cuvee": "Brut", "format": "bottle"}
PRICE = {**BRUT, "money_date": "2025-12-31"}
PRICES = [{**PRICE, "months_on_lees": age, "ex_cellar_price": 15.0} for age in (0, 24, 48)]
LINE = {"loan": "Line", "from_date": "2025-12-31", "due_date": "2027-12-31", "amount": 4_000.0, "rate": 6.0}
LINE |= {"repayment": "at will"}
BOTH = pd.DataFrame([BRUT])


def planned(months: int = 3, day: str = "2025-12-31", **sheets: list[dict]) -> Runs:
    return small(day, {"Plan horizon (months)": months}, price_by_age=PRICES, **sheets)


def with_a_tirage(day: str, bottles: float) -> PlanInputs:
    """One bottling as it is, and one more to come."""
    wine = {"on_date": "2022-03-01", "lot": "W", "what": "wine", "supplier": "M", "quantity": 750, "unit": "L"}
    wine |= {"price_per_unit": 12}
    filled = {**BRUT, "on_date": "2022-03-01", "to_lot": "T", "wine_lot": "W", "wine_l": 750, "bottles": 1_000}
    deliveries = [wine, {**wine, "on_date": "2025-10-01", "lot": "W2"}]
    more = {**filled, "on_date": day, "to_lot": "T2", "wine_lot": "W2", "bottles": bottles}
    return plan_inputs(planned(deliveries=deliveries, tirage=[filled, more]))


@pytest.mark.parametrize(
    ("day", "bottles", "lots"),
    [("2026-03-30", 1_000, ["D", "T2"]), ("2026-03-31", 1_000, ["D"]), ("2026-03-30", 0, ["D"])],
)
def test_a_tirage_on_the_last_day_of_the_plan_or_of_no_bottles_is_not_planned(
    day: str, bottles: int, lots: list[str]
) -> None:
    assert with_a_tirage(day, bottles).lots["lot"].tolist() == lots


@pytest.mark.parametrize(("day", "step"), [("2026-01-30", 1), ("2026-01-31", 1), ("2026-02-01", 2), ("2026-03-15", 2)])
def test_a_tirage_on_a_date_of_the_plan_lies_there_from_that_evening(day: str, step: int) -> None:
    """It was there from the next date on only, so that a month of its storage and of its places was left out."""
    assert with_a_tirage(day, 1_000).facts.stacks.arrives.tolist() == [0, step]


def test_wine_filled_on_the_valuation_day_may_go_at_once_where_none_was_ever_released() -> None:
    runs = planned(day="2022-03-01")
    assert wanted_plans(runs, plan_inputs(runs))[OLDEST].tolist() == [[np.inf, 0.0, 0.0]]


def test_credit_on_the_first_row_of_limits_holds_without_any_loan() -> None:
    inputs = plan_inputs(planned(limits=[{"what": "credit", "most": 50.0}]))
    assert inputs.facts.limits.credit.tolist() == [50.0] * 3


def test_credit_exceeded_is_said_at_its_row_though_that_is_the_first_and_there_is_a_line() -> None:
    rent = {"from_date": "2026-01-31", "what": "Rent", "amount": 90_000.0}
    runs = planned(limits=[{"what": "credit", "most": 50.0}], loans=[LINE], other_payments=[rent])
    (said,) = plan_answer(runs).findings
    assert said.place == "Limits!B2"
    assert "of credit can't be kept" in said.rule


@pytest.mark.parametrize("since", [None, "2027-06-30"])
def test_a_promise_without_a_date_holds_for_every_year_and_another_from_its_own(since: str | None) -> None:
    promised = {**BRUT, "what": "supply", "least": 100.0, "from_date": since}
    limits = plan_inputs(planned(36, limits=[promised])).facts.limits
    assert limits.supply_year.tolist() == [year for year in (2026, 2027, 2028) if since is None or year >= 2027]


@pytest.mark.parametrize(("promised", "said"), [(1_000, False), (1_001, True)])
def test_too_few_bottles_are_the_reason_only_where_more_are_promised_than_there_are(promised: int, said: bool) -> None:
    (finding,) = plan_answer(planned(24, limits=[{**BRUT, "what": "supply", "least": promised}])).findings
    assert ("there are 1,000 of it in all" in finding.rule) == said
    assert "the plan is short by" in finding.rule


def places_said(of_others: float) -> list[Finding]:
    """What is said of one place of which bottles of others take some."""
    runs = planned()
    house = house_plan(runs)
    limits = replace(house.inputs.facts.limits, places=np.full((1, 3), np.inf))
    facts, rows = (
        replace(house.inputs.facts, limits=limits),
        replace(house.inputs.limit_rows, places=np.full((1, 3), -1)),
    )
    taken = {"places": ("Cellar",), "places_of_others": np.full((1, 3), of_others), "limit_rows": rows}
    plan = replace(house.best[0], over_places=np.zeros((1, 3)))
    return what_it_breaks(runs, replace(house.inputs, facts=facts, **taken), plan)


def test_one_place_taken_by_bottles_of_others_is_said_and_none_is_not() -> None:
    (said,) = places_said(1.0)
    assert said.rule.startswith("bottles of other owners take up to 1 of the places of Cellar")
    assert places_said(0.0) == []


@pytest.mark.parametrize(
    ("tirage", "said"),
    [
        ([BLANK_DAY, BLANK_DAY], "has no known tirage, so no age: T, D can't be planned."),
        ([BLANK_DAY, 19_052], "has no price by age: T, D (1,500 bottles) can't be planned."),
    ],
)
def test_lots_that_cannot_be_planned_lack_a_tirage_only_where_none_has_one(tirage: list[int], said: str) -> None:
    lots = pd.DataFrame({**BRUT, "lot": ["T", "D"], "bottles": [1_000.0, 500.0], "tirage_day": tirage})
    (finding,) = without_price(planned().estate, lots)
    assert (finding.place, finding.rule) == ("Tirage!C2", said)


def test_a_worth_of_just_the_dearest_bottle_is_money_and_one_above_it_is_not() -> None:
    facts = plan_inputs(planned()).facts
    assert _money(facts, np.array([15.0, -15.0, 15.1])).tolist() == pytest.approx([15.0, -15.0, np.nan], nan_ok=True)


def values(price: float, channels: list[dict], named: list[str]) -> tuple[list[float], list[float]]:
    """Value and share of each channel of a plan, at one list price."""
    listed = [{**BRUT, "from_date": "2020-01-01", "list_price": price}]
    estate = small(channels=channels, price_list=listed).estate
    value, share = channel_values(estate, 20_453, pd.DataFrame([BRUT]), named)
    return value[0].tolist(), share[0].tolist()


def channel(name: str, share: float | None = None, **terms: float) -> dict:
    return {"channel": name, "share": share, **terms}


def test_without_shares_a_channel_takes_what_its_market_takes() -> None:
    """10 and 8 of a price of 10: 9 in the mean."""
    found = values(10.0, [channel("Trade"), channel("Export", selling_cost_per_bottle=2.0)], ["Export"])
    assert found == (pytest.approx([8 / 9, 10 / 9]), [1.0, 1.0])


def test_a_price_of_less_than_one_is_compared_like_any_other() -> None:
    terms = [channel("Trade", 50.0), channel("Export", 50.0, selling_cost_per_bottle=0.2)]
    assert values(0.8, terms, ["Export"])[0] == pytest.approx([0.6 / 0.7, 0.8 / 0.7])


@pytest.mark.parametrize("cost", [20.0, 30.0])
def test_where_selling_costs_all_that_comes_in_no_channel_is_worth_more_than_another(cost: float) -> None:
    terms = [channel("Trade", 50.0), channel("Export", 50.0, selling_cost_per_bottle=cost)]
    assert values(10.0, terms, ["Export"])[0] == [1.0, 1.0]


def test_where_every_channel_is_named_nothing_is_left_for_others() -> None:
    found = values(10.0, [channel("Trade", 60.0), channel("Export", 40.0)], ["Trade", "Export"])
    assert found == (pytest.approx([1.0, 1.0, 1.0]), pytest.approx([0.6, 0.4, 0.0]))
