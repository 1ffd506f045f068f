"""Release prices, chains, changes of price and findings, on the estate's own rows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import pyxirr

from costing import BOOK, ECONOMIC, REPLACEMENT, read_estate, run, trace
from costing.decisions.keeping_costs import storage_per_bottle_year
from costing.decisions.prices.channels import to_cellar
from costing.decisions.prices.price_chains import price_chains, trade_terms
from costing.decisions.prices.price_changes import allocations, presentations, price_increases, promotions
from costing.decisions.prices.price_findings import price_cautions, price_findings
from costing.decisions.prices.price_tables import _COLUMNS, MONEY_PER_BOTTLE, release_prices
from costing.decisions.prices.prices import priced_releases
from costing.decisions.prices.prices import prices as prices_answer
from costing.decisions.prices.pricing import rate_of_return
from costing.decisions.prices.releases_to_sell import DatedMoney, avoidable_costs, to_sell
from costing.decisions.prices.terms_in_force import (
    channel_terms,
    currency_rates,
    list_prices,
    most_particular,
    target_of,
)
from costing.inputs.estate import Estate
from costing.inputs.in_force import key_text
from costing.model import Runs
from costing.results.origins import release_states
from costing.results.results import Results
from costing.units import FORMATS_L
from tests.decisions.one_bottling import one_bottling
from tests.form import every


@pytest.fixture(scope="module")
def demo(demo_runs) -> list[Results]:
    return [demo_runs.on(basis) for basis in (BOOK, ECONOMIC, REPLACEMENT)]


@pytest.fixture(scope="module")
def tables(demo_runs: Runs) -> Mapping[str, pd.DataFrame]:
    return prices_answer(demo_runs).tables


@pytest.fixture(scope="module")
def prices(demo_runs: Runs) -> pd.DataFrame:
    return priced_releases(demo_runs)


def small(**sheets: pd.DataFrame) -> Estate:
    """One bottling of 1,000 bottles (9,000 of wine), disgorged whole on 1 March 2025, no loss, nothing else."""
    settings = pd.DataFrame({"Setting": ["Valuation date", "Price step"], "Value": ["2025-03-01", "0.5"]})
    return read_estate({"settings": settings, **one_bottling(), **sheets})


def priced(estate: Estate) -> pd.DataFrame:
    chain = trace(estate)
    found = release_prices(*(run(estate, basis, chain) for basis in (BOOK, ECONOMIC, REPLACEMENT)))
    return found.set_index("channel")


def channels(**columns: list[object]) -> pd.DataFrame:
    return pd.DataFrame({"Channel": ["Trade"], **columns})


# --- targets -------------------------------------------------------------------------------------------------


def test_of_equals_the_last_row_wins_wherever_it_stands() -> None:
    """Rows of another cuvée behind them fit nothing, those of any fit less."""
    keys = {"cuvee": np.array(["Brut", "Brut", "", "Rosé"], dtype=object)}
    assert most_particular(keys, {"cuvee": "Brut"}) == 1
    assert most_particular(keys, {"cuvee": "Blanc"}) == 2
    assert most_particular(keys, {"cuvee": "Brut"}, np.array([True, False, True, True])) == 0
    assert most_particular(keys, {"cuvee": "Blanc"}, np.array([True, True, False, True])) == -1


def test_the_most_particular_row_wins() -> None:
    table = pd.DataFrame({"cuvee": [None, "A", "A"], "format": [None, None, "magnum"]}, dtype=object)
    keys = key_text(table, ("cuvee", "format"))
    assert most_particular(keys, {"cuvee": "A", "format": "magnum"}) == 2
    assert most_particular(keys, {"cuvee": "A", "format": "half"}) == 1
    assert most_particular(keys, {"cuvee": "B", "format": "half"}) == 0


def test_most_particular_target_of_each_kind(demo: list[Results]) -> None:
    estate = demo[0].estate
    door = target_of(estate, "Prestige", "bottle", "Cellar door")
    assert (door.kind, door.value) == ("margin", 0.5)
    assert target_of(estate, "Prestige", "bottle", "Trade").kind == "return"
    assert target_of(estate, "Brut", "magnum", "Trade").value == 0.08
    assert target_of(estate, "Brut", "bottle", "Trade", "return").value == 0.08
    assert target_of(estate, "Seconde", "half", "Trade").value == 0.22


def test_the_price_for_a_margin_leaves_exactly_that_margin() -> None:
    """Book cost 9, selling 1, commission 10 %, target 30 %: (9 + 1)/(1 − 0.1 − 0.3) = 16.6667."""
    terms = channels(**{"Commission (%)": [10], "Selling cost per bottle": [1], "Discount (%)": [20]})
    targets = pd.DataFrame({"Cuvée": ["Brut"], "Target": ["margin"], "Value (%)": [30]})
    row = priced(small(channels=terms, targets=targets)).loc["Trade"]
    assert row["target_price"] == pytest.approx(10 / 0.6, rel=1e-12)
    assert row["list_price_needed"] == pytest.approx(10 / 0.6 / 0.8, rel=1e-12)
    assert row["advised_list_price"] == 21.0  # 20.83 up to the next half
    sold_at_it = pd.DataFrame({"From": ["2020-01-01"], "Cuvée": ["Brut"], "List price": [10 / 0.6 / 0.8]})
    again = priced(small(channels=terms, targets=targets, price_list=sold_at_it)).loc["Trade"]
    assert again["margin_share"] == pytest.approx(0.30, rel=1e-12)
    assert again["margin_at_list"] == pytest.approx(0.3 * 10 / 0.6, rel=1e-12)


@pytest.mark.parametrize("target", every(3, [5, 8, 12, 20]))
def test_the_price_for_a_return_earns_exactly_that_return(target: int) -> None:
    """Property of the table itself: with the price needed as list price its return column is the target."""
    terms = channels(
        **{"Commission (%)": [7], "Selling cost per bottle": [1.2], "Discount (%)": [15], "Customer days (days)": [45],
           "Sell-through (months)": [9]}
    )  # fmt: skip
    rates = pd.DataFrame(
        {"From": ["2020-01-01"] * 2, "Stage": ["on lees", "finished stock"], "Operation": ["storage"] * 2,
         "Driver": ["bottle-year"] * 2, "Amount": [0.2, 0.3], "Element": ["storage"] * 2}
    )  # fmt: skip
    targets = pd.DataFrame({"Target": ["return"], "Value (%)": [target]})
    needed = priced(small(channels=terms, targets=targets, operation_rates=rates)).loc["Trade", "list_price_needed"]
    at_it = pd.DataFrame({"From": ["2020-01-01"], "Cuvée": ["Brut"], "List price": [needed]})
    row = priced(small(channels=terms, targets=targets, operation_rates=rates, price_list=at_it)).loc["Trade"]
    # storage accrues evenly and its flows are day by day at mid-day: the two differ in the seventh digit
    assert row["return_a_year"] == pytest.approx(target / 100, abs=1e-7)
    assert row["list_over_advised"] <= 0


def test_every_target_of_the_demo_is_met_by_its_price(demo: list[Results], prices: pd.DataFrame) -> None:
    rows = prices[prices["target"].str.endswith("margin")]
    wanted = rows["target"].str.extract(r"([\d.]+) %")[0].astype(float) / 100
    terms = channel_terms(demo[0].estate, demo[0].chain.valuation_day).loc[rows["channel"].tolist()]
    kept = rows["target_price"].to_numpy() * (1 - terms["commission"].fillna(0).to_numpy())
    assert (
        rows["selling_cost"].to_numpy() > terms["selling_cost_per_bottle"].fillna(0).to_numpy()
    ).all()  # work at dispatch
    left = kept - rows["selling_cost"].to_numpy() - rows["book_per_bottle"].to_numpy()
    assert len(rows) > 20
    assert left / rows["target_price"].to_numpy() == pytest.approx(wanted.to_numpy(), rel=1e-9)


def test_without_a_target_the_hurdle_stands(demo: list[Results]) -> None:
    estate = demo[0].estate
    none = replace(estate, tables={**estate.tables, "targets": estate["targets"].iloc[:0]})
    chain = trace(none)
    found = release_prices(*(run(none, basis, chain) for basis in (BOOK, ECONOMIC, REPLACEMENT)))
    assert (found["target"] == "hurdle").all()
    assert found["price_for_margin"].isna().all()
    assert (found["target_price"] == found["price_for_return"]).all()
    assert (found["target_price"] > found["cost_plus_price"] * 0.999).all()


# --- costs and floors ----------------------------------------------------------------------------------------


def test_only_what_is_left_is_to_sell(demo: list[Results]) -> None:
    table = to_sell(demo[1])
    made = table[table["state"] == "made"]
    assert (made["to_sell"] <= made["bottles"]).all()
    assert (table["state"] == "planned").any()
    assert (table["to_sell"] > 0).all()


def test_floor_of_what_is_made_is_selling_alone() -> None:
    """Nothing avoidable but 1.20 a bottle at dispatch, paid at once: floor 1.20/(1 − 0.1)."""
    terms = channels(**{"Commission (%)": [10], "Selling cost per bottle": [1.2]})
    assert priced(small(channels=terms)).loc["Trade", "avoidable_cost"] == pytest.approx(1.2 / 0.9, rel=1e-12)


def test_floor_of_a_plan_holds_what_is_still_to_be_spent() -> None:
    """Disgorged a year after the valuation date: 1.60 then, 0.20 a bottle-year until then; the 9.00 are spent."""
    settings = pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2024-03-01"]})
    rates = pd.DataFrame(
        {"From": ["2020-01-01"] * 2, "Stage": ["on lees", "finishing"], "Operation": ["storage", "disgorgement"],
         "Driver": ["bottle-year", "bottle out"], "Amount": [0.2, 1.6], "Element": ["storage", "labour"]}
    )  # fmt: skip
    pools = pd.DataFrame(
        {"From": ["2024-01-01"], "To": ["2026-12-31"], "Pool": ["Cellar"], "Amount": [900], "Driver": ["bottle-year"],
         "Element": ["overhead"]}
    )  # fmt: skip
    for spent_anyway in ({}, {"pools": pools}):
        row = priced(small(settings=settings, operation_rates=rates, **spent_anyway)).loc["Trade"]
        storage = 0.2 * 0.08 / np.log(1.08)  # one year, worth at its end
        assert row["state"] == "planned"
        assert row["avoidable_cost"] == pytest.approx(1.6 + storage, rel=1e-12)
    assert row["economic_per_bottle"] > 9 * 1.08**3 + 1.6


def test_avoidable_never_exceeds_the_whole_cost(demo: list[Results]) -> None:
    ahead = avoidable_costs(demo[1])
    assert (ahead <= demo[1].total + 1e-6 * (1 + np.abs(demo[1].total))).all()
    assert (ahead[demo[1].chain.states.end < demo[1].chain.valuation_day] == 0).all()


def test_costs_stand_in_order(prices: pd.DataFrame) -> None:
    assert (prices["avoidable_cost"] < prices["economic_per_bottle"]).all()
    assert (prices["book_per_bottle"] < prices["economic_per_bottle"]).all()
    assert (prices["replacement_per_bottle"] > prices["economic_per_bottle"]).mean() > 0.8


def test_stacks_that_no_plan_empties_have_a_price(prices: pd.DataFrame) -> None:
    stacks = prices[prices["state"] == "on lees"]
    assert stacks["release"].str.endswith(" on lees").all()
    assert len(stacks) >= 4
    assert (pd.to_datetime(stacks["ready"]) > "2025-12-31").all()


def test_a_stack_is_priced_as_if_its_disgorgement_were_planned() -> None:
    planned = small(settings=pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-02-28"]}))
    nothing = planned.tables["disgorgements"].iloc[:0]
    stack = replace(planned, tables={**planned.tables, "disgorgements": nothing})
    one, other = priced(planned).loc["Trade"], priced(stack).loc["Trade"]
    assert other["release"] == "T on lees"
    for name in ("avoidable_cost", "book_per_bottle", "economic_per_bottle", "replacement_per_bottle", "target_price"):
        assert other[name] == pytest.approx(one[name], rel=1e-12), name


def test_finished_bottles_from_the_opening_stock_have_a_price() -> None:
    opening = pd.DataFrame(
        {"Date": ["2025-01-01"], "Lot": ["OLD"], "Kind": ["finished"], "Quantity": [100], "Unit": ["bottles"],
         "Format": ["bottle"], "Cuvée": ["Brut"]}
    )  # fmt: skip
    costs = pd.DataFrame({"Lot": ["OLD"], "Amount": [800]})
    chain_of_two = small(opening_stock=opening, opening_costs=costs)
    chain = trace(chain_of_two)
    found = release_prices(*(run(chain_of_two, basis, chain) for basis in (BOOK, ECONOMIC, REPLACEMENT)))
    old = found.set_index("release").loc["OLD"]
    assert old["book_per_bottle"] == pytest.approx(8.0)
    assert old["economic_per_bottle"] == pytest.approx(8.0 * 1.08 ** (59 / 365), rel=1e-12)


def test_a_release_of_two_days_costs_what_the_first_bottles_have_grown_to_by_the_last() -> None:
    """Half disgorged on 1 January and half on 1 March, planned in December: 1.60 of work each, on its day."""
    halves = pd.DataFrame(
        {"Date": ["2025-01-01", "2025-03-01"], "Release lot": "D", "From lot": "T", "Bottles in (bottles)": 500,
         "Bottles out (bottles)": 500}
    )  # fmt: skip
    rates = pd.DataFrame(
        {"From": ["2020-01-01"], "Stage": "finishing", "Operation": "disgorgement", "Driver": "bottle out",
         "Amount": 1.6, "Element": "labour"}
    )  # fmt: skip
    settings = pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2024-12-01"]})
    row = priced(small(disgorgements=halves, operation_rates=rates, settings=settings)).loc["Trade"]
    waited = 1.08 ** (59 / 365)
    assert row["avoidable_cost"] == pytest.approx(0.8 * waited + 0.8, rel=1e-12)
    years = (np.datetime64("2025-03-01") - np.datetime64("2022-03-01")).astype(int) / 365
    assert row["economic_per_bottle"] == pytest.approx(9 * 1.08**years + 0.8 * waited + 0.8, rel=1e-12)


def test_money_behind_a_release_is_its_cost_at_the_hurdle(demo: list[Results]) -> None:
    economic = demo[1]
    money, curve = DatedMoney(economic), economic.charges.curve
    assert curve is not None
    for release in ("D25-3-BRUT", "D25-2-PREST"):
        state = release_states(economic, release)
        day, amount = money.behind(state)
        ready = economic.chain.states.end[state[0]]
        halves = np.sqrt(curve.growth(np.floor(day).astype(int), ready) * curve.growth(np.ceil(day).astype(int), ready))
        assert (amount * halves).sum() == pytest.approx(economic.total[state].sum(), rel=1e-7)


# --- how it is sold ------------------------------------------------------------------------------------------


def test_planned_dispatches_say_when_a_channel_takes_the_bottles() -> None:
    """A year's wait at 8 % makes the price 8 % dearer than selling at once."""
    plan = pd.DataFrame({"Date": ["2026-03-01"], "Release lot": ["D"], "Channel": ["Trade"], "Bottles": [1000]})
    now, later = priced(small()).loc["Trade"], priced(small(dispatches=plan)).loc["Trade"]
    assert (now["how_sold"], later["how_sold"]) == ("at once", "as planned")
    assert later["target_price"] == pytest.approx(1.08 * now["target_price"], rel=1e-12)


def test_what_no_plan_takes_is_shared_out() -> None:
    two = pd.DataFrame({"Channel": ["Trade", "Door", "Abroad"], "Share (%)": [60, 30, 10]})
    plan = pd.DataFrame({"Date": ["2025-04-01"], "Release lot": ["D"], "Channel": ["Trade"], "Bottles": [200]})
    found = priced(small(channels=two, dispatches=plan))["bottles_to_sell"]
    assert found.to_dict() == pytest.approx({"Trade": 200, "Door": 600, "Abroad": 200})


def test_storage_of_finished_bottles_waits_with_them() -> None:
    rates = pd.DataFrame(
        {"From": ["2020-01-01", "2024-01-01", "2024-01-01"], "Stage": ["finished stock", "finished stock", "on lees"],
         "Operation": ["storage"] * 3, "Driver": ["bottle-year"] * 3, "Amount": [0.1, 0.3, 0.7],
         "Element": ["storage"] * 3, "Yearly change in plans (%)": [0, 10, 0]}
    )  # fmt: skip
    estate = small(operation_rates=rates)
    today = int(np.datetime64("2025-03-01", "D").astype(int))

    def kept(day: int) -> float:
        return float(storage_per_bottle_year(estate, "finished stock", "bottle", np.array([day]), today)[0])

    assert kept(today) == pytest.approx(0.3)
    assert kept(today + 365) == pytest.approx(0.33)
    assert kept(today - 1_000) == pytest.approx(0.1)


# --- lists and currencies ------------------------------------------------------------------------------------


def listed(estate: Estate, channel: str, on: str) -> tuple[float, str]:
    keys = [np.array([one], dtype=object) for one in ("Brut", "bottle", channel)]
    found = list_prices(estate, *keys, np.array([int(np.datetime64(on, "D").astype(int))]))
    return float(found.price[0]), str(found.currency[0])


def test_the_list_price_in_force() -> None:
    markets = pd.DataFrame(
        {"Channel": ["Trade", "Abroad"], "Currency": [None, "GBP"], "Currency rate": [None, 1.2],
         "Currency buffer (%)": [None, 5], "Discount (%)": [0, 10]}
    )  # fmt: skip
    price_list = pd.DataFrame(
        {"From": ["2024-01-01", "2025-01-01", "2024-06-01", "2026-01-01"], "Cuvée": ["Brut"] * 4,
         "Channel": [None, None, "Abroad", "Abroad"], "Currency": [None, None, "GBP", "GBP"],
         "List price": [20.0, 22.0, 19.0, 21.0]}
    )  # fmt: skip
    estate = small(channels=markets, price_list=price_list)
    assert listed(estate, "Trade", "2024-05-01") == (20.0, "EUR")
    assert listed(estate, "Trade", "2025-05-01") == (22.0, "EUR")
    assert listed(estate, "Abroad", "2024-05-01") == (20.0, "EUR")
    assert listed(estate, "Abroad", "2025-05-01") == (19.0, "GBP")  # older than 22.00, but the channel's own
    assert np.isnan(listed(estate, "Trade", "2023-05-01")[0])
    row = priced(estate).loc["Abroad"]
    assert row["list_price"] == pytest.approx(19.0 * 1.2 * 0.95)
    assert row["net_price_at_list"] == pytest.approx(19.0 * 1.2 * 0.95 * 0.9)
    assert row["advised_in_market"] == pytest.approx(np.ceil(2 * row["list_price_needed"] / (1.2 * 0.95)) / 2)


def test_a_rate_is_the_channels_own_before_anothers() -> None:
    markets = pd.DataFrame(
        {"Channel": ["A", "A", "B", "C"], "From": ["2024-01-01", "2025-01-01", "2024-06-01", None],
         "Currency": ["GBP", "GBP", "GBP", None], "Currency rate": [1.1, 1.2, 1.3, None]}
    )  # fmt: skip
    estate = small(channels=markets)
    day = np.array([int(np.datetime64(one, "D").astype(int)) for one in ("2025-06-01", "2024-07-01", "2023-01-01")])
    pounds = np.array(["GBP"] * 3, dtype=object)

    def rates(channel: str) -> list[float]:
        return list(currency_rates(estate, pounds, np.array([channel] * 3, dtype=object), day))

    assert rates("A")[:2] == [1.2, 1.1]
    assert rates("B")[:2] == [1.3, 1.3]
    assert rates("C")[:2] == [1.2, 1.3]  # the latest of all
    assert np.isnan(rates("C")[2])


# --- chains --------------------------------------------------------------------------------------------------


def test_chain_from_cellar_to_shelf_comes_back(tables: Mapping[str, pd.DataFrame], demo: list[Results]) -> None:
    """Parts add up to the shelf price; walked back from the unrounded one the net price is met again."""
    estate, day = demo[0].estate, demo[0].chain.valuation_day
    up, down = tables["price_build_up"], tables["price_back_to_cellar"]
    shelf = up.filter(like="step:").sum(axis=1)
    assert (up["shelf_price_rounded"] >= shelf - 1e-9).all()
    assert tables["price_build_up_parts"].filter(like="part_of_shelf:").sum(axis=1).to_numpy() == pytest.approx(1.0)
    assert down.filter(like="step:").sum(axis=1).to_numpy() == pytest.approx(down["shelf_price_rounded"].to_numpy())
    strength = estate["cuvees"].drop_duplicates("cuvee").set_index("cuvee")["alcohol"]
    for position, row in up.iterrows():
        terms = trade_terms(channel_terms(estate, day).loc[row["channel"]])
        alcohol = 100 * float(strength[row["cuvee"]])
        back = to_cellar(terms, shelf[position], FORMATS_L[row["format"]], alcohol)
        assert float(back.net_price) == pytest.approx(row["net_price"], rel=1e-9)


def test_a_rounded_shelf_price_never_gives_the_estate_less(tables: Mapping[str, pd.DataFrame]) -> None:
    up, down = tables["price_build_up"], tables["price_back_to_cellar"]
    assert (down["net_price"].to_numpy() >= up["net_price"].to_numpy() - 1e-9).all()


def test_excise_of_a_uk_bottle(demo: list[Results], prices: pd.DataFrame) -> None:
    """UK alcohol duty from 1 February 2025, 8.5 to 22 % vol: 29.54 pounds per litre of alcohol (Alcohol Duty
    rates, gov.uk), 2.659 for 75 cl at 12 %.
    """
    estate, day = demo[0].estate, demo[0].chain.valuation_day
    up, _ = price_chains(estate, prices, day)
    duty = up[(up["channel"] == "Export UK") & (up["format"] == "bottle")]
    strength = estate["cuvees"].drop_duplicates("cuvee").set_index("cuvee")["alcohol"]
    assert len(duty)
    for _, row in duty.iterrows():
        assert row["step:excise"] == pytest.approx(29.54 * 0.75 * float(strength[row["cuvee"]]), rel=1e-9)


def test_german_sparkling_wine_tax_per_hectolitre() -> None:
    """136 EUR/hl, 1.02 for 75 cl (Schaumwein- und Zwischenerzeugnissteuergesetz § 2; zoll.de). Shelf 2.79 at 19 %
    VAT is 2.34 without it and 1.32 without the tax (trade press).
    """
    terms = channels(**{"Excise basis": ["per hl"], "Excise amount": [136], "VAT (%)": [19]})
    price_list = pd.DataFrame({"From": ["2020-01-01"], "Cuvée": ["Brut"], "List price": [2.79 / 1.19 - 1.02]})
    estate = small(channels=terms, price_list=price_list)
    up, down = price_chains(estate, priced(estate).reset_index(), trace(estate).valuation_day)
    steps = up.iloc[0].filter(like="step:")
    assert steps["step:excise"] == pytest.approx(1.02)
    assert steps.sum() == pytest.approx(2.79)
    assert round(steps.sum() - steps["step:VAT"], 2) == 2.34
    assert round(down["net_price"].iloc[0], 2) == 1.32


# --- changes of price ----------------------------------------------------------------------------------------


def test_an_increase_that_follows_replacement_cost_keeps_the_margin() -> None:
    """Cost up by a tenth: with no commission the price goes up by a tenth and the margin in per cent stays."""
    indices = pd.DataFrame(
        {"Date": ["2022-03-01", "2025-03-01"], "Element": ["must and wine"] * 2, "Index": [100, 110]}
    )
    price_list = pd.DataFrame({"From": ["2020-01-01"], "Cuvée": ["Brut"], "List price": [25.0]})
    estate = small(price_indices=indices, price_list=price_list)
    found = priced(estate).reset_index()
    row = price_increases(found, estate, trace(estate).valuation_day).iloc[0]
    assert row["rise_of_cost"] == pytest.approx(0.1)
    assert row["net_price_same_margin"] == pytest.approx(27.5)
    assert row["net_price_same_money"] == pytest.approx(25.0 + row["again_spent"] - row["spent_per_bottle"])
    assert row["to_list_price"] == 27.5
    again = row["again_spent"]
    assert row["gain_same_volume"] == pytest.approx(2.5 * 1000)
    assert row["volume_bearable_loss"] == pytest.approx(1 - (25 - again) / (27.5 - again))


@pytest.mark.parametrize(("net", "again"), [(8.0, 8.0), (16.0, 8.0)])
def test_a_price_that_just_pays_for_the_bottle_before_or_after_its_increase_bears_no_loss(
    net: float, again: float
) -> None:
    """8.00 to make again and sold at 8.00; and sold at its 16.00, where that falls to 8.00 as its cost does."""
    estate = small()
    spent = {8.0: 4.0, 16.0: 16.0}[net]
    found = priced(estate).reset_index().assign(
        net_price_at_list=net, economic_per_bottle=spent, replacement_per_bottle=again
    )  # fmt: skip
    row = price_increases(found, estate, trace(estate).valuation_day).iloc[0]
    assert row["net_price_same_margin"] == net * again / spent
    assert row[["gain_same_volume", "volume_bearable_loss"]].isna().all()


def test_the_letter_rests_on_the_elements(tables: Mapping[str, pd.DataFrame], prices: pd.DataFrame) -> None:
    rises = tables["cost_rises"].groupby("release")[["spent_per_bottle", "again_spent", "part_of_rise"]].sum()
    first = prices.drop_duplicates("release").set_index("release").loc[rises.index]
    assert rises["spent_per_bottle"].to_numpy() == pytest.approx(first["economic_per_bottle"].to_numpy(), rel=1e-9)
    assert rises["again_spent"].to_numpy() == pytest.approx(first["replacement_per_bottle"].to_numpy(), rel=1e-9)
    assert rises["part_of_rise"].to_numpy() == pytest.approx(1.0)


def test_break_even_of_a_promotion() -> None:
    """m/(m − d) − 1: a margin of 40 % and a discount of 10 % need a third more volume (common practice)."""
    estate = small()
    cost = float(priced(estate).loc["Trade", "replacement_per_bottle"])
    price_list = pd.DataFrame({"From": ["2020-01-01"], "Cuvée": ["Brut"], "List price": [cost / 0.6]})
    estate = small(price_list=price_list)
    row = promotions(priced(estate).reset_index(), estate, trace(estate).valuation_day, (0.1, 0.4)).iloc[0]
    assert row["contribution_of_receipt"] == pytest.approx(0.4)
    assert row["at_discount:10 %"] == pytest.approx(1 / 3)
    assert np.isnan(row["at_discount:40 %"])


@pytest.mark.filterwarnings("error")
def test_what_is_given_away_has_no_increase_and_no_promotion() -> None:
    """It was said to leave "-inf%" of its price."""
    for price, lines in ((0.0, 0), (0.5, 1)):
        estate = small(price_list=pd.DataFrame({"From": ["2020-01-01"], "Cuvée": ["Brut"], "List price": [price]}))
        found, day = priced(estate).reset_index(), trace(estate).valuation_day
        assert found["net_price_at_list"].tolist() == [price]
        assert len(price_increases(found, estate, day)) == len(promotions(found, estate, day)) == lines


def test_a_magnum_beside_two_bottles(tables: Mapping[str, pd.DataFrame], prices: pd.DataFrame) -> None:
    found = tables["format_parities"]
    magnum = found[(found["format"] == "magnum") & (found["channel"] == "Cellar door") & (found["cuvee"] == "Brut")]
    bottle = prices[(prices["cuvee"] == "Brut") & (prices["format"] == "bottle") & (prices["channel"] == "Cellar door")]
    row = magnum.iloc[0]
    assert row["bottles_of_75cl"] == 2.0
    assert row["price_of_75cl_bottles"] == pytest.approx(2 * bottle["net_price_at_list"].iloc[0])
    assert row["earned_beyond_75cl"] == pytest.approx(row["price_beyond_75cl"] - row["cost_beyond_75cl"])


def test_a_gift_box_and_what_it_brought() -> None:
    goods = pd.DataFrame(
        {"From": ["2024-01-01", "2025-01-01"], "Stage": ["dressing"] * 2, "Item": ["box"] * 2,
         "Format": ["bottle"] * 2, "Presentation": ["gift box"] * 2, "Unit price": [2.0, 2.7]}
    )  # fmt: skip
    sold = pd.DataFrame(
        {"Date": ["2025-03-01"] * 3, "Release lot": ["D"] * 3, "Channel": ["Trade"] * 3, "Bottles": [10, 30, 20],
         "Net price": [20.0, 24.0, 26.0], "Presentation": [None, None, "gift box"]}
    )  # fmt: skip
    estate = small(dry_goods=goods, dispatches=sold, channels=channels(**{"Commission (%)": [10]}))
    found = presentations(estate, trace(estate).valuation_day)
    assert found.iloc[0][
        ["dry_goods_per_bottle", "net_price_that_pays", "net_price_brought"]
    ].tolist() == pytest.approx([2.7, 3.0, 3.0])


def test_a_presentation_is_priced_in_its_formats_and_in_bottles_where_its_goods_name_none() -> None:
    goods = pd.DataFrame(
        {"From": "2024-01-01", "Stage": "dressing", "Item": ["box", "case"], "Format": [None, "magnum"],
         "Presentation": ["gift box", "case"], "Unit price": [2.0, 2.7]}
    )  # fmt: skip
    found = presentations(small(dry_goods=goods), trace(small()).valuation_day)
    assert found[["presentation", "format"]].to_numpy().tolist() == [["gift box", "bottle"], ["case", "magnum"]]


def test_scarce_bottles_go_where_they_bring_most(tables: Mapping[str, pd.DataFrame]) -> None:
    found = tables["scarce_bottles"]
    for _, rows in found.groupby("release"):
        assert (rows["bottles_for_most"] >= rows["at_least"] - 1e-9).all()
        assert (rows["bottles_for_most"] <= rows["at_most"].fillna(np.inf) + 1e-9).all()
        best = rows.loc[rows["contribution_today"].idxmax()]
        assert best["bottle_more"] == pytest.approx(best["contribution_today"])
    roomy = found.groupby("release").filter(lambda rows: rows["bottles_planned"].ge(rows["at_least"]).all())
    assert (roomy["contribution_at_most"] >= roomy["contribution_as_planned"] - 1e-6).all()


def test_floors_that_a_small_release_cannot_meet_are_cut_in_proportion() -> None:
    two = pd.DataFrame({"Channel": ["Trade", "Door"], "At least (bottles)": [900, 600]})
    price_list = pd.DataFrame({"From": ["2020-01-01"], "Cuvée": ["Brut"], "List price": [25.0]})
    estate = small(channels=two, price_list=price_list)
    found = allocations(priced(estate).reset_index(), estate, trace(estate).valuation_day)
    assert found["bottles_for_most"].tolist() == pytest.approx([600, 400])
    assert found["bottles_planned"].isna().all()  # no plan and no share says anything
    met = small(channels=two.assign(**{"At least (bottles)": [600, 400]}), price_list=price_list)
    found = allocations(priced(met).reset_index(), met, trace(met).valuation_day)
    assert found["at_least"].tolist() == [600, 400]


def test_contribution_is_what_a_sale_at_list_is_worth_over_the_floor() -> None:
    price_list = pd.DataFrame({"From": ["2020-01-01"], "Cuvée": ["Brut"], "List price": [25.0]})
    terms = channels(**{"Commission (%)": [10], "Selling cost per bottle": [1], "Customer days (days)": [365]})
    row = priced(small(channels=terms, price_list=price_list)).loc["Trade"]
    assert row["contribution_today"] == pytest.approx(25 * 0.9 / 1.08 - 1)


def test_figures_per_75_cl(tables: Mapping[str, pd.DataFrame], prices: pd.DataFrame) -> None:
    at = prices["format"].eq("magnum").to_numpy()
    names = list(MONEY_PER_BOTTLE)
    assert tables["prices_per_75cl"][names][at].to_numpy() == pytest.approx(
        prices[names][at].to_numpy(dtype=float) / 2, nan_ok=True
    )
    assert set(prices.columns) == set(_COLUMNS)


# --- findings ------------------------------------------------------------------------------------------------


def test_the_demo_has_no_findings(demo: list[Results]) -> None:
    assert price_findings(demo[0].estate) == []
    assert price_cautions(demo[0].estate) == []


def test_a_target_that_no_price_reaches_is_a_finding() -> None:
    terms = channels(**{"Commission (%)": [12]})
    targets = pd.DataFrame({"Target": ["margin"], "Value (%)": [90]})
    estate = small(channels=terms, targets=targets)
    found = price_findings(estate)
    assert [one.place for one in found] == [estate.place("targets", 0, "value")]
    assert "Trade" in found[0].rule
    assert np.isnan(priced(estate).loc["Trade", "target_price"])  # and nothing falls over
    beyond = small(targets=pd.DataFrame({"Target": ["return"], "Value (%)": [150]}))
    assert "above 100 %" in price_findings(beyond)[0].rule
    assert np.isnan(priced(beyond).loc["Trade", "target_price"])


def test_a_margin_and_a_commission_that_take_just_the_whole_price_are_a_finding() -> None:
    targets = pd.DataFrame({"Target": ["margin"], "Value (%)": [75]})
    estate = small(channels=channels(**{"Commission (%)": [25]}), targets=targets)
    assert [one.place for one in price_findings(estate)] == [estate.place("targets", 0, "value")]
    assert np.isnan(priced(estate).loc["Trade", "target_price"])


def test_a_return_of_just_100_percent_has_its_price() -> None:
    estate = small(targets=pd.DataFrame({"Target": ["return"], "Value (%)": [100]}))
    assert price_findings(estate) == []
    years = (np.datetime64("2025-03-01") - np.datetime64("2022-03-01")).astype(int) / 365
    assert priced(estate).loc["Trade", "target_price"] == pytest.approx(9 * 2.0**years, rel=1e-12)


def test_a_target_that_another_row_stands_over_is_none() -> None:
    terms = channels(**{"Commission (%)": [12]})
    targets = pd.DataFrame({"Cuvée": [None, "Brut"], "Target": ["margin"] * 2, "Value (%)": [90, 40]})
    assert price_findings(small(channels=terms, targets=targets)) == []


def test_a_blank_currency_is_the_estates_own() -> None:
    price_list = pd.DataFrame(
        {"From": ["2025-01-01"] * 2, "Cuvée": ["Brut"] * 2, "Currency": [None, "EUR"], "List price": [20.0, 21.0]}
    )
    estate = small(price_list=price_list)
    found = price_findings(estate)
    assert [one.place for one in found] == [estate.place("price_list", 1, "list_price")]
    assert estate.place("price_list", 0, "list_price") in found[0].rule


def test_a_currency_without_a_rate_in_force_is_a_finding() -> None:
    markets = pd.DataFrame(
        {"Channel": ["Trade", "Abroad", "Abroad"], "From": [None, "2025-01-01", "2026-01-01"],
         "Currency": [None, "GBP", "GBP"], "Currency rate": [None, 1.2, 1.3]}
    )  # fmt: skip
    sold = pd.DataFrame(
        {"Date": ["2024-12-31", "2025-01-01"], "Release lot": ["D", "D"], "Channel": ["Abroad", "Abroad"],
         "Bottles": [10, 10], "Net price": [15.0, 15.0], "Currency": ["GBP", "GBP"]}
    )  # fmt: skip
    early = pd.DataFrame(
        {"Date": ["2024-12-01"], "Release lot": ["D"], "From lot": ["T"], "Bottles in (bottles)": [1000],
         "Bottles out (bottles)": [1000]}
    )  # fmt: skip
    estate = small(channels=markets, dispatches=sold, disgorgements=early)
    assert [one.place for one in price_findings(estate)] == [estate.place("dispatches", 0, "currency")]
    assert [one.place for one in price_cautions(estate)] == [estate.place("dispatches", 0, "channel")]
    assert price_cautions(estate)[0].severity == "caution"


def test_returns_are_those_of_an_independent_library(demo: list[Results], prices: pd.DataFrame) -> None:
    """pyxirr on whole days: half-days are one day on a clock of twice the speed, so the yearly rate is squared."""
    economic, origin = demo[1], np.datetime64("1970-01-01", "D")
    day, spent = DatedMoney(economic).behind(release_states(economic, "D25-4-SEC"))
    halves = np.rint(2 * (day - day.min())).astype(int)
    sold = np.append(halves, halves.max() + 90)
    amounts = np.append(-spent, spent.sum() * 1.3)
    ours = rate_of_return(sold / 2.0, amounts).rate
    theirs = (1 + pyxirr.xirr([(origin + int(one)).item() for one in sold], amounts)) ** 2 - 1
    assert ours == pytest.approx(theirs, abs=1e-9)
    assert prices["return_a_year"].between(0.0, 0.6).all()


# --- the answer ----------------------------------------------------------------------------------------------


def test_what_is_below_advice_says_by_how_much_in_the_markets_money() -> None:
    """A margin of 40 % on 9.00 asks for 15.00. Abroad 12 at 1.2 is 14.40 at home, 0.50 below the advised 12.50."""
    markets = pd.DataFrame(
        {"Channel": ["Trade", "Abroad", "Door"], "Currency": [None, "GBP", None], "Currency rate": [None, 1.2, None],
         "Share (%)": [50, 30, 20]}
    )  # fmt: skip
    price_list = pd.DataFrame(
        {"From": ["2024-01-01"] * 2, "Cuvée": ["Brut"] * 2, "Channel": ["Trade", "Abroad"],
         "Currency": [None, "GBP"], "List price": [15.0, 12.0]}
    )  # fmt: skip
    targets = pd.DataFrame({"Target": ["margin"], "Value (%)": [40]})
    answer = prices_answer(Runs(small(channels=markets, price_list=price_list, targets=targets)))
    table = answer.main.set_index("channel")
    assert table["do"].to_dict() == {"Trade": "keep", "Abroad": "raise by 0.50 GBP", "Door": "set 15.00 EUR"}
    assert table.index[0] == "Abroad"  # most money first
    assert table.loc["Abroad", "short_of_target"] == pytest.approx(0.6 * 300)
    assert "1 of 2" in answer.says[0]


def test_channels_without_bottles_stand_apart(tables: Mapping[str, pd.DataFrame], prices: pd.DataFrame) -> None:
    assert (tables["release_prices"]["bottles_to_sell"] > 0).all()
    assert not (tables["prices_without_bottles"]["bottles_to_sell"] > 0).any()
    assert len(tables["release_prices"]) + len(tables["prices_without_bottles"]) == len(prices)
    assert tables["release_prices"]["short_of_target"].is_monotonic_decreasing
