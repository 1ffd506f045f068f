"""No money row is silent: given = stock + sold + expensed + idle + not yet due, on random estates and every basis."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given

from costing.inputs.basis import BOOK, ECONOMIC, REPLACEMENT
from costing.results.amounts_charged import FATES, amounts_charged
from costing.results.results import Results
from costing.results.stock import stock_values
from tests.form import chosen
from tests.properties.estates import Tables, estates, random_estate
from tests.properties.reading import run_one
from tests.properties.test_invariants import FEW

BASES = (BOOK, ECONOMIC.replace(rate=0.0), REPLACEMENT.replace(rate=0.0))
"""Capital is no row's money: without it a stock is worth what was charged to it."""


def check(results: Results) -> None:
    lines = amounts_charged(results)
    cost_in = results.reconciliation().set_index("line")["amount"]["Cost in"]
    scale = max(1.0, float(lines["given"].abs().sum()))
    assert lines["given"].sum() == pytest.approx(cost_in, abs=1e-9 * scale)
    np.testing.assert_allclose(lines[list(FATES)].sum(axis=1), lines["given"], atol=1e-9 * scale)
    assert lines["stock"].sum() == pytest.approx(stock_values(results)["value"].sum(), abs=1e-9 * scale)
    if results.basis.replacement:
        return
    # what a row gives, by hand from its own cells
    amounts = lines[lines["table"].isin(["costs", "pools"])]
    beyond = amounts["given"] - amounts["cell"]  # of a pool whose last rate plans carry on: a plan's, so not yet due
    ahead = results.chain.horizon_day > results.chain.valuation_day
    most = np.where((amounts["table"] == "pools") & ahead, amounts["not_yet_due"], 0.0)
    assert (beyond >= -1e-9 * scale).all()
    assert (beyond <= most + 1e-9 * scale).all()
    opening = lines[(lines["table"] == "opening_costs") & (lines["given"] != 0)]
    np.testing.assert_allclose(opening["given"], opening["cell"], atol=1e-9 * scale)
    bought = results.estate["deliveries"]
    premium = np.nan_to_num(bought["premium_per_unit"].to_numpy())
    plain = (bought["growing_cost_per_unit"].isna() & bought["price_per_unit"].notna()).to_numpy()
    by_hand = (bought["price_per_unit"].to_numpy() + premium) * bought["quantity"].to_numpy()
    priced = lines[(lines["table"] == "deliveries") & lines["row"].isin(np.flatnonzero(plain))]
    np.testing.assert_allclose(priced["given"], by_hand[priced["row"].to_numpy()], atol=1e-9 * scale)


@FEW
@given(estates())
def test_every_amount_given_is_charged_expensed_idle_or_not_yet_due(tables: Tables) -> None:
    for basis in BASES:
        check(run_one(tables, basis))


@pytest.mark.parametrize("seed", range(chosen(full=6, short=2)))
def test_likewise_with_plans(seed: int) -> None:
    tables = random_estate(seed, 40, plan_days=400)
    for basis in BASES:
        check(run_one(tables, basis))
