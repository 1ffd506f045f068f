"""Futures of plans made up here: what is said of a lot, what is common, what a plan loses where it was not the best."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from costing.decisions.changes.futures import (
    QUARTER,
    Future,
    _beyond,
    _equal,
    _future,
    _regret,
    _says,
    _there,
    _this_quarter,
    _word,
)
from costing.decisions.plan.planning import Search, value_of
from costing.decisions.plan.plans import near_steps
from tests.decisions.plan.test_planning import facts_of


@pytest.fixture(scope="module")
def pair() -> tuple[Future, Future]:
    """The same lots in two futures, in the second at prices that fall, without the last lot."""
    facts = facts_of(3, tight=False)
    lots = [f"T{number}" for number in range(len(facts.stacks.bottles))]
    stacks = facts.stacks
    falling = replace(stacks, price=stacks.price * 0.97 ** np.arange(stacks.price.shape[1]))
    fewer = replace(falling, **{name: value[:-1] for name, value in vars(falling).items()})
    made: list[Any] = [
        SimpleNamespace(facts=facts, lots=pd.DataFrame({"lot": lots})),
        SimpleNamespace(facts=replace(facts, stacks=fewer), lots=pd.DataFrame({"lot": lots[:-1]})),
    ]
    return _future("As recorded", made[0]), _future("Falling", made[1])


@pytest.mark.parametrize(
    ("least", "most", "said"),
    [
        (100.0, 100.0, "disgorge 100"),
        (99.8, 100.3, "disgorge 100"),
        (995.0, 1_000.0, "disgorge 1,000"),
        (994.0, 1_000.0, "disgorge 994 to 1,000"),
        (0.5, 3.0, "none or up to 3"),
        (0.6, 3.0, "disgorge 1 to 3"),
        (0.0, 250.0, "none or up to 250"),
    ],
)
def test_what_is_said_of_a_lot(least: float, most: float, said: str) -> None:
    assert _word(least, most) == said


def test_this_quarter_is_what_each_future_disgorges_first_and_the_least_of_all(pair: tuple[Future, Future]) -> None:
    table = _this_quarter(list(pair)).set_index("lot")
    first = {
        future.name: dict(zip(future.inputs.lots["lot"], future.plan.disgorged[:, :2].sum(axis=1), strict=True))
        for future in pair
    }
    assert near_steps(pair[0].inputs.facts).tolist() == [True, True, *[False] * 6]
    assert len(table)
    for lot, row in table.iterrows():
        amounts = [first[name].get(lot, 0.0) for name in ("As recorded", "Falling")]
        assert [row["disgorged_in:As recorded"], row["disgorged_in:Falling"]] == pytest.approx(amounts)
        assert row["bottles_common"] == pytest.approx(min(amounts))
        assert row["whatever_comes"] == _word(min(amounts), max(amounts))
        assert max(amounts) > 0.5
    assert {lot for name in first for lot, amount in first[name].items() if amount > 0.5} == set(table.index)
    most = table.filter(like="disgorged_in:").max(axis=1)
    keys = list(zip(-table["bottles_common"], -most, strict=True))
    assert keys == sorted(keys)


def test_half_a_bottle_is_no_disgorging_and_half_of_the_money_no_gain(pair: tuple[Future, Future]) -> None:
    recorded = pair[0]
    few = np.zeros_like(recorded.plan.disgorged)
    few[:3, 0] = 0.5, 0.51, 0.49
    table = _this_quarter([replace(recorded, plan=replace(recorded.plan, disgorged=few))])
    assert table["lot"].tolist() == ["T1"]
    regrets = pd.DataFrame(
        {"plan": "best", "plan_kept": QUARTER, "worst_regret": 0.0, "regret:As recorded": [-0.5], "beyond_limits": 3.0}
    )
    assert len(_says([recorded], table, regrets, [])) == 3
    assert "breaks limits" in _says([recorded], table, regrets.assign(**{"regret:As recorded": -0.51}), [])[3]


def test_a_plan_loses_what_it_is_worth_less_than_the_best_one(pair: tuple[Future, Future]) -> None:
    recorded, falling = pair
    for future in pair:
        own = _there(future, future.inputs, future.plan.disgorged)
        assert _regret(future, own) == pytest.approx((0.0, 0.0), abs=1e-3)
    nothing = np.zeros_like(recorded.plan.disgorged)
    facts = recorded.inputs.facts
    lost = recorded.value - value_of(facts, Search(facts, nothing).plan())
    assert lost > 1_000.0
    assert _regret(recorded, _there(recorded, recorded.inputs, nothing))[0] == pytest.approx(lost)
    without_last = _there(falling, recorded.inputs, recorded.plan.disgorged)
    assert _regret(falling, without_last)[0] > 1.0
    last_anew = _there(recorded, falling.inputs, falling.plan.disgorged)
    assert _regret(recorded, last_anew)[0] > 1.0


def test_what_is_broken_counts_over_limits_of_every_kind() -> None:
    plan: Any = SimpleNamespace(
        over_places=np.array([[1.0, 2.0]]), over_line=np.array([4.0]), short_supply=np.array([8.0, 16.0])
    )
    assert _beyond(plan) == 31.0


def test_futures_are_the_same_where_every_figure_of_the_plan_is() -> None:
    facts = facts_of(3)
    assert _equal(facts, facts_of(3))
    limits = replace(facts.limits, supply=facts.limits.supply + 1.0)
    stacks = replace(facts.stacks, **{name: value[:-1] for name, value in vars(facts.stacks).items()})
    for other in (replace(facts, limits=limits), replace(facts, stacks=stacks), facts_of(4)):
        assert not _equal(facts, other)
