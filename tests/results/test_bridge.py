"""One basis to another: lines add up, each line is the choice that it names."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest

from costing import BOOK, ECONOMIC, REPLACEMENT, CostingError, Estate, Results, run, trace
from costing.commands.records import demo_folder
from costing.inputs.basis import _STAGES, Basis
from costing.inputs.load import read_inputs
from costing.results.bridge import _OPENING, _STEPS, _of_lots, bridge
from costing.results.costs import releases
from costing.results.stock import stock_values
from tests.form import every
from tests.properties.estates import estate_drawn

WIDE = ECONOMIC.replace(
    name="all different",
    capital="borrowing",
    rate=0.031,
    capital_stages=("on lees",),
    storage_stages=_STAGES[:4],
    expensed_elements=("energy",),
    abnormal_loss="survivors",
    abnormal_gains=True,
    own_grapes="transfer price",
    by_product="none",
    replacement=True,
    split_method="weight",
)


def runs_of(estate: Estate) -> Callable[[Basis], Results]:
    chain = trace(estate)
    return cache(lambda basis: run(estate, basis, chain))


@pytest.fixture(scope="module")
def runs(demo_runs) -> Callable[[Basis], Results]:
    return demo_runs.on


def closes(table: pd.DataFrame) -> bool:
    amounts = table["amount"].to_numpy()
    return abs(amounts[:-1].sum() - amounts[-1]) <= 1e-12 * np.abs(amounts).max()


def test_every_choice_of_a_basis_has_a_line() -> None:
    named = [choice for _, choices in _STEPS for choice in choices]
    assert sorted(named) == sorted(set(Basis.model_fields) - {"name"})


@pytest.mark.parametrize("end", [ECONOMIC, REPLACEMENT, WIDE], ids=lambda basis: basis.name)
def test_lines_add_up_there_and_back(runs: Callable[[Basis], Results], end: Basis) -> None:
    there, back = bridge(runs, BOOK, end, "D25-3-BRUT"), bridge(runs, end, BOOK, "D25-3-BRUT")
    assert closes(there)
    assert closes(back)
    for basis, amount in ((BOOK, there["amount"].iloc[0]), (end, there["amount"].iloc[-1])):
        total = releases(runs(basis)).set_index("release").loc["D25-3-BRUT", "total"]
        assert amount == pytest.approx(total, rel=1e-12)
    assert back["amount"].iloc[-1] == pytest.approx(there["amount"].iloc[0], rel=1e-12)


def test_a_line_is_the_difference_that_its_choice_makes(runs: Callable[[Basis], Results]) -> None:
    table = bridge(runs, BOOK, ECONOMIC, "D25-3-BRUT").set_index("line")["amount"]
    row = {basis.name: releases(runs(basis)).set_index("release").loc["D25-3-BRUT"] for basis in (BOOK, ECONOMIC)}
    bear = releases(runs(BOOK.replace(abnormal_loss="survivors", storage_stages=_STAGES))).set_index("release")
    grown = bear.loc["D25-3-BRUT", "total"] - row["book"]["total"]
    assert table["Abnormal losses and gains"] + table["Storage counted as production"] == pytest.approx(grown)
    assert table["Own grapes"] > 0  # the village price is above the growing cost
    free = releases(runs(ECONOMIC.replace(rate=0.0))).set_index("release").loc["D25-3-BRUT", "total"]
    assert table["Capital"] == pytest.approx(row["economic"]["total"] - free)


def test_stock_on_a_date_and_a_cuvee(runs: Callable[[Basis], Results]) -> None:
    whole = bridge(runs, BOOK, ECONOMIC, on="2024-12-31")
    assert closes(whole)
    assert whole["per_unit"].isna().all()  # litres and bottles
    for basis, place in ((BOOK, 0), (ECONOMIC, -1)):
        stock = stock_values(runs(basis), "2024-12-31")
        assert whole["amount"].iloc[place] == pytest.approx(stock["value"].sum())
    rose = bridge(runs, BOOK, ECONOMIC, cuvee="Rosé", on="2024-12-31")
    mine = stock_values(runs(BOOK), "2024-12-31")
    assert rose["amount"].iloc[0] == pytest.approx(mine.loc[mine["cuvee"] == "Rosé", "value"].sum())
    made = releases(runs(BOOK))
    made = made[(made["cuvee"] == "Rosé") & ~made["planned"]]
    table = bridge(runs, BOOK, ECONOMIC, cuvee="Rosé")
    assert table["amount"].iloc[0] == pytest.approx(made["total"].sum())
    assert table["per_unit"].iloc[0] == pytest.approx(made["total"].sum() / made["bottles"].sum())


def test_a_lot_on_hand_is_worth_what_the_stock_says(runs: Callable[[Basis], Results]) -> None:
    table = bridge(runs, BOOK, ECONOMIC, ["R-PERP", "T24-BRUT"])
    for basis, place in ((BOOK, 0), (ECONOMIC, -1)):
        value = stock_values(runs(basis)).set_index("lot")["value"]
        assert table["amount"].iloc[place] == pytest.approx(value["R-PERP"] + value["T24-BRUT"])
    assert table["per_unit"].isna().all()


def test_some_lots_on_a_date_are_worth_what_the_stock_said_then(runs: Callable[[Basis], Results]) -> None:
    lots = ["R-PERP", "T24-BRUT"]
    table = bridge(runs, BOOK, ECONOMIC, lots, on="2024-12-31")
    for basis, place in ((BOOK, 0), (ECONOMIC, -1)):
        then = stock_values(runs(basis), "2024-12-31").set_index("lot")["value"]
        assert table["amount"].iloc[place] == pytest.approx(then.reindex(lots).sum())
    assert closes(table)


def test_opening_costs_of_one_basis_have_their_own_line(demo_estate) -> None:
    estate = demo_estate
    costs = estate["opening_costs"].assign(basis=pd.Categorical([None] * len(estate["opening_costs"]), ["book"]))
    alike = replace(estate, tables={**estate.tables, "opening_costs": costs})
    mine = costs["lot"] == "R-PERP"
    doubled = costs[mine]
    apart = pd.concat([costs, doubled, doubled], ignore_index=True)
    named = np.r_[np.where(mine, "book", None), ["economic"] * (2 * len(doubled))]
    apart["basis"] = pd.Categorical(named, ["book", "economic"])
    runs = runs_of(replace(estate, tables={**estate.tables, "opening_costs": apart}))
    extra = doubled["amount"].sum()
    there = bridge(runs, BOOK, ECONOMIC, on="2018-01-01")
    back = bridge(runs, ECONOMIC, BOOK, on="2018-01-01")
    assert closes(there)
    assert closes(back)
    assert there.set_index("line").loc[_OPENING, "amount"] == pytest.approx(extra)
    assert back.set_index("line").loc[_OPENING, "amount"] == pytest.approx(-extra)
    borrowed = BOOK.replace(name="with interest", capital="borrowing")
    paid = bridge(runs, borrowed, ECONOMIC, on="2024-12-31")
    assert closes(paid)
    interest = runs(borrowed).total, runs(borrowed.replace(rate=0.0)).total
    assert (interest[0] - interest[1]).max() > 0
    assert paid.set_index("line").loc["Borrowing cost", "amount"] < 0  # taken out before the other rate comes in
    plain = bridge(runs_of(alike), BOOK, ECONOMIC, on="2018-01-01")
    assert _OPENING not in set(plain["line"])


@pytest.mark.slow
@pytest.mark.parametrize("seed", every(3, range(5)))
def test_random_estates_close(seed: int) -> None:
    runs = runs_of(estate_drawn(seed, 50))
    stock = bridge(runs, BOOK, WIDE, on=None)
    assert closes(stock)
    for lot in releases(runs(BOOK))["release"][:2]:
        assert closes(bridge(runs, WIDE, BOOK, lot))


def test_unknown_names_are_refused_with_the_nearest(runs: Callable[[Basis], Results]) -> None:
    with pytest.raises(CostingError, match="D25-3-BRUT"):
        bridge(runs, BOOK, ECONOMIC, "D25-3-BRU")
    with pytest.raises(CostingError, match="Did you mean 'Rosé'"):
        bridge(runs, BOOK, ECONOMIC, cuvee="Rose")
    with pytest.raises(CostingError, match="nothing of cuvée 'Rose' is in stock on 2024-12-31"):
        bridge(runs, BOOK, ECONOMIC, cuvee="Rose", on="2024-12-31")


def test_a_release_counts_as_it_was_disgorged_and_another_lot_as_it_stands() -> None:
    """By hand (README): 1,960 bottles at 9.75, of which 500 are left; 2,000 on lees at 8.00 + 2.8 × 0.20; 84 L at 9."""
    small = run(read_inputs(demo_folder() / "small"), BOOK)
    assert _of_lots(small, ["D25"]) == pytest.approx((19_110.0, 1_960.0))
    assert _of_lots(small, ["T23"]) == pytest.approx((17_120.0, 2_000.0))
    assert _of_lots(small, ["D25", "T23"]) == pytest.approx((36_230.0, 3_960.0))
    more = small.estate["dispatches"].assign(bottles=[960.0, 1_000.0])
    sold = run(replace(small.estate, tables={**small.estate.tables, "dispatches": more}), BOOK)
    assert _of_lots(sold, ["D25"]) == pytest.approx((19_110.0, 1_960.0))  # though none of it is left
    assert _of_lots(small, ["T23", "V22-PN"]) == pytest.approx((17_876.0, float("nan")), nan_ok=True)
    costs = small.estate["costs"]
    invoiced = pd.concat([costs, costs.iloc[[0]].assign(on_date=pd.Timestamp("2026-02-01"))], ignore_index=True)
    late = run(replace(small.estate, tables={**small.estate.tables, "costs": invoiced}), BOOK)
    assert _of_lots(late, ["T23"]) == pytest.approx((17_120.0, 2_000.0))  # known after the valuation date alone
