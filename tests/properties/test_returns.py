"""A sale and its return on one day: as if never sold but for what sending cost.

IFRS 15.B20-B27 (revenue and cost of sales of what is returned are reversed; it is stock again at its former carrying
amount).
"""

from __future__ import annotations

import pandas as pd
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

import costing
from costing.decisions.budget.entries import CASH_KINDS
from costing.decisions.budget.sales import cash_of_sales
from costing.inputs.basis import BOOK, ECONOMIC, Basis
from costing.inputs.load import read_inputs
from costing.model import Runs
from costing.results.stock import stock_values
from tests.form import chosen
from tests.properties.estates import Tables, estates
from tests.properties.reading import differences, figures, run_one

pytestmark = pytest.mark.slow
FEW = settings(
    max_examples=chosen(full=60, short=2),
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much],
)


def sent_and_back(sales: pd.DataFrame, lot: str, day: object, bottles: float, back: object = None) -> pd.DataFrame:
    """Dispatches with a sale of some bottles and its credit note, on one day or on two."""
    last = sales.iloc[[-1]].assign(**{"Release lot": lot, "Net price": 17.0})
    rows = [last.assign(Date=day, Bottles=bottles), last.assign(Date=back or day, Bottles=-bottles)]
    return pd.concat([sales, *rows], ignore_index=True)


@FEW
@given(estates(), st.sampled_from([0.3, 1.0]), st.sampled_from([BOOK, ECONOMIC]))
def test_sold_and_back_on_one_day_is_never_sold_but_for_the_sending(tables: Tables, part: float, basis: Basis) -> None:
    """Part of a release, or all that is there of it."""
    assume("dispatches" in tables)
    never = run_one(tables, basis)
    stock = stock_values(never)
    there = stock[stock["lot"].isin(tables["dispatches"]["Release lot"]) & (stock["quantity"] > 0)]
    assume(len(there))
    lot, bottles = str(there["lot"].iloc[0]), float(there["quantity"].iloc[0])
    day = pd.Timestamp(never.estate.settings.valuation_date)
    returned = run_one({**tables, "dispatches": sent_and_back(tables["dispatches"], lot, day, bottles * part)}, basis)
    returned.check_identity()
    again = stock_values(returned)
    assert dict(zip(again["lot"], again["quantity"], strict=True)) == pytest.approx(
        dict(zip(stock["lot"], stock["quantity"], strict=True))
    )
    gone = ("sent", "lost")
    kept = [{key: amount for key, amount in figures(one).items() if key[0] not in gone} for one in (never, returned)]
    assert not differences(*kept)
    spent, exits = (
        [part_of(one) for one in (never, returned)]
        for part_of in (
            lambda one: one.reconciliation().set_index("line")["amount"]["Cost in"],
            lambda one: sum(amount for key, amount in figures(one).items() if key[0] in gone),
        )
    )
    assert exits[1] - exits[0] == pytest.approx(spent[1] - spent[0], rel=1e-6, abs=1e-6)
    assert spent[1] >= spent[0] - 1e-6


@pytest.mark.parametrize("days", [0, 45])
def test_money_and_bottles_of_the_demo_balance(days: int) -> None:
    """500 bottles sent and taken back: customers, duty and bottles sold as before, the cost of selling is spent."""
    house = costing.open("demo_estate")
    frames = house.frames()
    sales = frames["dispatches"]
    sold = sales[(sales["on_date"] > "2025-06-01") & (sales["on_date"] < "2025-11-01") & (sales["bottles"] > 600)]
    first = sold.iloc[[0]].assign(bottles=500.0)
    back = first.assign(bottles=-500.0, on_date=first["on_date"] + pd.Timedelta(days=days))
    frames["dispatches"] = pd.concat([sales, first, back], ignore_index=True)
    runs = [house.runs, Runs(read_inputs(frames))]
    for one in runs:
        one.book.check_identity()
    stock = [stock_values(one.book).set_index("lot")["quantity"].to_dict() for one in runs]
    assert stock[1] == pytest.approx(stock[0])
    paid = []
    for one in runs:
        cash, _ = cash_of_sales(one)
        paid.append({name: cash.amount[cash.kind == kind].sum() for kind, name in enumerate(CASH_KINDS)})
    differs = {name: paid[1][name] - paid[0][name] for name in paid[0]}
    assert {name: round(amount, 6) for name, amount in differs.items() if abs(amount) > 1e-6}.keys() <= {"other"}
    assert differs["other"] <= 0.0
