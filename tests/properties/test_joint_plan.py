"""On random estates no plan that is compared is worth more than the joint one, what is broken counted.

COSTING_FULL=1 plans 200 estates, otherwise a few.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from costing.decisions.plan.facts import Facts
from costing.decisions.plan.house_plan import house_plan
from costing.decisions.plan.planning import Plan, value_of
from costing.decisions.plan.plans import plans_to_compare
from costing.inputs.load import read_inputs
from costing.model import Runs
from costing.results.stock import stock_values
from tests.form import chosen
from tests.properties.estates import Tables, random_estate

SEEDS = range(chosen(full=200, short=3))


def with_prices_and_limits(tables: Tables, seed: int) -> Runs:
    """The estate with a price by age for every cuvée and format in stock, a market, promises and a disgorging line."""
    rng = np.random.default_rng(seed)
    recorded = Runs(read_inputs(tables))
    stock, today = stock_values(recorded.economic), pd.Timestamp(np.datetime64(recorded.today, "D"))
    bottles = stock[stock["kind"].isin(["on lees", "finished"])].groupby(["cuvee", "format"])["quantity"].sum()
    prices, limits = [], [{"What": "disgorging", "At most": max(float(bottles.sum()) * rng.uniform(0.02, 0.5), 1.0)}]
    for (cuvee, size), count in bottles.items():
        first, a_month = rng.uniform(12.0, 40.0), round(float(count) * rng.uniform(0.01, 0.3), 1)
        response = rng.choice([np.nan, -1.5, -3.0])
        for months in (0, 18, 48, 120):
            price = first * (1.0 + rng.uniform(0.0, 0.008) * months)
            row = {
                "Cuvée": cuvee,
                "Format": size,
                "Months on lees": months,
                "Ex-cellar price": price,
                "Money of": today,
            }
            prices.append(row | {"Market takes a month": a_month, "Price response": response})
        promised = max(round(6.0 * a_month), 1.0)
        limits.append({"What": "supply", "Cuvée": cuvee, "Format": size, "At least": promised})
    return Runs(read_inputs({**tables, "price_by_age": pd.DataFrame(prices), "limits": pd.DataFrame(limits)}))


def less_what_it_breaks(facts: Facts, plan: Plan) -> float:
    """Value of a plan less the penalties of what it breaks."""
    over = plan.over_places.sum() + plan.over_line.sum() + plan.short_supply.sum()
    return value_of(facts, plan) - facts.penalty * float(over)


@pytest.mark.parametrize("seed", SEEDS)
def test_no_plan_compared_is_worth_more_than_the_joint_one(seed: int) -> None:
    runs = with_prices_and_limits(random_estate(seed, 50, plan_days=400), seed)
    house = house_plan(runs)
    facts, lots = house.inputs.facts, house.inputs.lots
    if not len(lots):
        pytest.skip("no bottle in stock on this estate")
    own = pd.DataFrame({"lot": lots["lot"].iloc[:1], "day": runs.today + 40, "bottles": lots["bottles"].iloc[:1]})
    best, *others = plans_to_compare(runs, house.inputs, house.best[0], own)
    top = less_what_it_breaks(facts, best.plan)
    assert len(others) >= 3
    for other in others:
        assert less_what_it_breaks(facts, other.plan) <= top + 1e-6 * max(abs(top), 1.0), other.name
