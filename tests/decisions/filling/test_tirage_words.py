"""What the advice on a tirage tells a person to do, from the bottles advised and those planned."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from costing.decisions.filling import spring_tirage as tirages
from costing.decisions.filling.spring_tirage import _do, _reason, _stock_message
from costing.graph.arrays import days


@pytest.mark.parametrize(
    ("bottles", "planned", "words"),
    [
        (0.0, 0.0, "none"),
        (0.4, 0.4, "none"),
        (0.4, 0.5, "fill none"),
        (0.5, 0.0, "fill 0, as planned"),
        (1000.0, 1000.9, "fill 1,000, as planned"),
        (1000.0, 1001.0, "fill 1,000, 1 fewer"),
        (1200.0, 1000.0, "fill 1,200, 200 more"),
    ],
)
def test_what_is_to_be_filled_is_said_beside_the_plan(bottles: float, planned: float, words: str) -> None:
    assert _do(bottles, planned) == words


@pytest.mark.parametrize(
    ("least", "most", "bottles", "planned", "words"),
    [
        (0, 1000, 1000, 800, "At most on Limits, or all wine that suits it, holds it"),
        (0, 1000, 999.5, 800, "At most on Limits, or all wine that suits it, holds it"),
        (0, 1000, 999.4, 800, "the market takes more than will be there, at a price that pays them"),
        (200, 1000, 200, 800, "At least on Limits holds it: one fewer would be better"),
        (200, 1000, 200.5, 800, "At least on Limits holds it: one fewer would be better"),
        (0.5, 1000, 0.5, 800, "At least on Limits holds it: one fewer would be better"),
        (0.4, 1000, 0.4, 0, "the market has enough of it on lees; its wine brings more elsewhere"),
        (0, 1000, 0.5, 0.5, "as many as the market takes at a price that pays them"),
        (0, 1000, 0.6, 0.6, "as many as the market takes at a price that pays them"),
        (0, 1000, 400.9, 400, "as many as the market takes at a price that pays them"),
        (0, 1000, 401, 400, "the market takes more than will be there, at a price that pays them"),
        (0, 1000, 399, 400, "beyond that the wine brings more elsewhere"),
    ],
)
def test_what_holds_the_bottles_where_they_are_is_said_in_one_sentence(
    least: float, most: float, bottles: float, planned: float, words: str
) -> None:
    stacks = SimpleNamespace(bottles=np.array([9.0, least]), most=np.array([9.0, most]))
    filling: Any = SimpleNamespace(springs=SimpleNamespace(facts=SimpleNamespace(stacks=stacks)))
    assert _reason(filling, 1, bottles, planned) == words


def test_of_a_cellar_without_bottles_on_lees_nothing_is_said() -> None:
    assert _stock_message(pd.DataFrame({"lees_now": [], "lees_three_years": []})) == ""


@pytest.fixture
def lots(monkeypatch: pytest.MonkeyPatch) -> Any:
    """A half bottle of 2022 and 200 bottles of 2023 on lees, 100 of a tirage to come, 50 finished; the plan keeps 40
    of 2023 and half a bottle of the tirage to come for three years. Nobody takes a half bottle.
    """
    stacks = SimpleNamespace(
        bottles=np.array([1.0, 200.0, 0.0, 50.0]),
        finished=np.array([False, False, False, True]),
        arrives=np.array([0, 0, 1, 0]),
        good=np.ones(4),
        market=np.array([0, 1, 1, 1]),
    )
    plan = SimpleNamespace(
        on_lees=np.array([[1.0, 0.0], [200.0, 40.0], [100.0, 0.5], [0.0, 0.0]]),
        disgorged=np.array([[0.0, 1.0], [0.0, 160.0], [0.0, 99.5], [0.0, 0.0]]),
        filled=np.array([1.0, 200.0, 100.0, 50.0]),
        sold=np.array([[0.0, 0.0], [0.0, 160.0], [0.0, 99.5], [20.0, 30.0]])[:, :, np.newaxis],
    )
    rows = {"format": ["half", "bottle", "bottle", "bottle"]}
    rows["tirage_day"] = days(pd.to_datetime(pd.Series(["2022-04-01", "2023-04-01", "2026-04-01", "2021-04-01"])))
    inputs = SimpleNamespace(lots=pd.DataFrame(rows), markets=pd.DataFrame({"format": ["half", "bottle"]}))
    springs = SimpleNamespace(facts=SimpleNamespace(stacks=stacks), inputs=inputs)
    monkeypatch.setattr(tirages, "_step_on", lambda runs, facts: 1)
    monkeypatch.setattr(tirages, "markets_rate", lambda runs, springs: np.array([0.0, 10.0]))
    return SimpleNamespace(springs=springs, advised=plan)


def test_years_with_half_a_bottle_on_lees_are_listed(lots: Any) -> None:
    """A half bottle is half of one of 75 cl; the markets take ten of those a month. One alone was left out."""
    table = tirages._by_tirage_year(None, lots).set_index("tirage_year")
    assert table["lees_now"].to_dict() == {"2022": 0.5, "2023": 200.0, "2026": 0.0}
    assert table["lees_three_years"].to_dict() == {"2022": 0.0, "2023": 40.0, "2026": 0.5}
    assert table["cover_now"].tolist() == pytest.approx([0.05, 20.0, 0.0])


def test_months_of_cover_are_said_where_the_market_takes_anything_at_all(
    lots: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    now, then = tirages._covers(None, lots, lots.advised)
    assert now.tolist() == pytest.approx([np.nan, 25.0, 25.0, 25.0], nan_ok=True)
    assert then.tolist() == pytest.approx([np.nan, 4.05, 4.05, 4.05], nan_ok=True)
    monkeypatch.setattr(tirages, "markets_rate", lambda runs, springs: np.full(2, 0.5))
    assert tirages._covers(None, lots, lots.advised)[0].tolist() == pytest.approx([2.0, 500.0, 500.0, 500.0])
    assert tirages._by_tirage_year(None, lots)["cover_now"].sum() == pytest.approx(200.5 / 0.75)
    monkeypatch.setattr(tirages, "markets_rate", lambda runs, springs: np.zeros(2))
    table = tirages._by_tirage_year(None, lots)
    assert table[["cover_now", "cover_three_years"]].isna().all().all()


def test_a_litre_is_worth_what_its_sort_is_however_little_of_it_is_used() -> None:
    worths: Any = SimpleNamespace(litre=np.array([[8.0, 0.0], [4.0, 0.0]]))
    plan: Any = SimpleNamespace(wine_in=np.array([[0.0, 0.5], [0.25, 0.25], [0.0, 0.0]]))
    assert [tirages._litre_of(worths, plan, lot) for lot in range(3)] == [4.0, 6.0, 8.0]


@pytest.mark.parametrize(
    ("short", "comes", "lacks"), [(0.0, 0.0, False), (1.0, 100.0, False), (1.1, 100.0, True), (0.1, 0.0, True)]
)
def test_wine_is_lacking_where_more_than_a_hundredth_is(short: float, comes: float, lacks: bool) -> None:
    wine = SimpleNamespace(comes=np.array([[comes, 9.0], [0.0, 0.0]]))
    plan = SimpleNamespace(wine_short=np.array([short]))
    filling: Any = SimpleNamespace(as_planned=(plan, None), springs=SimpleNamespace(wine=wine))
    assert tirages._lacks_wine(filling) is lacks


@pytest.mark.parametrize(
    ("advised", "planned", "words"),
    [
        (
            101.0,
            100.0,
            "Fill 101 bottles in spring 2026, 1 more than planned; that is worth 5 EUR more over the years.",
        ),
        (99.0, 100.0, "Fill 99 bottles in spring 2026, 1 fewer than planned; that is worth 5 EUR more over the years."),
        (100.75, 100.0, "Fill 101 bottles in spring 2026, as planned."),
        (0.25, 0.25, "Fill nothing in spring 2026, as planned."),
    ],
)
def test_one_bottle_is_what_makes_more_or_fewer_than_planned(
    monkeypatch: pytest.MonkeyPatch, advised: float, planned: float, words: str
) -> None:
    monkeypatch.setattr(tirages, "value_of", lambda facts, plan: plan)
    monkeypatch.setattr(tirages, "_lacks_wine", lambda filling: False)
    facts = SimpleNamespace(dates=SimpleNamespace(years=np.ones(7)))
    filling: Any = SimpleNamespace(
        springs=SimpleNamespace(years=[2026]),
        unit=None,
        keeping=SimpleNamespace(facts=facts),
        advised=25.0,
        as_planned=(20.0, None),
        needs=np.zeros(0),
    )
    runs: Any = SimpleNamespace(
        currency="EUR", estate=SimpleNamespace(settings=SimpleNamespace(plan_horizon_months=60))
    )
    advice = pd.DataFrame({"fill_advised": [advised], "fill_planned": [planned]})
    assert tirages._says(runs, filling, advice)[0] == words


@pytest.mark.parametrize(("planned", "cost"), [(0.4, 0.5 + 0.75 * 8.0), (0.5, 0.5 + 0.75 * 4.0)])
def test_wine_costs_what_the_sort_is_worth_that_is_planned_and_half_a_bottle_is_planned(
    monkeypatch: pytest.MonkeyPatch, planned: float, cost: float
) -> None:
    """Planned of second pressing, at 4.00 a litre; advised of the first, at 8.00."""
    monkeypatch.setattr(tirages, "_covers", lambda runs, filling, plan: (np.zeros(1), np.zeros(1)))
    stacks = SimpleNamespace(fill_cost=np.array([0.5]), bottles=np.zeros(1), most=np.array([100.0]))
    lots = pd.DataFrame({"lot": ["T26"], "cuvee": ["Brut"], "format": ["bottle"], "tirage_day": [20_544]})
    springs = SimpleNamespace(
        facts=SimpleNamespace(stacks=stacks, dates=SimpleNamespace(discount=np.ones(1))),
        wine=SimpleNamespace(step=np.zeros(1, dtype=np.int64), bottle_l=np.array([0.75])),
        tirage=np.zeros(1, dtype=np.int64),
        inputs=SimpleNamespace(lots=lots),
        planned=np.array([planned]),
    )
    worths = SimpleNamespace(litre=np.array([[8.0], [4.0]]), bottle=np.array([1.25]))
    filling: Any = SimpleNamespace(
        springs=springs,
        advised=SimpleNamespace(filled=np.array([50.0]), wine_in=np.array([[37.5, 0.0]])),
        as_planned=(SimpleNamespace(wine_in=np.array([[0.0, 0.375]])), worths),
    )
    runs: Any = None
    row = tirages._advice(runs, filling).iloc[0]
    assert (row["cost_to_fill"], row["worth_filled"]) == (cost, cost + 1.25)
