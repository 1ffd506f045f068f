"""The joint plan on random facts: worth as it is counted directly, never below another plan, worths at the margin
between finite differences, and one stack alone as the rule for a single stack says.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from costing.decisions.plan.facts import (
    Dates,
    Facts,
    Limits,
    Markets,
    Stacks,
    Wine,
    channel_steps,
    mean_price,
    price_steps,
)
from costing.decisions.plan.margin import one_more_one_less
from costing.decisions.plan.planning import Search, value_of
from costing.decisions.plan.programme import Programme
from costing.engine.carrying import RateCurve
from tests.decisions.plan.best import best_plan
from tests.form import chosen, every


def facts_of(seed: int, *, tight: bool = True, response: bool = True) -> Facts:
    """Three to seven lots in two markets over eight quarters."""
    rng = np.random.default_rng(seed)
    lots, steps, rate = int(rng.integers(3, 8)), 8, 0.075
    day = np.arange(steps + 1) * 91
    discount = (1.0 + rate) ** (-day / 365.0)
    force = np.log1p(rate)
    span = np.diff(day) / 365.0
    sale = discount[:-1] * (1.0 - np.exp(-force * span)) / (force * span)
    finished = rng.random(lots) < 0.25
    arrives = np.where(~finished & (rng.random(lots) < 0.3), rng.integers(1, 4, lots), 0)
    begin = np.arange(steps)
    may = (begin >= arrives[:, np.newaxis] + rng.integers(0, 3, lots)[:, np.newaxis]) | finished[:, np.newaxis]
    first_price = rng.uniform(14.0, 24.0, lots)
    price = first_price[:, np.newaxis] * (1.0 + rng.uniform(0.0, 0.04, lots)[:, np.newaxis]) ** begin
    price = np.where(may, price, np.nan)
    bottles = rng.uniform(500.0, 4_000.0, lots)
    stacks = Stacks(
        bottles=bottles,
        most=bottles,
        fill_cost=np.where(arrives > 0, 6.0, 0.0),
        arrives=arrives,
        finished=finished,
        survival=np.full((lots, steps), 0.999),
        good=np.where(finished, 1.0, 0.985),
        may=may,
        price=price,
        price_growth=np.full(lots, 0.02),
        finishing=np.where(finished[:, np.newaxis], 0.0, np.full((lots, steps), 1.9)),
        storage=np.where(finished[:, np.newaxis], 0.0, np.full((lots, steps), 0.06)),
        finished_storage=np.full((lots, steps), 0.08),
        worth_left=rng.uniform(10.0, 16.0, lots),
        worth_finished=rng.uniform(8.0, 12.0, lots),
        market=rng.integers(0, 2, lots),
        place=np.where(finished, -1, 0),
        takes_places=np.ones(lots),
    )
    takes = rng.uniform(200.0, 900.0, (2, 1)) * np.ones((2, steps))
    elasticity = np.array([-3.0 if response else np.nan, np.nan])
    markets = Markets(
        takes,
        mean_price(stacks, 2),
        elasticity,
        np.array([[1.05, 0.97]] * 2),
        np.array([[0.4, 0.7]] * 2),
    )
    place = 0.8 * stacks.bottles[~finished].sum() if tight else np.inf
    limits = Limits(
        places=np.full((1, steps), place),
        line=np.full(steps, 0.2 * stacks.bottles.sum() if tight else np.inf),
        supply_markets=np.array([[True, False], [True, True]]),
        supply_channel=np.array([-1, 0]),
        supply_year=np.array([1, 0]),
        supply=np.array([300.0, 100.0]) if tight else np.zeros(2),
        supply_most=np.array([np.inf, 900.0 if tight else np.inf]),
        credit=np.full(steps, np.inf),
        debt=0.0,
        other_outlay=np.zeros(steps),
        borrowing_rate=0.0,
    )
    dates = Dates(day, discount, sale, day[:-1] // 365)
    return Facts(dates, stacks, markets, limits, longest_wait=3, penalty=1_000.0)


def broken(facts: Facts, plan) -> float:
    return facts.penalty * float(plan.over_places.sum() + plan.over_line.sum() + plan.short_supply.sum())


@pytest.mark.parametrize("seed", range(chosen(full=200, short=6)))
def test_the_best_plan_is_worth_what_direct_counting_says_and_no_plan_is_worth_more(seed: int) -> None:
    facts = facts_of(seed)
    plan, _ = best_plan(facts)
    best = value_of(facts, plan) - broken(facts, plan)
    rng = np.random.default_rng(1_000 + seed)
    for _ in range(2):
        left = rng.random(plan.disgorged.shape) < 0.5
        other, _ = best_plan(facts, np.where(left, 0.0, np.nan))
        assert value_of(facts, other) - broken(facts, other) <= best + 1e-6 * abs(best)
    again, _ = best_plan(facts, plan.disgorged)
    assert value_of(facts, again) - broken(facts, again) == pytest.approx(best, rel=1e-9)


def with_credit(facts: Facts, part: float) -> Facts:
    """The same with money that goes out every quarter, and a line of a part of what is drawn without a limit."""
    steps = facts.dates.steps
    whole = float((facts.stacks.bottles * np.nan_to_num(facts.stacks.price).max(axis=1)).sum())
    outlay = np.full(steps, 0.08 * whole)
    limits = replace(facts.limits, credit=np.full(steps, 1e12), debt=0.1 * whole, other_outlay=outlay)
    free, _ = best_plan(replace(facts, limits=replace(limits, borrowing_rate=0.05)))
    return replace(facts, limits=replace(limits, borrowing_rate=0.05, credit=np.full(steps, part * free.debt.max())))


@pytest.mark.parametrize("seed", every(3, range(8)))
def test_one_more_of_the_line_is_worth_what_it_says(seed: int) -> None:
    """Between finite differences on either side; where the line binds, money is worth something."""
    facts = with_credit(facts_of(seed, tight=False), 0.97)
    plan, worths = best_plan(facts)
    assert plan.over_credit.max() < 1e-6
    assert plan.debt.max() == pytest.approx(facts.limits.credit[0])
    base = value_of(facts, plan)
    assert worths.credit.max() > 0.0
    for step in np.flatnonzero(worths.credit > 1e-9).tolist():
        moved = []
        for more in (-0.1, 0.1):
            credit = facts.limits.credit.copy()
            credit[step] += more
            other = replace(facts, limits=replace(facts.limits, credit=credit))
            found, _ = best_plan(other)
            assert found.over_credit.max() < 1e-6
            moved.append((value_of(other, found) - base) / more)
        assert moved[1] - 1e-4 <= worths.credit[step] <= moved[0] + 1e-4


def as_far_as_kept(facts: Facts) -> Facts:
    """The same with limits that give way by what the best plan breaks of them."""
    plan, _ = best_plan(facts)
    limits = facts.limits
    loose = {
        "places": limits.places + plan.over_places + 1e-6,
        "line": limits.line + plan.over_line + 1e-6,
        "supply": limits.supply - plan.short_supply - 1e-6,
    }
    return replace(facts, limits=replace(limits, **loose))


@pytest.mark.parametrize("seed", every(4, range(12)))
def test_one_bottle_more_and_one_less_bracket_the_worth(seed: int) -> None:
    """What is broken is taken as given: a worth is money, whatever else the plan can't keep."""
    _, worths = best_plan(facts_of(seed))
    facts = as_far_as_kept(facts_of(seed))
    plan, _ = best_plan(facts)
    assert (np.abs(worths.bottle) < 100.0).all()
    base = value_of(facts, plan) - broken(facts, plan)
    for lot in range(len(facts.stacks.bottles)):
        moved = []
        for step in (-0.01, 0.01):
            bottles = facts.stacks.bottles.copy()
            bottles[lot] += step
            stacks = replace(facts.stacks, bottles=bottles, most=bottles)
            other = replace(facts, stacks=stacks)
            found, _ = best_plan(other)
            moved.append((value_of(other, found) - broken(other, found) - base) / step)
        assert moved[1] - 1e-4 <= worths.bottle[lot] <= moved[0] + 1e-4


def with_wine(facts: Facts) -> Facts:
    """The same with tirages to come free between none and twice as many, from wine of two springs."""
    stacks, steps = facts.stacks, np.array([1, 3])
    free = stacks.arrives > 0
    spring = np.where(free, np.where(stacks.arrives > 1, 1, 0), -1)
    bottles = np.where(free, 0.0, stacks.bottles)
    free_stacks = replace(stacks, bottles=bottles, most=np.where(free, 2.0 * stacks.bottles, stacks.bottles))
    whole = np.array([stacks.bottles.sum(), stacks.bottles.mean()])
    wine = Wine(
        step=steps,
        comes=np.array([0.4 * whole, 0.1 * whole]),
        kept=0.98,
        kept_least=np.array([[10.0, 0.0], [0.0, 0.0]]),
        storage=np.array([0.1, 0.1]),
        bulk_price=np.array([[4.0, 5.0], [2.0, 2.5]]),
        bulk_most=np.array([[np.inf, 200.0], [np.inf, np.inf]]),
        spring=spring,
        bottle_l=np.full(len(bottles), 0.72),
        most_share=np.tile([1.0, 0.2], (len(bottles), 1)),
    )
    return replace(facts, stacks=free_stacks, wine=wine)


@pytest.mark.parametrize("seed", every(4, range(12)))
def test_wine_is_bottled_sold_or_kept_and_a_litre_more_is_worth_what_it_says(seed: int) -> None:
    facts = with_wine(facts_of(seed))
    wine = facts.wine
    plan, worths = best_plan(facts)
    assert plan.wine_short.max() == pytest.approx(0.0, abs=1e-6)
    used = np.array([plan.wine_in[wine.spring == year].sum(axis=0) for year in (0, 1)]).T
    there = wine.comes + np.column_stack([np.zeros(2), wine.kept * plan.wine_kept[:, 0]])
    assert (used + plan.wine_in_bulk + plan.wine_kept <= there + 1e-6).all()
    free = wine.spring >= 0
    assert plan.wine_in[free].sum(axis=1) == pytest.approx(0.72 * plan.filled[free], abs=1e-6)
    assert (plan.wine_in[free, 1] <= 0.2 * 0.72 * plan.filled[free] + 1e-6).all()
    base = value_of(facts, plan) - broken(facts, plan)
    for at in np.ndindex(2, 2):
        moved = []
        for step in (-0.01, 0.01):
            comes = wine.comes.copy()
            comes[at] += step
            other = replace(facts, wine=replace(wine, comes=comes))
            found, _ = best_plan(other)
            moved.append((value_of(other, found) - broken(other, found) - base) / step)
        assert moved[1] - 1e-4 <= worths.litre[at] <= moved[0] + 1e-4


def test_more_filled_than_there_is_wine_is_said_and_not_impossible() -> None:
    facts = with_wine(facts_of(1))
    assert (facts.stacks.arrives > 0).any()
    least = np.where(facts.stacks.arrives > 0, 1e5, facts.stacks.bottles)
    plan, _ = best_plan(replace(facts, stacks=replace(facts.stacks, bottles=least, most=np.maximum(least, 1e5))))
    assert plan.wine_short.sum() > 0


def test_one_stack_without_limits_goes_when_one_date_is_worth_most() -> None:
    """One lot, no limits: all of it on the date with the highest present value, as the single-stack rule says."""
    for seed in range(10):
        facts = facts_of(seed, tight=False, response=False)
        lot = int(np.flatnonzero(~facts.stacks.finished)[0])
        pick = {
            name: value[[lot]] if isinstance(value, np.ndarray) else value for name, value in vars(facts.stacks).items()
        }
        pick |= {"market": np.array([0]), "place": np.array([-1]), "worth_left": np.array([-1e3])}
        markets = Markets(
            np.full((1, 8), np.inf),
            np.zeros((1, 8)),
            np.array([np.nan]),
            np.ones((1, 1)),
            np.ones((1, 1)),
        )
        limits = replace(
            facts.limits,
            supply_markets=np.zeros((0, 1), bool),
            supply_channel=np.zeros(0, int),
            supply_year=np.zeros(0, int),
        )
        limits = replace(limits, supply=np.zeros(0), supply_most=np.zeros(0))
        alone = replace(facts, stacks=Stacks(**pick), markets=markets, limits=limits, longest_wait=0)
        plan, _ = best_plan(alone)
        stacks, discount = alone.stacks, alone.dates.discount[:-1]
        alive = stacks.bottles[0] * 0.999 ** np.maximum(np.arange(8) - stacks.arrives[0], 0)
        alive[: stacks.arrives[0]] = 0.0
        worth = stacks.price[0] * stacks.good[0] * alone.dates.sale_discount - stacks.finishing[0] * discount
        kept = np.concatenate([[0.0], np.cumsum(alive * stacks.storage[0] * discount)[:-1]])
        value = np.where(stacks.may[0] & (alive > 0), alive * worth - kept, -np.inf)
        assert plan.disgorged[0].argmax() == value.argmax()
        assert plan.disgorged[0].max() == pytest.approx(alive[value.argmax()], rel=1e-9)


def test_price_steps_add_up_to_the_concession() -> None:
    """Σ slope·width up to q = q·(q/Q − 1)/|e| at every edge; the last bottle brings nothing more."""
    width, slope = price_steps(np.array([[100.0]]), np.array([-4.0]))
    sold = np.cumsum(width[0, 0])
    assert np.cumsum(width[0, 0] * slope[0, 0]) == pytest.approx(sold * (sold / 100.0 - 1.0) / 4.0)
    assert sold[-1] == pytest.approx(250.0)
    assert slope[0, 0, -1] < 1.0


def test_a_channel_without_a_share_takes_nothing_however_much_its_market_takes() -> None:
    none, whole = np.array([np.nan]), np.ones((1, 2))
    markets = Markets(np.array([[np.inf, 50.0]]), 10.0 * whole, none, whole, np.array([[0.0, 1.0]]))
    assert channel_steps(markets)[0][0, :, :, 0].tolist() == [[0.0, 0.0], [np.inf, 50.0]]


@pytest.mark.parametrize("there", [0.0, 1.0])
def test_where_a_market_takes_nothing_one_bottle_more_is_worth_what_a_plan_with_it_brings(there: float) -> None:
    """It was said to be worth several times that: once for each step of price."""
    facts = facts_of(0, tight=False)

    def best_where_it_takes(bottles: float) -> tuple[float, float]:
        """What the plan is worth, and one bottle more in the third season."""
        takes = facts.markets.takes.copy()
        takes[0, 2] = bottles
        other = replace(facts, markets=replace(facts.markets, takes=takes))
        plan, worths = best_plan(other)
        return value_of(other, plan), worths.market[0, 2]

    (value, worth), (more, _) = (best_where_it_takes(there + bottles) for bottles in (0.0, 1.0))
    assert worth == pytest.approx(more - value, rel=1e-6)
    assert worth > 1.0


def test_a_plan_always_comes_back_and_says_what_it_breaks() -> None:
    facts = facts_of(3)
    limits = replace(facts.limits, supply=np.array([1e6, 0.0]), places=np.full((1, 8), 10.0), line=np.full(8, 5.0))
    plan, _ = best_plan(replace(facts, limits=limits))
    assert plan.short_supply[0] > 0
    assert plan.over_places.max() > 0


def test_the_rate_of_sale_is_that_of_the_library() -> None:
    """Money received evenly over a step is worth (1 − e^(−δT))/(δT) of it, δ = ln(1 + r)."""
    facts = facts_of(0)
    curve = RateCurve.flat(0.075, "Act/365")
    half = 1.0 / curve.growth(np.int64(0), np.int64(91))
    assert facts.dates.discount[1] == pytest.approx(float(half), rel=1e-12)


@pytest.mark.parametrize("seed", every(4, range(12)))
def test_one_more_and_one_less_are_the_two_sides_of_each_kink(seed: int) -> None:
    """Finite differences of a whole new plan on either side, within the tolerance of the solver; none where a bottle
    more has no place, so that only breaking a limit further would answer.
    """
    pairs = Search(facts_of(seed)).bottle_pairs()
    facts = as_far_as_kept(facts_of(seed))
    base = net_value(facts)
    for lot, (more, less) in enumerate(pairs):
        for step, worth in ((1e-3, more), (-1e-3, less)):
            bottles = facts.stacks.bottles.copy()
            bottles[lot] += step
            other = replace(facts, stacks=replace(facts.stacks, bottles=bottles, most=bottles))
            moved = (net_value(other) - base) / step
            if np.isnan(worth):
                assert abs(moved) > 0.5 * facts.penalty
            else:
                assert moved == pytest.approx(worth, abs=2e-3)
        assert not more > less + 1e-6


@pytest.mark.parametrize(("price", "left"), [(20.0, 8.0), (20.0, 19.9)])
def test_a_kink_gives_two_worths(price: float, left: float) -> None:
    """100 bottles for a market of just 100: one more goes unsold at 8, one less loses its price of 20."""
    programme = Programme()
    sold = programme.variables("sold", 1, price)
    unsold = programme.variables("unsold", 1, left)
    programme.put(programme.rows("market", 1, most=100.0), sold)
    bottles = programme.rows("bottles", 1, least=100.0, most=100.0)
    programme.put(bottles, sold)
    programme.put(bottles, unsold)
    assert one_more_one_less(programme.system(), programme.best(), bottles)[0] == pytest.approx([left, price])


def net_value(facts: Facts) -> float:
    """Value of the best plan less the penalties of what it breaks."""
    plan, _ = best_plan(facts)
    return value_of(facts, plan) - broken(facts, plan)
