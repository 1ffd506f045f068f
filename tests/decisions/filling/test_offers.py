"""Offers: at the price that turns it an offer is indifferent; a small one turns at the dual; what can't be judged is
said. Make or buy from OpenStax, Principles of Accounting 2: Managerial Accounting, section 10.3.
"""

from __future__ import annotations

import json
import re

import numpy as np
import pandas as pd
import pytest

from costing import House, InputError
from costing.calendar import DAYS_A_YEAR
from costing.cli import main
from costing.decisions.filling import offers as judging
from costing.decisions.filling.offered import from_grapes, offers_of, with_offer
from costing.decisions.filling.offers import flip_price, gain_at, offers
from costing.decisions.filling.spring_tirage import filling_of
from costing.decisions.plan.planning import value_of
from tests.decisions.plan.best import best_plan
from tests.form import every, in_full
from tests.golden.as_kept import differences

pytestmark = pytest.mark.slow
BUY = {"offer": "A", "deal": "buy", "on_date": "2026-02-16", "what": "wine", "quantity": 100.0, "unit": "L"}
BUY |= {"price_per_unit": 12.0, "vintage": "2025", "variety": "Meunier"}
SELL = {"offer": "B", "deal": "sell", "on_date": "2026-03-10", "what": "on lees", "lot": "K25"}
SELL |= {"quantity": 50.0, "unit": "bottles", "price_per_unit": 14.0}


@pytest.fixture(autouse=True)
def _one_plan(small_runs, demo_runs, monkeypatch: pytest.MonkeyPatch) -> None:
    """The plan that offers are held against knows no offer (a test below): that of each house stands for all of its."""

    def without_offers(runs):
        lots = set(runs.estate["tirage"]["to_lot"])
        return filling_of(next(one for one in (small_runs, demo_runs) if set(one.estate["tirage"]["to_lot"]) == lots))

    monkeypatch.setattr(judging, "filling_of", without_offers)


def test_the_plan_that_offers_are_held_against_knows_no_offer(small_runs) -> None:
    one, other = (filling_of(runs).advised for runs in (with_offers(small_runs, BUY, SELL).runs, small_runs))
    assert np.array_equal(one.sold, other.sold)
    assert np.array_equal(one.disgorged, other.disgorged)


def with_offers(runs, *rows: dict[str, object]) -> House:
    return House(runs.estate).replace(offers=pd.DataFrame(list(rows)))


def judged(runs, *rows: dict[str, object]) -> pd.DataFrame:
    return offers(with_offers(runs, *rows).runs)["offers_judged"].set_index("offer")


def test_make_or_buy() -> None:
    """120,000 parts at 1.75 are 210,000, making them 201,600: make, 8,400 better. With 0.12 a part of fixed cost that
    buying avoids, making costs 216,000: buy, 6,000 better. The offer turns at 1.68 and at 1.80.
    """
    for cost, turns, gain in ((201_600.0, 1.68, -8_400.0), (216_000.0, 1.80, 6_000.0)):
        flip = flip_price(cost, 120_000.0, 1.0, 0.0, buys=True)
        assert flip == pytest.approx(turns)
        assert gain_at(1.75, flip, 120_000.0, buys=True) == pytest.approx(gain)


def test_demo_offers_are_judged_and_one_is_refused(demo_runs) -> None:
    answer = offers(demo_runs)
    table = answer["offers_judged"].set_index("offer")
    assert sorted(table["verdict"]) == ["buy", "pass", "sell"]
    refused = table[table["reason"].str.startswith("refused")]
    assert list(refused["verdict"]) == ["pass"]
    assert "Pinot Noir" in refused["reason"].iloc[0]
    assert not answer.findings


def test_offered_wine_of_another_village_is_refused(demo_runs) -> None:
    broken = offers(demo_runs)["offers_in_blend"].set_index("offer")["rules_broken"]
    assert "brings Haute-Bise into a cuvée of village Ambrelune alone" in broken["Hill wine for Terrasses"]
    assert broken["Praysson base wine"] == "none"


TURNED = [
    BUY | {"cuvee": "Brut", "quantity": 3_000.0},
    SELL | {"quantity": 500.0},
    BUY | {"what": "grapes", "unit": "kg", "quantity": 5_000.0, "on_date": "2026-09-10"},
    BUY | {"what": "on lees", "unit": "bottles", "cuvee": "Brut", "format": "bottle", "tirage_date": "2023-05-10"},
    BUY | {"what": "finished", "unit": "bottles", "cuvee": "Brut", "format": "bottle", "tirage_date": "2022-05-10"},
    SELL | {"what": "wine", "lot": "V25", "unit": "L", "quantity": 1_000.0},
    SELL | {"what": "finished", "lot": "D25", "quantity": 300.0},
]


def test_why_offers_bring_more_or_less_together_is_said(demo_runs) -> None:
    """Both sums were printed, and not why they differ."""
    says = offers(demo_runs).says
    alone = offers(demo_runs).main.query("verdict != 'pass'")["gain_of_offer"].sum()
    together = next(sentence for sentence in says if sentence.startswith("Together they bring"))
    brought, apart = (float(figure.replace(",", "")) for figure in re.findall(r"[\d,]*\d", together)[:2])
    assert brought - alone == pytest.approx(
        apart if " more than " in together else -apart, abs=60.0
    )  # three figures are said
    assert re.search(r"without the others: \w+", together)


@in_full
def test_an_offer_at_the_price_that_turns_it_is_indifferent(small_runs) -> None:
    """Worth of the plan with the offer, less what it costs on its day at the hurdle, is that of the plan without it.

    Each offer is judged alone, so all stand in one workbook.
    """
    named = [row | {"offer": f"offer {number}"} for number, row in enumerate(every(2, TURNED))]
    turns = judged(small_runs, *named)["flip_price_of_offer"].clip(lower=0.0)
    house = with_offers(small_runs, *(row | {"price_per_unit": turns[row["offer"]]} for row in named))
    again = offers(house.runs)["offers_judged"]
    assert len(again) == len(named)
    assert again["gain_of_offer"].to_numpy() == pytest.approx(np.zeros(len(named)), abs=0.02)
    found = filling_of(house.runs)
    base = value_of(found.keeping.facts, found.advised)
    rate = float(house.estate["interest_rates"]["hurdle_rate"].dropna().iloc[-1])
    for offer in offers_of(house.estate):
        taken = with_offer(house.runs, found.springs, found.keeping.facts, offer, found.advised.wine_in_bulk)
        moved = value_of(taken, best_plan(taken)[0]) - base
        work = from_grapes(house.estate, offer.day, house.runs.today).work if offer.what == "grapes" else 0.0
        discount = (1.0 + rate) ** (-(offer.day - house.runs.today) / DAYS_A_YEAR)
        paid = (offer.price + work) * offer.quantity * discount
        assert moved == pytest.approx(paid if offer.buys else -paid, abs=0.05), offer


def test_a_small_offer_of_wine_turns_at_the_worth_of_a_litre(small_runs) -> None:
    """The dual of the wine of the first spring, in money of the day of the offer; sold in bulk no more than before."""
    found = filling_of(small_runs)
    springs = found.keeping
    bulk = np.minimum(springs.wine.bulk_most, found.advised.wine_in_bulk)
    _, worths = best_plan(springs.with_wine(bulk_most=bulk))
    small, larger = BUY | {"quantity": 1.0}, BUY | {"offer": "C", "quantity": 10.0}
    moved = judged(small_runs, small, larger).loc[["A", "C"], "flip_price_of_offer"].tolist()
    rate = float(small_runs.estate["interest_rates"]["hurdle_rate"].dropna().iloc[-1])
    days = int(np.datetime64("2026-02-16").astype(np.int64)) - small_runs.today
    least = float(worths.litre[0, 0]) * (1.0 + rate) ** (days / DAYS_A_YEAR)
    assert moved[0] <= least + 1e-3
    assert moved[1] <= moved[0] + 1e-3  # the more there is, the less a litre more is worth


def test_a_larger_offer_turns_at_a_lower_price(small_runs) -> None:
    larger = BUY | {"offer": "C", "quantity": 20_000.0}, SELL | {"offer": "D", "quantity": 900.0}
    table = judged(small_runs, BUY, SELL, *larger)
    assert table.loc["C", "flip_price_of_offer"] < table.loc["A", "flip_price_of_offer"]
    assert table.loc["D", "flip_price_of_offer"] > table.loc["B", "flip_price_of_offer"]


def test_bottles_bought_and_bottles_sold_are_taken_together(small_runs) -> None:
    """What is bought stands as a lot more; what is sold leaves its own lot all the same."""
    house = with_offers(small_runs, BUY | BOTTLES | {"price_per_unit": 1.0}, SELL | {"price_per_unit": 40.0})
    answer = offers(house.runs)
    alone = answer["offers_judged"].set_index("offer")
    assert alone["verdict"].to_dict() == {"A": "buy", "B": "sell"}
    together = next(sentence for sentence in answer.says if sentence.startswith("Together"))
    amounts = [float(word.replace(",", "")) for word in re.findall(r"[\d,]+(?= EUR|\.$)", together)]
    assert amounts[0] == pytest.approx(alone["gain_of_offer"].sum(), rel=0.01)


def test_two_offers_for_the_same_bottles_are_not_both_taken(small_runs) -> None:
    """Each alone asks for no more than the lot holds; together they do."""
    most = SELL | {"quantity": 800.0, "price_per_unit": 40.0}
    answer = offers(with_offers(small_runs, most, most | {"offer": "C"}).runs)
    assert set(answer["offers_judged"]["verdict"]) == {"sell"}
    assert any("Not all can be taken: B and C ask for 1,600 of lot 'K25'" in line for line in answer.says)


def test_parts_of_an_offer_are_one_with_their_mean_price(small_runs) -> None:
    one = BUY | {"cuvee": "Brut", "quantity": 300.0, "price_per_unit": 10.0}
    other = BUY | {"cuvee": "Brut", "quantity": 100.0, "price_per_unit": 14.0, "variety": "Chardonnay"}
    house = with_offers(small_runs, one, other)
    row = offers(house.runs)["offers_judged"].iloc[0]
    assert row["quantity"] == 400.0
    assert row["price_offered"] == pytest.approx(11.0)


def test_shares_with_it_are_the_weighted_mean_of_blend_and_offer(demo_runs) -> None:
    """Wine of the first pressing of 2025 is offered: it brings neither reserve nor second pressing."""
    blend = offers(demo_runs)["offers_in_blend"].set_index("offer").loc["Praysson base wine"]
    part = blend["part_of_blend"]
    assert 0 < part < 1
    assert 0 < blend["reserve_with_it"] == pytest.approx((1.0 - part) * blend["reserve_of_blend"])
    assert 0 < blend["second_pressing_with_it"] == pytest.approx((1.0 - part) * blend["second_pressing_of_blend"])


def test_wine_of_another_harvest_is_refused_by_a_vintage_cuvee_and_a_bound_by_its_trials(demo_runs) -> None:
    old = BUY | {"cuvee": "Prestige", "vintage": "2019", "variety": "Chardonnay"}
    second = BUY | {"offer": "C", "cuvee": "Brut", "fraction": "second", "quantity": 6_000.0}
    reason = judged(demo_runs, old, second)["reason"]
    assert "one harvest" in reason["A"]
    assert "second" in reason["C"]
    assert "at most" in reason["C"]


def test_what_cannot_be_judged_is_said(small_runs) -> None:
    house = with_offers(
        small_runs,
        BUY | {"offer": "past", "on_date": "2025-06-01"},
        SELL | {"offer": "too much", "quantity": 1e6},
        SELL | {"offer": "too late", "on_date": "2040-01-10"},
        BUY | {"offer": "no origin", "cuvee": "Brut", "vintage": None, "variety": None},
        BUY | {"offer": "no cuvée", "vintage": None, "variety": None},
    )
    answer = offers(house.runs)
    said = {finding.value: finding.rule for finding in answer.findings}
    assert set(said) == {"past", "too much", "too late", "no origin"}
    assert "no vintage and no variety" in said["no origin"]
    assert set(answer["offers_judged"]["offer"]) == {"no origin", "no cuvée"}
    assert all(finding.place.startswith("Offers!") for finding in answer.findings)


BOTTLES = {"what": "on lees", "unit": "bottles", "cuvee": "Brut", "format": "bottle", "tirage_date": "2023-05-10"}
SAYS_TOO_LITTLE = {
    "Offers!E2": (SELL | {"lot": None}, "no lot"),
    "Offers!E3": (SELL | {"lot": "K52"}, "Did you mean 'K25'"),
    "Offers!E4": (BUY | {"lot": "V25"}, "a lot of ours"),
    "Offers!G5": (BUY | {"unit": "bottles"}, "is no unit for wine"),
    "Offers!K6": (BUY | BOTTLES | {"cuvee": None}, "no cuvée"),
    "Offers!L7": (BUY | BOTTLES | {"format": None}, "no format"),
    "Offers!F8": (BUY | {"quantity": 0.0}, "is no quantity"),
    "Offers!M9": (BUY | BOTTLES | {"tirage_date": "2026-05-01"}, "is after the offer"),
}


def test_offers_that_say_too_little_are_findings_each_at_its_cell(small_runs) -> None:
    rows = [row | {"offer": cell} for cell, (row, _) in SAYS_TOO_LITTLE.items()]
    with pytest.raises(InputError) as wrong:
        with_offers(small_runs, *rows)
    found = {finding.place: str(finding) for finding in wrong.value.findings if finding.severity == "error"}
    assert set(found) == set(SAYS_TOO_LITTLE)
    for cell, (_, said) in SAYS_TOO_LITTLE.items():
        assert said in found[cell]


def test_parts_that_differ_are_a_finding(small_runs) -> None:
    with pytest.raises(InputError, match="differs from the first part"):
        with_offers(small_runs, BUY, BUY | {"on_date": "2026-03-01"})


def test_no_offers_is_no_fault(small_runs) -> None:
    house = House(small_runs.estate).replace(offers=lambda table: table.iloc[:0])
    answer = offers(house.runs)
    assert not len(answer.main)
    assert "no offer" in answer.empty


def test_the_command_prints_the_offers(demo_workbook, capsys) -> None:
    assert main(["offers", str(demo_workbook)]) == 0
    printed = capsys.readouterr().out
    assert "Buy, sell or pass" in printed
    assert max(map(len, printed.splitlines())) <= 100
    assert main(["offers", str(demo_workbook), "--json"]) == 0
    assert {"offers_judged", "offers_in_blend"} <= set(json.loads(capsys.readouterr().out))


def test_every_figure_of_the_demo_is_as_kept(demo_runs) -> None:
    assert differences("demo", ["offers"], demo_runs) == []
