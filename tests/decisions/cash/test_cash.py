"""Cash of the demo and of changed houses: figures, what adds up, and what a person may enter wrong."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from costing import House, InputError
from costing.cli import main
from costing.decisions.budget.budget import budget, periods_of
from costing.decisions.budget.entries import CASH_KINDS, posted_entries
from costing.decisions.cash.bank import interest_and_capital
from costing.decisions.cash.cash import cash, unpaid
from costing.money.postings import TABLE_NAMES
from tests.golden.as_kept import differences

pytestmark = pytest.mark.slow

LOAN = {"loan": "Line", "from_date": "2024-01-15", "due_date": "2029-01-15", "amount": 400_000, "rate": 4.0}
LINE = {**LOAN, "repayment": "at will", "payment_months": 3}


@pytest.fixture(scope="module")
def answer(demo_runs):
    return cash(demo_runs)


@pytest.fixture(scope="module")
def house(demo_estate):
    return House(demo_estate)


@pytest.fixture(scope="module")
def small_house(small_runs):
    return House(small_runs.estate)


def kind(*names: str) -> list[int]:
    return [CASH_KINDS.index(name) for name in names]


def test_what_is_incurred_and_unpaid_is_that_of_the_engine(demo_runs) -> None:
    """231,774 of the demo: growers in quarters and by days, and one wage paid in February."""
    postings = demo_runs.book.charges.postings
    late = (postings.incurred <= demo_runs.today) & (postings.paid > demo_runs.today)
    assert postings.amount[late].sum() == pytest.approx(231_774.40)
    open_now = unpaid(budget(demo_runs).entries, demo_runs.today)
    owed = open_now.take(np.isin(open_now.kind, kind("growers", "labour")))
    assert -owed.amount.sum() == pytest.approx(231_774.40)
    month = owed.paid.astype("datetime64[D]").astype("datetime64[M]").astype(str)
    due = pd.Series(-owed.amount).groupby(month).sum()
    assert due["2026-03"] == pytest.approx(105_958.70)
    assert due["2026-06"] == due["2026-09"] == pytest.approx(52_721.50)


def test_customers_owe_price_less_commission_with_duty_and_vat(demo_runs, answer) -> None:
    owed = answer["owed_and_owing"]
    named = owed.groupby("payment_kind")["amount"].sum()
    assert named["customers"] + named["duty"] + named["VAT"] == pytest.approx(270_125.41, abs=0.01)
    row = owed[(owed["what"] == "Trade D25-2-BRUT") & (owed["payment_kind"] == "VAT")].iloc[0]
    sent = demo_runs.estate["dispatches"]
    mine = sent[(sent["release_lot"] == "D25-2-BRUT") & (sent["on_date"] == "2025-12-31")].iloc[0]
    duty = 9.85 * 0.75 / 100  # per hl of the channel
    assert row["amount"] == pytest.approx(-0.20 * mine["bottles"] * (mine["net_price"] + duty))
    assert str(row["due"].date()) == "2026-01-24"  # 24 days after the end of December
    assert row["place"].startswith("Dispatches!")


def test_cash_in_less_out_is_the_change_of_the_balance(demo_runs, answer) -> None:
    months = answer["cash_by_month"]
    start = demo_runs.estate.settings.bank_balance
    balance = np.concatenate([[start], months["cash_balance"]])
    np.testing.assert_allclose(np.diff(balance), months["cash_change"], atol=1e-6)
    np.testing.assert_allclose(months["cash_in"] + months["cash_out"], months["cash_change"], atol=1e-6)
    kinds = answer["cash_by_kind"].filter(like="cash:").sum(axis=1)
    np.testing.assert_allclose(kinds, months["cash_change"], atol=1e-6)
    assert len(months) == 24
    assert len(answer["cash_paid"]) == 12


def test_debt_changes_by_what_is_drawn_and_repaid(demo_runs) -> None:
    found = budget(demo_runs)
    planned = found.periods.planned
    at = found.periods.of(np.concatenate([one.day for one in found.schedules.values()]))
    principal = np.concatenate([one.principal for one in found.schedules.values()])
    inside = at >= 0
    paid = np.bincount(at[inside], principal[inside], found.periods.count)[planned]
    change = (found.drawn.drawn - found.drawn.repaid).sum(axis=0) - paid
    np.testing.assert_allclose(np.diff(found.debt), change[1:], atol=1e-6)


def test_the_worst_month_is_traced_to_its_rows(answer, demo_runs) -> None:
    months = answer["cash_by_month"]
    least = (months["cash_balance"] + months["cash_headroom"]).idxmin()
    assert answer.facts["worst"] == months["cash_month"][least] == "2026-10"
    lines = answer["worst_month"]
    assert lines["place"].str.match(r"[\w ]+![A-Z]+\d+").all()
    assert (lines["due"].dt.strftime("%Y-%m") == "2026-10").all()
    assert answer.says[0].startswith("Worst month: 2026-10")
    promised = [finding for finding in answer.findings if "falls below what is promised" in finding.rule]
    assert len(promised) == 1
    assert promised[0].place.startswith("Loans!")


def test_postings_by_the_day_paid_are_those_of_the_engine(demo_runs) -> None:
    found = posted_entries(demo_runs.book)
    charges = demo_runs.book.charges
    apart = [TABLE_NAMES.index(name) for name in ("pools", "opening_costs")]
    whole = pd.concat(
        [
            pd.DataFrame({"table": part.table, "paid": part.paid, "amount": part.amount})
            for part in (charges.postings, charges.expensed)
        ]
    )
    engine = whole[~whole["table"].isin(apart)].groupby("paid")["amount"].sum()
    own = pd.Series(-found.amount).groupby(found.paid).sum()
    np.testing.assert_allclose(own.reindex(engine.index).fillna(0.0), engine, atol=1e-6)


def test_a_pool_costs_its_amount_over_its_period(house, demo_runs) -> None:
    found = budget(demo_runs)
    of_pools = found.entries.table == TABLE_NAMES.index("pools")
    pools = found.entries.take(of_pools & (found.entries.paid <= demo_runs.today))
    table = demo_runs.estate["pools"]
    over = table["to_date"].to_numpy() <= np.datetime64("2025-12-31")
    spent = np.bincount(pools.row, -pools.amount, len(table))
    np.testing.assert_allclose(spent[over], table["amount"].to_numpy()[over])


def test_capital_is_interest_and_two_differences(demo_runs) -> None:
    lines = interest_and_capital(demo_runs, budget(demo_runs)).set_index("interest_line")["amount"]
    assert lines.iloc[:3].sum() == pytest.approx(lines["capital charged to stock"])
    assert lines["interest of the loans"] > 0


def test_stock_of_the_pledged_place_is_marked(demo_runs) -> None:
    from costing.accounts.stock import stock

    lots = stock(demo_runs)["stock_value"]
    pledged = lots["pledged_to"] == "Stock line"
    assert ((lots["kind"] == "on lees") & (lots["location"] == "Cellar 1"))[pledged].all()
    assert (
        lots.loc[(lots["kind"] == "on lees") & (lots["location"] == "Cellar 1"), "pledged_to"] == "Stock line"
    ).all()
    assert (lots.loc[lots["kind"] == "reserve", "pledged_to"] == "Harvest loan").all()
    assert (lots.loc[lots["kind"] == "finished", "pledged_to"] == "").all()


def test_the_base_is_advances_on_what_is_eligible(answer) -> None:
    lent = answer["lent_on_stock"]
    np.testing.assert_allclose(lent["lent"], lent["advance"] * (lent["stock_at_cost"] - lent["not_eligible"]))
    now = answer["loans_now"].set_index("loan").loc["Stock line"].iloc[0]
    mine = lent.loc[lent["loan"] == "Stock line", "lent"].sum()
    assert now["borrowing_base"] == pytest.approx(mine)
    assert now["headroom_now"] == pytest.approx(min(mine, 420_000) - 260_000)


def test_other_payments_fall_on_their_days(small_house) -> None:
    rows = [
        {"from_date": "2026-01-31", "to_date": "2026-12-31", "every_months": 3, "what": "Rent", "amount": 4_500},
        {"from_date": "2026-05-02", "what": "Grant", "amount": -800, "kind": "other"},
    ]
    found = budget(small_house.replace(other_payments=pd.DataFrame(rows)).runs)
    mine = found.entries.take(found.entries.table == TABLE_NAMES.index("other_payments"))
    paid = dict(zip(mine.paid.astype("datetime64[D]").astype(str), mine.amount, strict=True))
    days = ["2026-01-31", "2026-04-30", "2026-07-31", "2026-10-31"]
    assert paid == {**dict.fromkeys(days, -4_500.0), "2026-05-02": 800.0}


def test_a_planned_sale_without_any_price_is_counted_and_left_out(small_house) -> None:
    """100 bottles of rosé at the cellar door have no price of their own."""
    changed = small_house.replace(price_list=lambda table: table[table["cuvee"] != "Rosé"])
    found = cash(changed.runs)
    said = [finding for finding in found.findings if "no price and no list price" in finding.rule]
    assert len(said) == 1
    assert "100 bottles are left out" in said[0].rule


def test_without_loans_what_is_missing_is_said(small_house) -> None:
    changed = small_house.replace(loans=lambda table: table.iloc[:0])
    found = cash(changed.runs)
    assert "loans_now" not in found.tables
    assert "cash_headroom" not in found["cash_by_month"]
    assert any("falls short of what is kept" in finding.rule for finding in found.findings)


def test_a_valuation_date_inside_a_month_cuts_it(house) -> None:
    settings = house.frames()["settings"]
    column = settings.columns[0]
    moved = settings.assign(**{settings.columns[1]: settings[settings.columns[1]].where(
        settings[column] != "Valuation date", "2025-11-12")})  # fmt: skip
    periods = periods_of(house.replace(settings=moved).runs, 3)
    ends = [str(day) for day in periods.edge[1:].astype("datetime64[D]")]
    assert ends[-5:] == ["2025-11-12", "2025-11-30", "2025-12-31", "2026-01-31", "2026-02-28"]
    assert periods.months[-5] == pytest.approx(12 / 30)


WRONG = [
    ({**LINE, "loan": "Over", "due_date": "2023-01-15"}, "C2", "is not after 'From'."),
    ({**LINE, "loan": "Twice"}, None, ""),
    ({**LINE, "loan": "Twice", "from_date": "2028-01-15", "due_date": "2030-01-15"}, "B4", "the row of 'Twice' at"),
    ({**LINE, "loan": "Sixty", "advance_on_lees": 60.0}, "H5", "120 % of it would be lent."),
    ({**LINE, "loan": "Sixty more", "advance_on_lees": 60.0}, "H6", "120 % of it would be lent."),
    ({**LINE, "loan": "Too much", "advance_on_wine": 120.0}, "I7", "100 %"),
    ({**LOAN, "loan": "At once", "repayment": "at once", "drawn": 5.0}, "J8", "that is not repaid at will"),
    ({**LOAN, "loan": "Sevens", "payment_months": 7}, "G9", "does not divide the months from 'From' to 'Due'."),
    ({**LINE, "loan": "Elsewhere", "location": "Dep"}, "K10", "is no place in which a lot lies."),
    ({**LINE, "loan": "Later", "from_date": "2026-06-01", "drawn": 5.0}, "J11", "is owed at the valuation date"),
]


def test_what_is_wrong_with_loans_is_said_each_at_its_cell(small_runs) -> None:
    with pytest.raises(InputError) as refused:
        House(small_runs.estate).replace(loans=pd.DataFrame([row for row, _, _ in WRONG]))
    found = {finding.place: str(finding) for finding in refused.value.findings if finding.severity == "error"}
    said = {f"Loans!{cell}": rule for _, cell, rule in WRONG if cell}
    assert set(found) == set(said)
    for cell, rule in said.items():
        assert rule in found[cell]


def test_terms_that_do_not_make_the_whole_are_refused(small_runs) -> None:
    with pytest.raises(InputError, match="not 100 %"):
        House(small_runs.estate).replace(terms=lambda table: table.iloc[1:])


def test_the_command_prints_and_writes(book, capsys, monkeypatch) -> None:
    monkeypatch.setenv("COLUMNS", "100")
    assert main(["cash", str(book), "--months", "6", "--write"]) == 0
    printed = capsys.readouterr().out
    assert "Cash by month, as planned (EUR)" in printed
    assert max(map(len, printed.splitlines())) <= 110
    assert printed.count("\n2026-") >= 6


def test_every_figure_of_the_demo_is_as_kept(demo_runs) -> None:
    assert differences("demo", ["cash"], demo_runs) == []
