"""A year closed and the next opened: the same figures, whatever the estate; later edits show and change
nothing closed.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import openpyxl
import pandas as pd
import pytest

from costing import BOOK, ECONOMIC, CostingError, InputError, read_estate, run
from costing.cli import main
from costing.decisions.closing.closed_years import closed_year_cautions, closed_year_edits
from costing.decisions.closing.closing import close_year, closing_findings, with_closing
from costing.decisions.closing.next_year import open_year
from costing.inputs.estate import as_table
from costing.model import Runs
from costing.money.postings import MONEY_COLUMNS
from costing.results.amounts_charged import amounts_charged
from costing.results.composition import Composition
from costing.results.costs import releases
from costing.results.origins import release_states
from costing.results.quantities import quantity_roll_forward
from costing.results.roll_forward import exits, expensed_at_once, roll_forward
from costing.results.stock import stock_values
from tests.commands.books import typed
from tests.form import chosen, every, in_full
from tests.properties.estates import random_estate

pytestmark = pytest.mark.slow

CLOSED = date(2024, 12, 31)


def closed_on(estate, on):
    frozen = with_closing(estate, close_year(estate, on, estate.settings.accounts_approved_on))
    return replace(estate, tables={**estate.tables, **{name: as_table(name, table) for name, table in frozen.items()}})


@pytest.fixture(scope="module")
def demo(demo_estate):
    return closed_on(demo_estate, CLOSED)


@pytest.fixture(scope="module")
def small(small_runs):
    return closed_on(small_runs.estate, CLOSED)


@pytest.mark.parametrize("basis", every(2, [BOOK, ECONOMIC, ECONOMIC.replace(name="at 12 %", rate=None)]))
def test_the_next_workbook_has_the_same_figures(demo, basis) -> None:
    old, new = run(demo, basis), run(open_year(demo, CLOSED), basis)
    before, after = (releases(results).set_index("release")["total"] for results in (old, new))
    assert len(after) > 20
    assert np.allclose(before[after.index], after, rtol=1e-9)
    for day in ("2025-01-01", "2025-02-10", "2025-12-31", "2027-06-30"):
        here, there = (stock_values(results, day).set_index("lot")["value"] for results in (old, new))
        assert set(here.index) == set(there.index)
        assert np.allclose(here, there[here.index], rtol=1e-9)
    same_after(old, new, np.datetime64(CLOSED), np.datetime64("2025-12-31"))


def test_composition_and_age_go_on(demo) -> None:
    following = open_year(demo, CLOSED)
    old, new = run(demo, BOOK), run(following, BOOK)
    for lot in ("D25-3-BRUT", "D25-2-PREST"):
        here, there = (release_states(results, lot)[0] for results in (old, new))
        first, second = Composition(demo, old.chain), Composition(following, new.chain)
        for attribute in ("vintage", "variety", "village"):
            one = first.shares(np.array([here]), attribute).iloc[0]
            other = second.shares(np.array([there]), attribute).iloc[0]
            assert np.allclose(one[one > 1e-9], other.reindex(one.index[one > 1e-9]), atol=1e-9)
        assert first.reserve[here] == pytest.approx(second.reserve[there], abs=1e-9)
        assert first.second_pressing[here] == pytest.approx(second.second_pressing[there], abs=1e-9)
    months = [releases(results).set_index("release")["months_on_lees"]["D25-2-PREST"] for results in (old, new)]
    assert months[0] == months[1]


@pytest.mark.parametrize("seed", range(chosen(full=200, short=2)))
def test_random_estates_close_and_open(seed) -> None:
    pools = seed % 2 == 1
    estate = read_estate(_without(random_estate(seed, 60), "" if pools else "pools"))
    days = run(estate, BOOK).chain.flows.day
    middle = np.datetime64(int(np.quantile(days, 0.35 if pools else 0.6)), "D").astype(date)
    on = date(middle.year, 12, 31) if pools else middle
    closed = closed_on(estate, on)
    following = open_year(closed, on)
    for basis in (BOOK, ECONOMIC):
        old, new = run(closed, basis), run(following, basis)
        before, after = (releases(results).set_index("release")["total"] for results in (old, new))
        assert np.allclose(before[after.index], after, rtol=1e-9, atol=1e-9), (seed, basis.name)
        end = max(np.datetime64(int(min(old.chain.horizon_day, new.chain.horizon_day)), "D"), np.datetime64(on))
        here, there = (stock_values(results, end).set_index("lot")["value"] for results in (old, new))
        assert np.allclose(here, there.reindex(here.index), rtol=1e-9, atol=1e-9), (seed, basis.name)
        same_after(old, new, np.datetime64(on), end)


@pytest.mark.parametrize("seed", range(chosen(full=60, short=1)))
def test_plans_bear_the_last_period_of_a_pool_in_the_next_workbook_too(seed) -> None:
    """Once the opened workbook had no last period to carry on, and plans bore nothing."""
    tables = random_estate(seed, 90, plan_days=300)
    valued = pd.Timestamp(tables["settings"].set_index("Setting")["Value"]["Valuation date"])
    on = (valued - pd.Timedelta(days=60)).date()
    begun = tables["pools"][tables["pools"]["From"] <= pd.Timestamp(on)]
    tables["pools"] = begun.assign(To=begun["To"].clip(upper=pd.Timestamp(on)))
    closed = closed_on(read_estate(tables), on)
    following = open_year(closed, on)
    assert len(following["pools"])
    for basis in (BOOK, ECONOMIC):
        old, new = run(closed, basis), run(following, basis)
        before, after = (releases(results).set_index("release")["total"] for results in (old, new))
        assert np.allclose(before[after.index], after, rtol=1e-9, atol=1e-9), (seed, basis.name)
        end = np.datetime64(int(min(old.chain.horizon_day, new.chain.horizon_day)), "D")
        here, there = (stock_values(results, end).set_index("lot")["value"] for results in (old, new))
        assert np.allclose(here, there.reindex(here.index), rtol=1e-9, atol=1e-9), (seed, basis.name)
        same_after(old, new, np.datetime64(on), end)


def test_a_service_pool_and_a_pool_without_normal_capacity_go_along() -> None:
    year = {"From": "2024-01-01", "To": "2024-12-31", "Element": "overhead"}
    lees = {"Lot": "S", "Kind": "on lees", "Date": "2023-12-31", "Quantity": 100, "Unit": "bottles", "Format": "bottle"}
    put_out = {"Release lot": "D", "From lot": "S"}
    tables = {
        "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-06-30"]}),
        "opening_stock": pd.DataFrame([lees]),
        "disgorgements": pd.DataFrame(
            [
                {"Date": "2024-06-01", **put_out, "Bottles in": 40},
                {"Date": "2025-12-01", **put_out, "Release lot": "E", "Bottles in": 60},
            ]
        ),
        "pools": pd.DataFrame(
            [
                {**year, "Pool": "Line", "Amount": 80.0, "Driver": "bottle in"},
                {**year, "Pool": "Power", "Amount": 20.0, "Serves": "Line"},
            ]
        ),
    }
    old = closed_on(read_estate(tables), CLOSED)
    new = open_year(old, CLOSED)
    assert new["pools"]["normal_capacity"].tolist()[0] == 40.0
    for estate in (old, new):
        made = releases(run(estate, BOOK)).set_index("release")
        assert made.loc["E", "total"] == pytest.approx(60 * 100 / 40)
        charged = amounts_charged(run(estate, BOOK))
        assert not charged["idle"].any()  # what was over when the records begin is nobody's loss


def same_after(old, new, on, end) -> None:
    """Whatever leaves after the closing costs the same, way out by way out, and the roll-forward closes on it."""
    if end <= on:
        return
    for table, keys, money in ((exits, ["way_out", "channel"], "cost"), (expensed_at_once, ["stage"], "amount")):
        sums = [table(results, on + 1, end).groupby(keys)[money].sum() for results in (old, new)]
        both = pd.concat(sums, axis=1, keys=["old", "new"]).fillna(0.0)
        assert np.allclose(both["old"], both["new"], rtol=1e-9, atol=1e-9), both
    totals = [roll_forward(results, on, end).set_index("stage").loc["total"] for results in (old, new)]
    for column in ("put_in", "time_charges", "capital", "exits", "losses", "closing", "difference"):
        assert totals[0][column] == pytest.approx(totals[1][column], rel=1e-9, abs=1e-6), column


def test_an_invoice_on_a_release_sold_out_before_the_closing_is_cost_of_goods_sold_of_its_day() -> None:
    lees = {"Lot": "S", "Kind": "on lees", "Date": "2024-01-01", "Quantity": 100, "Unit": "bottles", "Format": "bottle"}
    tables = {
        "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-12-31"]}),
        "opening_stock": pd.DataFrame([lees, {**lees, "Lot": "T"}]),
        "opening_costs": pd.DataFrame({"Lot": ["S"], "Amount": [1000.0]}),
        "disgorgements": pd.DataFrame([{"Date": "2024-06-01", "Release lot": "D", "From lot": "S", "Bottles in": 100}]),
        "dispatches": pd.DataFrame([{"Date": "2024-12-20", "Release lot": "D", "Channel": "Trade", "Bottles": 100}]),
        "costs": pd.DataFrame([{"Date incurred": "2025-01-15", "Lot": "D", "Element": "labour", "Amount": 500.0}]),
    }
    old = closed_on(read_estate(tables), CLOSED)
    for estate in (old, open_year(old, CLOSED)):
        left = exits(run(estate, BOOK), "2025-01-01", "2025-12-31")
        assert left[["way_out", "channel", "quantity", "cost"]].to_numpy().tolist() == [["sale", "Trade", 0.0, 500.0]]
        alone = [("2025-01-01", "2025-01-14"), ("2025-01-15", "2025-01-15"), ("2025-01-16", "2025-12-31")]
        assert [exits(run(estate, BOOK), *period)["cost"].sum() for period in alone] == [0.0, 500.0, 0.0]


def _without(tables, name):
    return {key: table for key, table in tables.items() if key != name}


def _edits(estate):
    return closed_year_edits(Runs(estate))["closed_year_edits"]


def _edited(estate, name, row, column, value):
    frame = estate[name].copy()
    frame.loc[row, column] = value
    return replace(estate, tables={**estate.tables, name: frame})


def test_an_edit_of_a_closed_year_is_one_line_with_its_cell_and_what_it_moves(small) -> None:
    """Cost in = stock + cost of goods sold + expense, so what a dearer invoice moves adds up to the difference."""
    assert not len(_edits(small))
    row = int(np.flatnonzero((small["costs"]["on_date"] < pd.Timestamp(2024, 6, 1)).to_numpy())[-1])
    was = small["costs"]["amount"][row]
    edited = _edited(small, "costs", row, "amount", was + 1_000.0)
    runs = Runs(edited)
    found = closed_year_edits(runs)["closed_year_edits"]
    assert found["place"].tolist() == [small.place("costs", row, "amount")]
    assert found[["as_closed", "as_now"]].to_numpy().tolist() == [[f"{was:,.10g}", f"{was + 1_000:,.10g}"]]
    moved = found[["stock_moved", "goods_sold_moved", "expense_moved"]].sum(axis=1)
    assert moved.tolist() == pytest.approx([1_000.0])
    said = closed_year_cautions(runs)
    assert [(one.place, one.value, one.severity) for one in said] == [
        (found["place"][0], found["as_now"][0], "caution")
    ]
    assert f"was {was:,.10g} when 2024-12-31 was closed" in said[0].rule


def test_a_premium_changed_after_two_closings_is_one_line(demo_estate) -> None:
    """One edit of one grower's premium listed 95 rows, and none of them with its cost of goods sold."""
    twice = closed_on(closed_on(demo_estate, date(2023, 12, 31)), CLOSED)
    prices = twice["grape_prices"]
    row = int(np.flatnonzero(prices["premium_per_kg"].notna().to_numpy())[0])
    edited = _edited(twice, "grape_prices", row, "premium_per_kg", prices["premium_per_kg"][row] + 0.1)
    found = _edits(edited)
    assert found["place"].tolist() == [twice.place("grape_prices", row, "premium_per_kg")]
    assert found["closed_on"].tolist() == [pd.Timestamp(CLOSED)]
    assert found["goods_sold_moved"][0] > 0


def test_an_opening_cost_changed_after_the_closing_is_not_silent(small) -> None:
    """A change of 100,000 was silent, and a second closing replaced the frozen year."""
    edited = _edited(small, "opening_costs", 0, "amount", small["opening_costs"]["amount"][0] + 100_000.0)
    found = _edits(edited)
    assert len(found) == 1
    assert found[["stock_moved", "goods_sold_moved", "expense_moved"]].to_numpy().sum() == pytest.approx(100_000.0)


def test_rows_added_and_taken_out_of_a_closed_year_are_named(small) -> None:
    costs = small["costs"]
    row = int(np.flatnonzero((costs["on_date"] < pd.Timestamp(2024, 6, 1)).to_numpy())[-1])
    source = small.sources["costs"]
    gone = replace(
        small,
        tables={**small.tables, "costs": costs.drop(index=row).reset_index(drop=True)},
        sources={
            **small.sources,
            "costs": replace(source, sheet=np.delete(source.sheet, row), row=np.delete(source.row, row)),
        },
    )
    found = _edits(gone)
    assert found["as_now"].tolist() == ["(row taken out)"]
    assert found[["stock_moved", "goods_sold_moved", "expense_moved"]].to_numpy().sum() == pytest.approx(
        -costs["amount"][row]
    )


def test_a_closing_that_kept_no_rows_is_still_read_and_says_what_moved(small) -> None:
    inputs = small["yearend_inputs"].assign(content=None)
    older = replace(small, tables={**small.tables, "yearend_inputs": as_table("yearend_inputs", inputs)})
    assert not len(_edits(older))
    edited = _edited(older, "opening_costs", 0, "amount", older["opening_costs"]["amount"][0] + 100_000.0)
    found = _edits(edited)
    assert len(found) == 1
    assert "kept no rows" in found["place"][0]


def test_opening_an_unclosed_year_is_refused(small) -> None:
    with pytest.raises(CostingError, match="has not been closed"):
        open_year(small, date(2023, 12, 31))


def test_closing_inside_a_pool_s_period_is_a_caution(small) -> None:
    assert any("still open" in finding.rule for finding in closing_findings(small, date(2024, 6, 30)))


def test_commands_close_and_open(small_book, capsys) -> None:
    old, new = small_book, small_book.with_name("new.xlsx")
    assert main(["close", str(old), "--date", "2024-12-31"]) == 0
    assert {"Year-end stock", "Year-end costs"} <= set(openpyxl.load_workbook(old, read_only=True).sheetnames)
    held = old.read_bytes()
    assert main(["open-year", str(old), str(new), "--date", "2024-12-31"]) == 0
    assert old.read_bytes() == held
    estates = read_estate(old), read_estate(new)
    totals = [releases(run(one, ECONOMIC)).set_index("release")["total"] for one in estates]
    assert len(totals[1])
    assert np.allclose(totals[0][totals[1].index], totals[1], rtol=1e-9)
    assert main(["close", str(old), "--date", "1999-12-31"]) == 1
    assert "nothing is in stock" in capsys.readouterr().err


def test_opening_stock_alone_is_costed_and_written(tmp_path) -> None:
    """Settings, Opening stock and Opening costs, with no press load, bottling or dispatch at all."""
    sheets = {
        "settings": {"Setting": "Valuation date", "Value": "2025-12-31"},
        "opening_stock": {"Lot": "V1", "Kind": "wine", "Date": "2025-12-31", "Quantity": 1000, "Unit": "L"},
        "opening_costs": {"Lot": "V1", "Element": "grapes", "Amount": 3000},
    }
    for name, row in sheets.items():
        pd.DataFrame([row]).to_csv(tmp_path / f"{name}.csv", index=False)
    book = tmp_path / "first.xlsx"
    book.write_bytes(typed(tmp_path))
    assert main(["run", str(book)]) == 0
    moved = quantity_roll_forward(run(read_estate(book), BOOK), "2025-12-30", "2025-12-31")
    assert moved["closing"].tolist() == [1000.0]


@in_full
def test_the_demo_closed_and_opened_runs_without_errors_or_new_cautions(book, capsys) -> None:
    old, new = book, book.with_name("new.xlsx")
    assert main(["close", str(old), "--date", "2025-12-31"]) == 0
    assert main(["open-year", str(old), str(new), "--date", "2025-12-31"]) == 0
    assert main(["run", str(new)]) == 0
    capsys.readouterr()
    found = []
    for book in (old, new):
        assert main(["check", str(book)]) == 0
        found.append({line.split(": ", 2)[2] for line in capsys.readouterr().out.splitlines() if ": " in line})
    assert found[1] <= found[0]  # the rows stand elsewhere; what is said of them is nothing new
    assert main(["scenarios", str(new)]) == 0
    assert "holds no rows yet" in capsys.readouterr().err


def _one_delivery(**more) -> dict[str, pd.DataFrame]:
    settings = {"Valuation date": "2024-12-31", **more.pop("settings", {})}
    delivery = {"Date": "2024-09-10", "Lot": "M", "What": "must", "Quantity": 1000, "Unit": "L", "Price per unit": 6}
    return {
        "settings": pd.DataFrame({"Setting": list(settings), "Value": list(settings.values())}),
        "deliveries": pd.DataFrame([{**delivery, **more}]),
    }


_FIXED_IN_MARCH = {"Final premium per unit": 0.15, "Premium date": "2025-03-20"}


@pytest.mark.parametrize(
    ("approved", "expected", "stock"),
    [(None, None, 6_000.0), ("2025-04-15", None, 6_150.0), ("2025-03-01", None, 6_000.0), (None, 0.12, 6_120.0)],
)
def test_a_premium_fixed_in_march_counts_on_31_december_until_the_accounts_are_approved(
    approved, expected, stock
) -> None:
    """IAS 10.9(b)(ii): amounts determined after the reporting period for assets bought before its end adjust."""
    settings = {"Accounts approved on": approved} if approved else {}
    more = {"Expected premium per unit": expected} if expected else {}
    estate = read_estate(_one_delivery(settings=settings, **_FIXED_IN_MARCH, **more))
    value = {day: stock_values(run(estate, BOOK), day)["value"].sum() for day in ("2024-12-31",)}
    assert value["2024-12-31"] == pytest.approx(stock)
    later = read_estate(_one_delivery(settings={"Valuation date": "2025-06-30"}, **_FIXED_IN_MARCH, **more))
    assert stock_values(run(later, BOOK), "2025-06-30")["value"].sum() == pytest.approx(6_150.0)  # trued up


def test_a_closing_keeps_its_approval_when_the_valuation_date_moves_on() -> None:
    settings = {"Accounts approved on": "2025-04-15"}
    estate = closed_on(read_estate(_one_delivery(settings=settings, **_FIXED_IN_MARCH)), CLOSED)
    moved = estate.settings.model_copy(update={"valuation_date": date(2025, 12, 31), "accounts_approved_on": None})
    later = replace(estate, settings=moved)
    assert stock_values(run(later, BOOK), "2024-12-31")["value"].sum() == pytest.approx(6_150.0)
    assert not len(_edits(later))
    opened = open_year(later, CLOSED)
    assert stock_values(run(opened, BOOK), "2024-12-31")["value"].sum() == pytest.approx(6_150.0)


def test_a_closed_date_is_closed_unless_said_otherwise_and_the_sheet_only_grows(small) -> None:
    refused = closing_findings(small, CLOSED)
    assert any(finding.severity == "error" and "a closed date is closed" in finding.rule for finding in refused)
    assert not [one for one in closing_findings(small, CLOSED, again=True) if one.severity == "error"]
    twice = closed_on(small, CLOSED)
    assert len(twice["yearend_stock"]) == 2 * len(small["yearend_stock"])
    assert len(open_year(twice, CLOSED)["opening_stock"]) == len(small["yearend_stock"])


def test_an_approval_before_the_closing_is_refused() -> None:
    with pytest.raises(InputError, match="before the valuation date") as refused:
        read_estate(_one_delivery(settings={"Accounts approved on": "2024-12-01"}))
    assert [one.place for one in refused.value.findings if one.severity == "error"] == ["Settings!B3"]
    estate = read_estate(_one_delivery(settings={"Accounts approved on": "2025-03-01"}))
    assert any("before the closing" in finding.rule for finding in closing_findings(estate, date(2025, 3, 31)))


@pytest.mark.parametrize("expected", [None, 0.12])
def test_premiums_expected_and_final_are_told_from_the_price(expected) -> None:
    more = {"Expected premium per unit": expected} if expected else {}
    tables = _one_delivery(settings={"Valuation date": "2025-06-30"}, **_FIXED_IN_MARCH, **more)
    tables["interest_rates"] = pd.DataFrame([{"From": "2024-01-01", "Hurdle rate (%)": 8}])
    results = run(read_estate(tables), ECONOMIC)
    amounts, column = results.charges.postings.amount, results.charges.postings.column
    names = ("premium_per_unit", "expected_premium_per_unit")
    final, foreseen = (column == MONEY_COLUMNS.index(("deliveries", name)) for name in names)
    assert amounts[final].tolist() == pytest.approx([30.0 if expected else 150.0])
    assert amounts[foreseen].tolist() == pytest.approx([120.0] if expected else [])
    assert amounts[~final & ~foreseen].tolist() == pytest.approx([6_000.0])
