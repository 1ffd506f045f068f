"""What is said of an offer on its bounds: the last day, half a bottle too many, no gain, a market that takes none."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from costing.decisions.filling import offers as judging
from costing.decisions.filling.offered import FromGrapes, Offer
from costing.decisions.filling.offers import Judged

TODAY, LAST_SPRING, END = 20_500, 22_600, 23_000
MARKETS = pd.DataFrame({"cuvee": ["Brut", "Rosé"], "format": ["bottle", "bottle"]})
LOTS = pd.DataFrame({"lot": ["T24"], "cuvee": ["Rosé"], "format": ["bottle"]})
WINE = Offer(
    name="A", row=0, parts=pd.DataFrame({"vintage": ["2025"], "variety": ["Meunier"]}), buys=True, what="wine",
    day=TODAY, lot="", cuvee="", size="bottle", tirage_day=0, quantity=100.0, unit="L", price=10.0, other=0.25,
    second=0.0,
)  # fmt: skip
OURS = replace(WINE, buys=False, what="on lees", lot="T24", unit="bottles")


@pytest.fixture
def runs(monkeypatch: pytest.MonkeyPatch) -> Any:
    """A cellar that holds 100 bottles of T24."""
    monkeypatch.setattr(judging, "_on_hand", lambda runs: pd.Series({"T24": 100.0}))
    monkeypatch.setattr(judging, "_discount", lambda runs, day: 1.0)
    return SimpleNamespace(today=TODAY, currency="EUR", estate=SimpleNamespace(place=lambda *cell: cell[-1]))


@pytest.fixture
def filling() -> Any:
    springs = SimpleNamespace(
        facts=SimpleNamespace(dates=SimpleNamespace(day=np.array([TODAY, TODAY + 31, END]))),
        days=np.array([TODAY + 100, TODAY + 465, LAST_SPRING]),
        inputs=SimpleNamespace(lots=LOTS, markets=MARKETS),
    )
    return SimpleNamespace(
        springs=springs, keeping=SimpleNamespace(facts=None), search=None, advised=SimpleNamespace(wine_in_bulk=None)
    )


@pytest.mark.parametrize(
    ("offer", "column"),
    [
        (replace(WINE, day=TODAY - 1), "on_date"),
        (replace(WINE, day=TODAY), None),
        (replace(WINE, day=LAST_SPRING), None),
        (replace(WINE, day=LAST_SPRING + 1), "on_date"),
        (replace(OURS, day=END - 1), None),
        (replace(OURS, day=END), "on_date"),
        (replace(OURS, quantity=100.5), None),
        (replace(OURS, quantity=101.0), "quantity"),
    ],
)
def test_an_offer_is_judged_from_today_to_the_last_day_and_up_to_half_a_bottle_more_than_there_is(
    runs: Any, filling: Any, offer: Offer, column: str | None
) -> None:
    assert [doubt.place for doubt in judging._doubts(runs, filling, offer)] == [column] * bool(column)


@pytest.mark.parametrize(
    ("offer", "gain", "broken", "verdict"),
    [
        (WINE, 0.01, (), "buy"),
        (OURS, 0.01, (), "sell"),
        (WINE, 0.0, (), "pass"),
        (OURS, 0.0, (), "pass"),
        (WINE, 9.0, ("brings 2019 into a cuvée of one harvest, 2025",), "pass"),
    ],
)
def test_an_offer_is_taken_where_it_gains_something_and_breaks_no_rule(
    offer: Offer, gain: float, broken: tuple[str, ...], verdict: str
) -> None:
    assert Judged(offer, 10.0, gain, "", broken).verdict == verdict


def test_grapes_cost_their_work_beside_what_an_offer_costs_otherwise(
    runs: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(judging, "from_grapes", lambda estate, day, today: FromGrapes(0.6, 0.0, 0.5))
    assert judging._extra(runs, replace(WINE, what="grapes")) == 0.75
    assert judging._extra(runs, WINE) == 0.25


@pytest.mark.parametrize(
    ("rate", "words"),
    [
        (0.0, "the market of Rosé bottle has taken none lately"),
        (0.5, "200.0 months of what the market of Rosé bottle takes"),
        (40.0, "2.5 months of what the market of Rosé bottle takes"),
    ],
)
def test_bottles_asked_for_are_held_against_what_their_market_takes(
    runs: Any, filling: Any, monkeypatch: pytest.MonkeyPatch, rate: float, words: str
) -> None:
    monkeypatch.setattr(judging, "markets_rate", lambda runs, springs: np.array([7.0, rate]))
    plan: Any = None
    assert judging._reason(runs, filling, OURS, plan, ()) == words


@pytest.mark.parametrize(
    ("together", "alone", "words"),
    [
        (100.0, 100.0, ", as much as each without the others."),
        (100.75, 100.0, ", as much as each without the others."),
        (101.0, 100.0, ", 1 more than each without the others: what one brings or frees, another uses."),
        (99.0, 100.0, ", 1 less than each without the others: they want the same wine, places or buyers."),
        (1_005.0, 1_000.0, ", 5 more than each without the others: what one brings or frees, another uses."),
        (1_004.5, 1_000.0, ", as much as each without the others."),
        (-995.0, -1_000.0, ", 5 more than each without the others: what one brings or frees, another uses."),
    ],
)
def test_one_of_the_currency_is_what_makes_offers_bring_more_or_less_together(
    together: float, alone: float, words: str
) -> None:
    said = judging._together(together, alone, "EUR")
    assert said.startswith("Together they bring ")
    assert said.partition(" EUR")[2] == words


@pytest.mark.parametrize(("quantity", "both"), [(50.25, True), (50.5, False)])
def test_two_offers_for_one_lot_are_taken_up_to_half_a_bottle_more_than_there_is(
    runs: Any, filling: Any, monkeypatch: pytest.MonkeyPatch, quantity: float, both: bool
) -> None:
    monkeypatch.setattr(judging, "_with", lambda *facts: None)
    monkeypatch.setattr(judging, "value_of", lambda facts, plan: 0.0)
    monkeypatch.setattr(judging, "Search", lambda facts, start: SimpleNamespace(plan=lambda: None))
    taken = [replace(OURS, name=name, quantity=quantity) for name in ("A", "B")]
    said = judging._taken_together(runs, filling, taken, 0.0)
    assert said.startswith("Together they bring" if both else "Not all can be taken: A and B ask for 101 of lot 'T24'")
