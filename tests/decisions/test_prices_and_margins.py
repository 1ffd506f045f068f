"""Prices and margins on the estate's own rows, and the worked price through the ordinary path."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from costing import BOOK, ECONOMIC, REPLACEMENT, read_estate, run, trace
from costing.cli import demo_folder
from costing.decisions.margins import margins
from costing.decisions.price_tables import most_particular, price_chains, price_findings, release_prices, to_sell
from costing.decisions.pricing import SalePlan, target_price
from costing.engine.carrying import RateCurve
from costing.results.costs import releases

GOLDEN = Path(__file__).parents[1] / "golden"


def test_worked_price_on_the_worked_release() -> None:
    """Worked by hand for this project: release A at 12 %, sold 2,400 on 1 June and 1,600 on 1 December 2025."""
    results = run(read_estate(GOLDEN / "S3"), ECONOMIC.replace(name="at 12 %", rate=0.12))
    release = releases(results).set_index("release").loc["D-A"]
    assert round(release["total"], 2) == 52_160.74
    day = [int(np.datetime64(one, "D").astype(int)) for one in ("2025-03-01", "2025-06-01", "2025-12-01")]
    plan = SalePlan(release["total"], day[0], np.array(day[1:]), np.array([2_400.0, 1_600.0]), 60, 0.10, 1.25, 0.30)
    found = target_price(plan, RateCurve.flat(0.12))
    assert round(found.storage_value, 2) == 525.55
    assert round(found.selling_value, 2) == 4_751.84
    assert round(found.discounted_bottles, 4) == 3_358.1744
    assert round(found.price, 4) == 17.1040


@pytest.fixture(scope="module")
def demo():
    estate = read_estate(demo_folder())
    chain = trace(estate)
    return [run(estate, basis, chain) for basis in (BOOK, ECONOMIC, REPLACEMENT)]


def test_prestige_looks_best_per_bottle_and_worst_per_unit_of_capital(demo) -> None:
    table = margins(demo[0], demo[1])
    bottles = table[table["format"] == "bottle"]
    assert bottles.loc[bottles["margin"].idxmax(), "cuvee"] == "Prestige"
    assert bottles.loc[bottles["rate"].idxmin(), "cuvee"] == "Prestige"
    prestige = bottles.set_index("cuvee").loc["Prestige"]
    others = bottles[bottles["cuvee"] != "Prestige"]
    assert prestige["margin"] > 1.3 * others["margin"].max()
    assert prestige["rate"] < others["rate"].min()


def test_margins_add_up(demo) -> None:
    table = margins(demo[0], demo[1])
    assert np.allclose(table["net_price"] - table["selling"] - table["book_cost"], table["margin"])
    assert np.allclose(table["margin"] / table["net_price"], table["margin_percent"])
    assert (table["economic_cost"] >= table["book_cost"]).all()


def test_selling_at_the_target_earns_the_hurdle_on_every_release(demo) -> None:
    prices = release_prices(*demo)
    assert len(prices) > 50
    assert (prices["floor"] < prices["target_price"]).all()
    assert (prices["advised_list"] * (1 - 1e-12) >= prices["target_price"]).all()
    assert (prices["replacement"] > prices["economic"]).mean() > 0.8


def test_margin_target_is_met_exactly(demo) -> None:
    prices = release_prices(*demo)
    rows = prices[prices["target"].str.endswith("margin")]
    assert len(rows)
    wanted = rows["target"].str.extract(r"([\d.]+)%")[0].astype(float) / 100
    assert np.allclose(1 - rows["book"] / rows["target_price"], wanted, atol=5e-4)


def test_chain_from_cellar_to_shelf_comes_back(demo) -> None:
    estate, day = demo[0].estate, demo[0].chain.valuation_day
    chains = price_chains(estate, release_prices(*demo), day)
    first = chains.drop_duplicates(["cuvee", "format", "channel"])
    assert np.allclose(first["amount"], first["back_at_cellar"], rtol=1e-9)
    last = chains.drop_duplicates(["cuvee", "format", "channel"], keep="last")
    assert (last["shelf_rounded"] >= last["running"] - 1e-9).all()


def test_excise_of_a_uk_bottle(demo) -> None:
    """UK alcohol duty from 1 February 2025, 8.5 to 22 % vol: 29.54 pounds per litre of alcohol, 2.659 at 12 %."""
    estate, day = demo[0].estate, demo[0].chain.valuation_day
    chains = price_chains(estate, release_prices(*demo), day)
    duty = chains[(chains["channel"] == "Export UK") & (chains["format"] == "bottle") & (chains["step"] == "excise")]
    strength = estate["cuvees"].drop_duplicates("cuvee").set_index("cuvee")["alcohol"]
    for _, row in duty.iterrows():
        assert row["amount"] == pytest.approx(29.54 * 0.75 * float(strength[row["cuvee"]]), rel=1e-9)


def test_the_most_particular_row_wins() -> None:
    table = pd.DataFrame(
        {"cuvee": [None, "A", "A"], "format": [None, None, "magnum"], "value": [1, 2, 3]}, dtype=object
    )
    assert most_particular(table, {"cuvee": "A", "format": "magnum"}) == 2
    assert most_particular(table, {"cuvee": "A", "format": "half"}) == 1
    assert most_particular(table, {"cuvee": "B", "format": "half"}) == 0


def test_a_channel_that_leaves_nothing_is_a_finding(demo) -> None:
    estate = demo[0].estate
    assert price_findings(estate) == []
    channels = estate["channels"].copy()
    channels.loc[1, "retailer_margin"] = 1.0
    broken = replace(estate, tables={**estate.tables, "channels": channels})
    assert price_findings(broken)[0].place == estate.place("channels", 1, "channel")


def test_only_what_is_left_is_to_sell(demo) -> None:
    table = to_sell(demo[0])
    made = table[~table["planned"]]
    assert (made["to_sell"] <= made["bottles"]).all()
    assert table["planned"].any()
