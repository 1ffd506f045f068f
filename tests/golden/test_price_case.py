"""The worked price, to its last digit, through the ordinary path: rows in, run, the table of release prices.

Worked by hand for this project and checked by independent routes. Release A of the worked tirage (`S3`) at 12 %:
52,160.74. Dispatch 2,400 on 1 June and 1,600 on 1 December 2025; customers pay after 60 days; commission 10 % on
receipt; dressing and freight 1.25 at dispatch; finished storage 0.30 a bottle-year; discount 15 %.
"""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
import pyxirr

from costing.decisions.prices.channels import to_cellar
from costing.decisions.prices.price_chains import price_chains, trade_terms
from costing.decisions.prices.price_tables import release_prices
from costing.decisions.prices.pricing import SalePlan, target_price
from costing.decisions.prices.terms_in_force import channel_terms
from costing.engine.carrying import RateCurve
from costing.graph.arrays import days
from costing.inputs.basis import BOOK, ECONOMIC, REPLACEMENT, Basis
from costing.inputs.load import read_inputs
from costing.model import run, trace
from costing.results.costs import releases
from tests.golden.figures import Tables
from tests.golden.test_worked_cases import AT_12, tables_of

STORAGE = {"From": "2020-01-01", "Stage": "finished stock", "Operation": "storage", "Driver": "bottle-year"}


def price_case(**more: pd.DataFrame) -> Tables:
    """The tirage on 1 March 2025, with a channel, planned dispatches and storage of finished bottles."""
    tables = dict(tables_of("S3"))
    tables["settings"] = pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-03-01"]})
    finished = pd.DataFrame([{**STORAGE, "Amount": 0.30, "Element": "storage"}])
    tables["operation_rates"] = pd.concat([tables["operation_rates"], finished], ignore_index=True)
    tables["channels"] = pd.DataFrame(
        {"Channel": ["Trade"], "Discount (%)": [15], "Commission (%)": [10], "Selling cost per bottle": [1.25],
         "Customer days (days)": [60]}
    )  # fmt: skip
    tables["dispatches"] = pd.DataFrame(
        {"Date": ["2025-06-01", "2025-12-01"], "Release lot": ["D-A"] * 2, "Channel": ["Trade"] * 2,
         "Bottles": [2400, 1600]}
    )  # fmt: skip
    return {**tables, **more}


def priced(tables: Tables, economic: Basis) -> pd.Series:
    """The row of release A in the table of release prices."""
    estate = read_inputs(tables)
    chain = trace(estate)
    bases = (BOOK, economic, REPLACEMENT.replace(rate=economic.rate))
    return release_prices(*(run(estate, basis, chain) for basis in bases)).set_index("release").loc["D-A"]


def at_net(price: float) -> Tables:
    """The case with the list price that leaves `price` after the discount."""
    listed = pd.DataFrame({"From": ["2025-01-01"], "Cuvée": ["Brut"], "List price": [price / 0.85]})
    return price_case(price_list=listed)


def test_price_for_twelve_percent() -> None:
    row = priced(price_case(), AT_12)
    assert round(4_000 * row["economic_per_bottle"], 2) == 52_160.74
    assert round(row["economic_per_bottle"], 4) == 13.0402
    assert row["how_sold"] == "as planned"
    assert round(row["target_price"], 4) == 17.1040
    assert round(row["list_price_needed"], 4) == 20.1223
    assert row["advised_list_price"] == pytest.approx(20.15)  # up to the next 0.05
    assert round(row["cost_plus_price"], 4) == 15.8780
    assert round(row["target_price"] - row["cost_plus_price"], 4) == 1.2260


def test_the_figures_behind_the_price() -> None:
    estate = read_inputs(price_case())
    release = releases(run(estate, AT_12)).set_index("release").loc["D-A"]
    sent = estate["dispatches"]
    first = int(np.datetime64("2025-03-01", "D").astype(int))
    found = target_price(
        SalePlan(release["total"], first, days(sent["on_date"]), sent["bottles"].to_numpy(), 60, 0.10, 1.25, 0.30),
        RateCurve.flat(0.12),
    )
    assert round(found.cost, 2) == 52_160.74
    assert round(found.storage_value, 2) == 525.55
    assert round(found.selling_value, 2) == 4_751.84
    assert round(found.discounted_bottles, 4) == 3_358.1744
    assert round(found.price, 4) == 17.1040
    assert found.price == pytest.approx(float(priced(price_case(), AT_12)["target_price"]), rel=1e-12)


def test_a_target_of_twelve_percent_gives_the_same_at_any_hurdle() -> None:
    target = pd.DataFrame({"Cuvée": ["Brut"], "Target": ["return"], "Value (%)": [12]})
    row = priced(price_case(targets=target), ECONOMIC)
    assert row["target"] == "12 % return"
    assert round(row["economic_per_bottle"], 4) == 11.8916
    assert round(row["target_price"], 4) == 17.1040


def test_return_from_tirage_at_the_price_and_at_the_rounded_one() -> None:
    price = float(priced(price_case(), AT_12)["target_price"])
    assert round(100 * priced(at_net(price), AT_12)["return_a_year"], 6) == 12.000000
    assert round(100 * priced(at_net(17.10), AT_12)["return_a_year"], 4) == 11.9910


def test_return_of_an_independent_library() -> None:
    """pyxirr on the case's flows written out by hand, storage day by day at mid-day.

    Its dates are whole days: on a clock of half-days the yearly rate is the half-yearly one, compounded.
    """
    price = float(priced(price_case(), AT_12)["target_price"])
    part = 4_050 / 9_600  # of the stack, whose lost bottles the survivors bear
    flows: dict[date, float] = {}

    def pay(day: date, amount: float, half: int = 0) -> None:
        on = date(2000, 1, 1) + timedelta(days=2 * (day - date(2022, 3, 1)).days + half)
        flows[on] = flows.get(on, 0.0) + amount

    pay(date(2022, 3, 1), -72_200 * part)
    day = date(2022, 3, 1)
    while day < date(2025, 3, 1):
        pay(day, -0.20 / 365 * part * (10_000 if day < date(2023, 6, 15) else 9_600), 1)
        day += timedelta(days=1)
    pay(date(2025, 3, 1), -1.60 * 4_000)
    for sent, bottles in ((date(2025, 6, 1), 2_400), (date(2025, 12, 1), 1_600)):
        day = date(2025, 3, 1)
        while day < sent:
            pay(day, -0.30 / 365 * bottles, 1)
            day += timedelta(days=1)
        pay(sent, -1.25 * bottles)
        pay(sent + timedelta(days=60), 0.9 * price * bottles)
    theirs = (1 + pyxirr.xirr(list(flows), list(flows.values()))) ** 2 - 1
    assert theirs == pytest.approx(0.12, abs=5e-9)
    assert priced(at_net(price), AT_12)["return_a_year"] == pytest.approx(theirs, abs=1e-9)


@pytest.mark.parametrize(
    ("sheet", "column"),
    [
        ("channels", "Discount (%)"),
        ("channels", "Commission (%)"),
        ("channels", "Selling cost per bottle"),
        ("channels", "Customer days (days)"),
        ("dispatches", "Bottles"),
        ("operation_rates", "Amount"),
        ("deliveries", "Price per unit"),
    ],
)
def test_one_changed_cell_moves_the_list_price_needed(sheet: str, column: str) -> None:
    tables = dict(price_case())
    changed = tables[sheet].copy()
    changed[column] = changed[column].astype(float)
    changed.loc[changed.index[-1], column] *= 0.5
    assert round(priced({**tables, sheet: changed}, AT_12)["list_price_needed"], 4) != 20.1223


def test_the_chain_of_the_case_is_inverse() -> None:
    estate = read_inputs(at_net(17.10))
    chain = trace(estate)
    found = release_prices(*(run(estate, basis, chain) for basis in (BOOK, AT_12, REPLACEMENT)))
    up, _ = price_chains(estate, found, chain.valuation_day)
    way = up.iloc[0]
    terms = trade_terms(channel_terms(estate, chain.valuation_day).loc[way["channel"]])
    assert float(to_cellar(terms, way.filter(like="step:").sum()).net_price) == pytest.approx(17.10, rel=1e-9)
    assert way["step:commission"] == pytest.approx(1.71)
