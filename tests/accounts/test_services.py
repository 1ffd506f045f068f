"""What owners of goods pay for work on them, against arithmetic by hand."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from costing import read_estate
from costing.accounts.services import places_of_others
from costing.decisions.cash.cash import cash
from costing.decisions.closing.closed_years import closed_year_edits
from costing.decisions.closing.closing import close_year
from costing.decisions.closing.next_year import open_year
from costing.decisions.plan.from_estate import plan_inputs
from costing.house import House, open_house
from costing.inputs.frames import frames_of
from costing.inputs.load import read_inputs
from costing.model import Runs
from costing.results.place_rules import place_cautions
from tests.golden.customers import tables as customers
from tests.inputs.test_owners import Frames, day, frames

BOTTLE_YEARS = (1200 * 153 + 100 * 121 + 1050 * 30 + 50 * 91) / 365
"""Theirs: 1,200 bottles lie from 1 April to 1 September, then 100 on lees and 1,050 finished; 1,000 go on 1 October."""

PLANNED: dict[str, list[dict[str, object]]] = {
    "loans": [{"loan": "Line", "from_date": day("2025-01-01"), "due_date": day("2028-01-01"), "amount": 9000,
               "rate": 0.04, "repayment": "at will"}],
    "price_by_age": [
        {"cuvee": "Brut", "months_on_lees": 20, "ex_cellar_price": 10.0, "money_date": day("2025-12-31")}
    ],
}  # fmt: skip
"""What a plan under a limit on credit is made from."""


def with_rates(**more: list[dict[str, object]]) -> Frames:
    begin = day("2024-01-01")
    rows: dict[str, list[dict[str, object]]] = {
        "operation_rates": [
            {"from_date": begin, "operation": "reception", "driver": "kg", "amount": 0.1, "element": "transport"},
            {"from_date": begin, "operation": "pressing", "driver": "load", "amount": 50, "element": "energy"},
            {"from_date": begin, "operation": "storage", "driver": "bottle-year", "amount": 0.2, "element": "storage"},
        ],
        "pools": [
            {"from_date": begin, "to_date": day("2024-12-31"), "pool": "Press house", "amount": 6000, "driver": "kg",
             "stage": "pressing", "element": "pressing"},
        ],
        "service_rates": [
            {"from_date": begin, "operation": "pressing", "driver": "kg", "rate": 1.2, "customer_days": 30},
            {"from_date": begin, "operation": "pressing", "driver": "kg", "rate": 0.9, "customer_days": 30,
             "owner": "Neighbour"},
            {"from_date": begin, "operation": "storage", "driver": "bottle-year", "rate": 0.5, "currency": "GBP",
             "currency_rate": 1.2},
        ],
        **more,
    }  # fmt: skip
    return {**frames(), **{name: pd.DataFrame(lines) for name, lines in rows.items()}}


@pytest.fixture(scope="module")
def house() -> House:
    return open_house(with_rates())


def test_an_invoice_is_rate_times_quantity_and_its_margin_is_over_what_the_work_cost(house: House) -> None:
    answer = house.services()
    lines = answer["service_invoices"].set_index(["year", "service"])
    assert lines.loc[("2024", "pressing"), ["quantity", "service_rate", "invoiced"]].tolist() == [2000, 0.9, 1800]
    kept = lines.loc[("2025", "storage")]
    assert kept[["quantity", "invoice_amount", "invoiced"]].tolist() == pytest.approx(
        [BOTTLE_YEARS, 0.5 * BOTTLE_YEARS, 0.6 * BOTTLE_YEARS]
    )
    assert kept["invoice_currency"] == "GBP"
    cost = answer["services_by_kind"].set_index(["year", "service"])["work_cost"]
    assert cost["2024", "reception"] == pytest.approx(200)  # 2,000 kg at 0.10
    assert cost["2024", "pressing"] == pytest.approx(2000 + 50)  # a third of the pool by kilograms, and one load
    assert cost["2025", "storage"] == pytest.approx(0.2 * BOTTLE_YEARS)
    margins = answer["service_margins"].set_index("year")
    assert margins.loc["2024", "service_margin"] == pytest.approx(1800 - 2250)
    assert margins.loc["2025", "places_kept"] == pytest.approx(BOTTLE_YEARS)
    assert margins.loc["2025", "litres_kept_for"] == pytest.approx((1000 * 91 + 100 * 274) / 365)
    assert [one.rule for one in answer.findings] == [
        "no rate for 'reception': 200.00 of work on other people's goods is not invoiced apart."
    ]


def test_their_grapes_cost_nothing_and_their_lots_are_in_no_stock_release_or_cost_of_ours(house: House) -> None:
    assert set(house.stock()["stock_value"]["lot"]) == {"V1", "G2"}
    assert not len(house.cost_per_bottle()["latest_costs"])
    lines = house.runs.book.reconciliation().set_index("line")["amount"]
    # 24,000 + 6,000 of grapes, 700 of reception, the pool, two loads, storage of theirs
    assert lines["Cost in"] == pytest.approx(30_000 + 700 + 6_000 + 100 + 0.2 * BOTTLE_YEARS)
    served = lines["Work on other people's goods, charged to services"]
    assert served == pytest.approx(2250 + 0.2 * BOTTLE_YEARS)
    assert lines["Stock at the end of the records"] == pytest.approx(30_000 + 500 + 4_000 + 50)
    rows = house.amounts_charged()["amounts_charged"].set_index("place")
    assert rows.loc["Pools!D2", ["book_given", "book_stock", "book_services"]].tolist() == [6000, 4000, 2000]


def test_here_lies_what_was_not_handed_back(house: House) -> None:
    held = house.services()["goods_of_others"].set_index("lot")
    assert held["quantity"].to_dict() == {"NV1": 100, "NT1": 100, "ND1": 50}
    assert held.loc["NT1", ["kind", "unit", "location"]].tolist() == ["on lees", "bottles", "Cellar 1"]


def test_cash_holds_the_work_and_what_owners_pay_for_it(house: House) -> None:
    paid = cash(house.runs)["cash_paid"].set_index("cash_month")["cash:services"]
    assert paid["2025-04":"2025-12"].sum() == pytest.approx(paid.sum())
    plain = with_rates(costs=[{"on_date": day("2025-06-01"), "paid_date": day("2026-02-01"), "lot": "NT1",
                               "element": "labour", "amount": 300}])  # fmt: skip
    found = open_house(plain)
    owed = cash(found.runs)["owed_and_owing"].set_index("place")
    assert owed.loc["Costs!E2", "amount"] == -300
    assert "direct costs" in set(found.services()["services_by_kind"]["service"])


def test_what_is_done_for_nobody_is_said() -> None:
    alone = open_house({"settings": frames()["settings"], "deliveries": frames()["deliveries"].iloc[[0]]})
    answer = alone.services()
    assert not len(answer["service_margins"])
    assert "no row of Deliveries" in answer.empty


def test_places_they_take_are_not_free_for_ours() -> None:
    limits = [{"what": "places", "location": "Cellar 1", "most": 5000}]
    ours = {"on_date": day("2025-05-01"), "cuvee": "Brut", "to_lot": "T1", "wine_lot": "V1", "wine_l": 750,
            "format": "bottle", "bottles": 1000, "location": "Cellar 1"}  # fmt: skip
    ages = [{"cuvee": "Brut", "months_on_lees": age, "ex_cellar_price": price, "money_date": day("2025-12-31")}
            for age, price in ((0, 10.0), (60, 14.0))]  # fmt: skip
    found = with_rates(limits=limits, price_by_age=ages)
    found["tirage"] = pd.concat([found["tirage"], pd.DataFrame([ours])], ignore_index=True)
    found["cuvees"] = pd.DataFrame([{"cuvee": "Brut", "category": "non-vintage"}])
    plan = open_house(found).plan()
    assert [one.rule for one in plan.findings if "other owners" in one.rule] == [
        "bottles of other owners take up to 100 of the places of Cellar 1, which are not free for ours."
    ]
    assert plan["places_over_time"]["places_there"].max() == 4900


def test_a_direct_cost_on_their_goods_is_outlay_that_no_plan_decides() -> None:
    """The plan of an estate with a loan ended in a traceback. Rows of theirs stand after our own."""
    later = {"on_date": day("2026-02-01"), "stage": "finishing", "element": "labour"}
    outlay = []
    for lots in ({"V1": 40.0, "NT1": 1.0}, {"V1": 90.0, "NT1": 301.0}):
        costs = [{**later, "lot": lot, "amount": amount} for lot, amount in lots.items()]
        runs = open_house(with_rates(costs=costs, **PLANNED)).runs
        outlay.append(plan_inputs(runs).facts.limits.other_outlay.sum())
    assert outlay[1] - outlay[0] == pytest.approx(300.0)


def test_planned_work_on_their_goods_is_outlay_that_no_plan_decides() -> None:
    """It was left out of what goes out apart from the plan, as if the plan chose when to disgorge for a neighbour."""
    rate = {"from_date": day("2024-01-01"), "operation": "disgorgement", "driver": "bottle in", "element": "labour"}
    planned = {
        "on_date": day("2026-02-01"),
        "release_lot": "ND2",
        "from_lot": "NT1",
        "bottles_in": 60,
        "bottles_out": 60,
    }
    outlay = []
    for amount in (0.0, 2.0):
        tables = with_rates(operation_rates=[{**rate, "amount": amount}], **PLANNED)
        tables["disgorgements"] = pd.concat([tables["disgorgements"], pd.DataFrame([planned])], ignore_index=True)
        outlay.append(plan_inputs(open_house(tables).runs).facts.limits.other_outlay.sum())
    assert outlay[1] - outlay[0] == pytest.approx(2.0 * 60)


def test_goods_of_others_are_carried_into_the_next_year_under_their_owner() -> None:
    closing = dt.date(2024, 12, 31)
    before = read_inputs(with_rates())
    frozen = close_year(before, closing)
    held = frozen["yearend_stock"].set_index("lot")
    assert held["owner"].dropna().to_dict() == {"NV1": "Neighbour"}
    assert held.loc["NV1", "quantity"] == 1000
    assert "NV1" not in set(frozen["yearend_costs"]["lot"])
    closed = read_inputs({**frames_of(before), **{name: part for name, part in frozen.items() if len(part)}})
    assert not len(closed_year_edits(Runs(closed))["closed_year_edits"])
    opened = open_year(closed, closing)
    assert opened.others is not None
    assert opened.others.owner["NT1"] == "Neighbour"
    one, other = (House(estate).services() for estate in (before, opened))
    last = [answer["service_margins"].query("year == '2025'").iloc[0] for answer in (one, other)]
    assert last[1]["invoiced"] == pytest.approx(last[0]["invoiced"])
    assert other["goods_of_others"]["quantity"].tolist() == one["goods_of_others"]["quantity"].tolist()
    assert other["goods_of_others"]["owner"].tolist() == ["Neighbour"] * 3


def test_rules_of_place_hold_for_goods_of_others_too_each_at_its_cell() -> None:
    """At most 102 L of must per 160 kg: 1,400 L of the neighbour's 2,000 kg are 112 L."""
    found = with_rates()
    found["settings"] = pd.concat(
        [found["settings"], pd.DataFrame([{"setting": "Rule set", "value": "Champagne"}])], ignore_index=True
    )
    kept = open_house(found)
    pressed = found["pressings"].assign(volume_l=[2000.0, 1400.0])
    moves = found["movements"].assign(out_l=[2000.0, 1400.0, None], in_l=[2000.0, 1400.0, None])
    pressed_hard = open_house({**found, "pressings": pressed, "movements": moves})
    told = [
        {one.place for one in place_cautions(house.runs.book) if one.place.startswith("Pressings!")}
        for house in (kept, pressed_hard)
    ]
    assert told == [set(), {"Pressings!F3"}]
    assert pressed_hard.stock().main.equals(kept.stock().main)


def test_wine_in_vats_and_dressed_bottles_take_no_place_on_lees() -> None:
    """345 bottles and 140 magnums lie in Deep; before September, 945 and 200."""
    runs = Runs(read_estate(customers()))
    days = np.array([runs.today - 200, runs.today])
    assert places_of_others(runs, days, ("Hall", "Deep")).tolist() == [[0.0, 0.0], [1345.0, 625.0]]


def test_a_service_free_of_charge_is_invoiced_at_nothing() -> None:
    free = [{"from_date": day("2024-01-01"), "operation": "pressing", "driver": "kg", "rate": 0.0, "customer_days": 30}]
    lines = open_house(with_rates(service_rates=free)).services()["service_invoices"]
    assert (lines["invoiced"].fillna(0.0) == 0.0).all()


def test_work_that_costs_nothing_and_is_free_pays() -> None:
    free = [{"from_date": day("2024-01-01"), "operation": "pressing", "driver": "kg", "rate": 0.0, "customer_days": 30}]
    tables = with_rates(service_rates=free)
    for sheet in ("operation_rates", "dry_goods", "pools", "costs"):
        tables.pop(sheet, None)
    margins = open_house(tables).services()["service_margins"]
    assert set(margins["service_margin"]) == {0.0}
    assert set(margins["service_pays"]) == {"pays"}


def with_another(**more: list[dict[str, object]]) -> Frames:
    """With grapes of another owner, which came first of all and lie untouched."""
    tables = with_rates(**more)
    came = {"on_date": day("2024-01-02"), "lot": "A1", "what": "grapes", "quantity": 100, "unit": "kg"}
    rows = [*tables["deliveries"].to_dict("records"), {**came, "owner": "Another"}]
    return {**tables, "deliveries": pd.DataFrame(rows)}


def test_a_rate_of_one_owner_alone_is_invoiced_to_nobody_else() -> None:
    begin = day("2024-01-01")
    rates: list[dict[str, object]] = [
        {"from_date": begin, "operation": "reception", "driver": "kg", "rate": 0.3, "owner": "Another"},
        {"from_date": begin, "operation": "pressing", "driver": "kg", "rate": 0.9, "owner": "Neighbour"},
        {"from_date": begin, "operation": "pressing", "driver": "kg", "rate": 1.2},
    ]
    lines = open_house(with_another(service_rates=rates)).services()["service_invoices"]
    invoiced = lines.groupby(["owner", "service"])["invoiced"].sum()
    assert invoiced["Another", "reception"] == pytest.approx(30.0)
    assert set(invoiced[invoiced > 0].index) == {("Another", "reception"), ("Neighbour", "pressing")}


def test_each_owner_has_lines_of_its_own_in_the_order_of_names() -> None:
    tables = with_another()
    answer = open_house(tables).services()
    lines = answer["service_margins"][["year", "owner"]].to_numpy().tolist()
    assert lines == [["2025", "Neighbour"], ["2024", "Another"], ["2024", "Neighbour"]]
    assert "A1" in answer["goods_of_others"]["lot"].tolist()


def test_their_bottles_take_places_though_they_lie_here_first_of_all() -> None:
    sheets = {
        "Settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-12-31"]}),
        "Cuvées": pd.DataFrame({"Cuvée": ["Brut"]}),
        "Opening stock": pd.DataFrame(
            {"Date": ["2025-06-30"], "Lot": "N", "Kind": "on lees", "Quantity": 90, "Unit": "bottles",
             "Format": "magnum", "Cuvée": "Brut", "Tirage date": "2024-04-01", "Location": "Deep", "Owner": "Neighbour"}
        ),
    }  # fmt: skip
    runs = Runs(read_estate(sheets))
    assert places_of_others(runs, np.array([runs.today - 1]), ("Hall", "Deep")).tolist() == [[0.0], [180.0]]


def test_amounts_of_less_than_one_are_invoiced_cost_and_said_like_any_other() -> None:
    """2,000 kg at 0.00025 a kilo, on a load for 0.25; received for 0.40, which nothing invoices."""
    begin = {"from_date": day("2024-01-01")}
    rates = [{"operation": "reception", "driver": "kg", "amount": 0.0002, "element": "transport"},
             {"operation": "pressing", "driver": "load", "amount": 0.25, "element": "energy"}]  # fmt: skip
    tables = with_rates(
        operation_rates=[{**begin, **rate} for rate in rates],
        service_rates=[{**begin, "operation": "pressing", "driver": "kg", "rate": 0.00025, "customer_days": 30}],
    )
    del tables["pools"]
    answer = open_house(tables).services()
    by_kind = answer["services_by_kind"].set_index("service")[["invoiced", "work_cost", "margin_of_invoice"]]
    assert by_kind.loc["pressing"].tolist() == pytest.approx([0.50, 0.25, 0.5])
    assert by_kind.loc["reception"].tolist() == pytest.approx([0.0, 0.40, np.nan], nan_ok=True)
    assert [one.rule for one in answer.findings] == [
        "no rate for 'reception': 0.40 of work on other people's goods is not invoiced apart."
    ]


def test_work_on_the_valuation_day_itself_is_done_and_has_cost() -> None:
    """Their grapes come and are pressed on that day; all else is still planned."""
    tables = with_rates()
    tables["settings"] = tables["settings"].replace("2025-12-31", "2024-09-11")
    cost = open_house(tables).services()["services_by_kind"].set_index("service")["work_cost"]
    assert cost["reception"] == pytest.approx(200)
    assert cost["pressing"] >= 50


def test_quarter_bottles_are_kept_in_places_and_not_in_litres(house: House) -> None:
    tables = with_rates()
    tables["tirage"] = tables["tirage"].assign(format="quarter")
    kept = open_house(tables).services()["service_margins"].set_index("year").loc["2025"]
    whole = house.services()["service_margins"].set_index("year").loc["2025"]
    assert kept["places_kept"] == pytest.approx(BOTTLE_YEARS * 0.20 / 0.75)
    assert kept["litres_kept_for"] == pytest.approx(whole["litres_kept_for"])


def test_the_last_bottle_of_theirs_still_lies_here_and_what_comes_later_does_not() -> None:
    tables = with_rates()
    moves = tables["movements"]
    tables["movements"] = moves.assign(out_bottles=moves["out_bottles"].replace(1000.0, 1049.0))
    later = {"on_date": day("2026-01-01"), "lot": "N2", "what": "grapes", "quantity": 10, "unit": "kg"}
    tables["deliveries"] = pd.DataFrame([*tables["deliveries"].to_dict("records"), {**later, "owner": "Neighbour"}])
    held = open_house(tables).services()["goods_of_others"].set_index("lot")["quantity"]
    assert held.to_dict() == {"NV1": 100, "NT1": 100, "ND1": 1}
