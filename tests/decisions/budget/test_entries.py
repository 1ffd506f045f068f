"""Money by the day on which it is paid: a pool of few days, kinds of other payments, sales without a price."""

from __future__ import annotations

import numpy as np
import pytest

from costing.decisions.budget.entries import CASH_KINDS, CashEntries, nothing, spent_and_other
from costing.decisions.budget.sales import cash_of_sales
from costing.money.postings import TABLE_NAMES
from tests.decisions.cash.small import small


def of(entries: CashEntries, table: str) -> CashEntries:
    return entries.take(entries.table == TABLE_NAMES.index(table))


def test_a_pool_that_begins_on_the_last_day_of_a_month_costs_that_day_in_it() -> None:
    pool = {"from_date": "2025-01-31", "to_date": "2025-02-28", "pool": "Cellar", "amount": 2_900.0}
    runs = small(pools=[{**pool, "driver": "bottle-year", "element": "overhead"}])
    paid = of(spent_and_other(runs, runs.today), "pools")
    by_month = paid.paid.astype("datetime64[D]").astype("datetime64[M]").astype(str)
    spent = {month: -paid.amount[by_month == month].sum() for month in ("2025-01", "2025-02", "2025-03")}
    assert spent == pytest.approx({"2025-01": 100.0, "2025-02": 2_800.0, "2025-03": 2_900.0 / 29 * 31})


@pytest.mark.parametrize(("kind", "shown"), [("customers", "customers"), (None, "other"), ("VAT", "VAT")])
def test_an_other_payment_is_of_the_kind_entered_and_other_where_none_is(kind: str | None, shown: str) -> None:
    runs = small(other_payments=[{"from_date": "2026-01-31", "what": "Deposit", "amount": -80.0, "kind": kind}])
    paid = of(spent_and_other(runs, runs.today + 31), "other_payments")
    assert [CASH_KINDS[number] for number in paid.kind] == [shown]
    assert paid.amount.tolist() == [80.0]


def test_no_entries_are_flags_and_numbers_like_any_others() -> None:
    assert not len(nothing().paid)
    assert nothing().for_others.dtype == np.bool_


@pytest.mark.parametrize(("rows", "said"), [(1, "a planned sale has no price"), (2, "2 planned sales have no price")])
def test_planned_sales_without_a_price_are_counted(rows: int, said: str) -> None:
    sale = {"on_date": "2026-02-01", "release_lot": "D", "channel": "Trade", "bottles": 150}
    entries, (finding,) = cash_of_sales(small(dispatches=[sale] * rows))
    assert finding.rule.startswith(said)
    assert f"{150 * rows:,} bottles are left out" in finding.rule
    assert not len(entries.paid)


@pytest.mark.parametrize(("strength", "duty"), [(12.5, 12.5), (None, 12.0)])
def test_duty_by_the_litre_of_alcohol_is_owed_on_the_strength_of_the_cuvee(strength: float | None, duty: float) -> None:
    """4,000 of duty a hectolitre of alcohol on 100 bottles of 75 cl, at the usual 12 % vol where none is entered."""
    channel = {"channel": "Trade", "excise_basis": "per litre of alcohol", "excise_amount": 40.0, "duty_days": 10}
    sale = {"on_date": "2025-06-01", "release_lot": "D", "channel": "Trade", "bottles": 100, "net_price": 9.0}
    runs = small(channels=[channel], dispatches=[sale], cuvees=[{"cuvee": "Brut", "alcohol": strength}])
    paid, _ = cash_of_sales(runs)
    owed = paid.take(paid.kind == CASH_KINDS.index("duty"))
    assert owed.amount.tolist() == pytest.approx([-40.0 * 75.0 * duty / 100.0])
