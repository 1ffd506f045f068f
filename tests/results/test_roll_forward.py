"""Roll-forward of value, cost of goods sold and expenses: every row closes, every column is what its name says."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from costing import BOOK, ECONOMIC, Results, read_estate, run, trace
from costing.inputs.basis import _STAGES, Basis
from costing.results.costs import build_up
from costing.results.late import late_postings
from costing.results.roll_forward import exits, expensed_at_once, roll_forward
from costing.results.stock import stock_values
from costing.results.ways_out import ABNORMAL
from tests.decisions.one_bottling import one_bottling
from tests.form import every
from tests.money.test_entries import pressed
from tests.properties.estates import estate_drawn

WINDOW = ECONOMIC.replace(
    name="part", capital_stages=("on lees", "reserve"), abnormal_loss="expensed", expensed_elements=("energy",)
)
BASES = (BOOK, ECONOMIC, WINDOW)


@pytest.fixture(scope="module")
def demo(demo_runs) -> dict[str, Results]:
    return {basis.name: demo_runs.on(basis) for basis in BASES}


def closes(results: Results, start: object, end: object) -> pd.DataFrame:
    table = roll_forward(results, start, end).set_index("stage")  # type: ignore[arg-type]
    scale = max(1.0, table.loc["total", "closing"], table["put_in"].abs().max())
    assert table["difference"].abs().max() <= 1e-9 * scale
    assert abs(table.loc["total", "from_stages"] + table.loc["total", "to_stages"]) <= 1e-9 * scale
    assert np.allclose(table.loc["total"], table.drop(index="total").sum(), atol=1e-9 * scale)
    return table


@pytest.mark.parametrize("basis", [basis.name for basis in BASES])
@pytest.mark.parametrize(
    ("start", "end"),
    [
        ("2017-12-31", "2029-06-04"),
        ("2022-12-31", "2023-01-31"),
        ("2023-01-31", "2023-02-28"),
        ("2019-03-10", "2019-03-10"),
    ],
)
def test_every_stage_of_the_demo_closes(demo: dict[str, Results], basis: str, start: str, end: str) -> None:
    table = closes(demo[basis], start, end)
    for day, column in ((start, "opening"), (end, "closing")):
        by_stage = stock_values(demo[basis], day).groupby("stage")["value"].sum().reindex(_STAGES, fill_value=0.0)
        assert np.allclose(table[column].drop("total"), by_stage, rtol=1e-10, atol=1e-6)


@pytest.mark.parametrize("seed", every(4, range(12)))
def test_every_stage_of_a_random_estate_closes(seed: int) -> None:
    estate = estate_drawn(seed, 80)
    chain = trace(estate)
    days = np.quantile(chain.flows.day, [0.0, 0.3, 0.55, 0.8, 1.0]).astype(np.int64)
    for basis in BASES:
        results = run(estate, basis, chain)
        for start, end in pairwise(days):
            closes(results, np.datetime64(int(start), "D"), np.datetime64(int(end), "D"))


def test_late_costs_fall_into_the_periods_tried(demo: dict[str, Results]) -> None:
    for day in ("2022-12-31", "2023-01-31"):
        assert len(late_postings(demo["book"], int(np.datetime64(day).astype(np.int64))))
    assert not len(late_postings(demo["book"], int(np.datetime64("2023-06-30").astype(np.int64))))


@pytest.mark.parametrize("basis", [basis.name for basis in BASES])
def test_columns_are_what_other_tables_say(demo: dict[str, Results], basis: str) -> None:
    results = demo[basis]
    table = roll_forward(results, "2021-12-31", "2022-12-31").set_index("stage").loc["total"]
    left, lost = exits(results, "2022-01-01", "2022-12-31"), results.charges.expensed
    away = left["way_out"] != ABNORMAL
    assert table["exits"] == pytest.approx(-left.loc[away, "cost"].sum())
    assert table["losses"] == pytest.approx(-left.loc[~away, "cost"].sum())
    first, last = (int(np.datetime64(day).astype(np.int64)) for day in ("2022-01-01", "2022-12-31"))
    postings = results.charges.postings
    inside = (postings.incurred >= first) & (postings.incurred <= last)
    assert table["put_in"] == pytest.approx(postings.amount[inside].sum())
    apart = expensed_at_once(results, "2022-01-01", "2022-12-31")["amount"].sum()
    timed = sum(
        part.charge.curve.amount(
            np.clip(first - 1, results.chain.states.start[part.states], results.chain.states.end[part.states]),
            np.clip(last, results.chain.states.start[part.states], results.chain.states.end[part.states]),
        )
        @ results.chain.states.quantity[part.states]
        for part in results.charges.accrued
        if part.expensed
    )
    at_once = lost.amount[(lost.incurred >= first) & (lost.incurred <= last)].sum()
    assert apart == pytest.approx(at_once + timed)
    assert (table["capital"] == 0) == (basis == "book")


def test_expenses_name_their_causes(demo: dict[str, Results]) -> None:
    left = exits(demo["book"], "2021-01-01", "2021-12-31")
    lost = left[left["way_out"] == ABNORMAL].set_index("channel")["cost"]
    fallen = lost[lost.index.str.startswith("gauging or count: fallen stack")]
    assert fallen.iloc[0] == lost.max()
    apart = expensed_at_once(demo["book"], "2021-01-01", "2021-12-31")
    assert {"Press house", "Vat hall"} <= set(apart["idle_pool"])
    others = apart[apart["idle_pool"] == ""]
    assert "storage" in set(others["element"])
    charges = demo["book"].charges  # work on wine lost beyond its norm, this year and others
    worked = {str(charges.elements[element]) for element in np.unique(charges.lost.element)}
    assert worked
    assert set(others["element"]) <= {"storage"} | worked
    borne = exits(demo["economic"], "2021-01-01", "2021-12-31")
    assert not (borne["way_out"] == ABNORMAL).any()


def test_sales_stand_apart_from_other_ways_out(demo: dict[str, Results]) -> None:
    results = demo["book"]
    table = exits(results, "2024-01-01", "2024-12-31")
    table = table[table["way_out"] != ABNORMAL]
    sent = results.estate["dispatches"]
    sent = sent[sent["on_date"].dt.year == 2024].groupby("channel", observed=True)["bottles"].sum()
    bottles = table[table["unit"] == "bottles"].set_index("channel")["quantity"]
    assert bottles.to_dict() == pytest.approx(sent.to_dict())
    moved = results.estate["movements"]
    moved = moved[(moved["on_date"].dt.year == 2024) & moved["to_lot"].isna() & (moved["operation"] != "loss")]
    litres = table[table["unit"] == "L"].set_index("channel")["quantity"]
    assert litres.to_dict() == pytest.approx(moved.groupby("operation", observed=True)["out_l"].sum().to_dict())
    assert {"distillation", "tasting samples"} <= set(litres.index)
    assert set(table.loc[table["channel"] == "tasting samples", "way_out"]) == {"samples"}


@pytest.mark.parametrize("basis", [BOOK, ECONOMIC], ids=lambda basis: basis.name)
def test_opening_purchases_and_closing_make_the_cost_of_goods_sold(demo: dict[str, Results], basis: Basis) -> None:
    """Opening stock + purchases and costs − closing stock = cost of goods sold and losses: the equation of a
    period (IAS 2 Inventories, paragraphs 34 and 38, from memory)."""
    results = demo[basis.name]
    table = roll_forward(results, "2023-12-31", "2024-12-31").set_index("stage").loc["total"]
    stock = [stock_values(results, day)["value"].sum() for day in ("2023-12-31", "2024-12-31")]
    put_in = table["put_in"] + table["time_charges"] + table["capital"]
    assert stock[0] + put_in - stock[1] == pytest.approx(exits(results, "2024-01-01", "2024-12-31")["cost"].sum())


def test_a_sale_in_bulk_below_its_cost_shows_its_loss() -> None:
    """1,000 L at 6.00, of which 400 L are sold in bulk for 2,000: 2,400 of cost, a loss of 400."""
    estate = read_estate(
        {
            "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2024-12-31"]}),
            "deliveries": pd.DataFrame(
                {"Date": ["2024-01-10"], "Lot": ["W"], "What": ["wine"], "Supplier": ["M"], "Quantity": [1000],
                 "Unit": ["L"], "Price per unit": [6.0]}
            ),
            "movements": pd.DataFrame(
                {"Date": ["2024-02-20", "2024-03-01"], "Operation": ["bulk sale", "tasting samples"],
                 "From lot": ["W", "W"], "Out (L)": [400, 10], "Proceeds": [2000, None]}
            ),
        }
    )  # fmt: skip
    left = exits(run(estate, BOOK), "2024-01-01", "2024-12-31").set_index("way_out")
    assert left.loc["bulk sale", ["cost", "proceeds", "result"]].tolist() == pytest.approx([2400, 2000, -400])
    assert left.loc["samples", ["proceeds", "result"]].isna().all()


def test_a_release_of_which_no_bottle_came_out_has_no_cost_per_bottle() -> None:
    tables = one_bottling()
    both = {"Date": "2025-03-01", "Release lot": ["D", "E"], "From lot": "T"}
    bottles = {"Bottles in (bottles)": [990, 10], "Bottles out (bottles)": [990, 0]}
    tables["disgorgements"] = pd.DataFrame({**both, **bottles})
    found = build_up(run(read_estate(tables), BOOK))
    assert found[["release", "amount", "per_bottle"]].to_numpy().tolist() == [["D", 8_910.0, 9.0]]


def test_a_cost_expensed_on_the_first_or_last_day_of_a_period_is_in_it() -> None:
    """Opening costs of an element that a basis expenses are so too, on the first lot of all."""
    basis = BOOK.replace(expensed_elements=("labour",))
    opening = {"Date": ["2025-01-01"], "Lot": ["A"], "Kind": ["wine"], "Quantity": [1_000], "Unit": ["L"]}
    tables = {
        "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-12-31"]}),
        "opening_stock": pd.DataFrame(opening),
        "opening_costs": pd.DataFrame({"Lot": ["A"], "Element": ["labour"], "Amount": [70.0]}),
        "costs": pd.DataFrame({"Date incurred": ["2025-03-01"], "Lot": ["A"], "Element": ["labour"], "Amount": [30.0]}),
    }
    results = run(read_estate(tables), basis)
    periods = [("2025-01-01", "2025-02-28"), ("2025-03-01", "2025-03-31"), ("2025-02-01", "2025-03-01")]
    periods += [("2025-01-02", "2025-02-28"), ("2025-03-02", "2025-12-31")]
    found = [expensed_at_once(results, *period)["amount"].sum() for period in periods]
    assert found == pytest.approx([70.0, 30.0, 30.0, 0.0, 0.0])


def test_a_pool_on_the_first_delivery_that_the_basis_expenses_is_not_idle() -> None:
    """8,000 kg of a capacity of 10,000 are used: a fifth of the pool is idle, the rest is expensed as spent."""
    pool = {"From": ["2025-01-01"], "To": ["2025-12-31"], "Pool": ["Scales"], "Amount": [500.0], "Driver": ["kg"]}
    pool |= {"Stage": ["harvest"], "Element": ["overhead"], "Normal capacity": [10_000]}
    settings = pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-12-31"]})
    estate = read_estate({**pressed(), "settings": settings, "pools": pd.DataFrame(pool)})
    found = expensed_at_once(run(estate, BOOK.replace(expensed_elements=("overhead",))), "2025-01-01", "2025-12-31")
    assert dict(zip(found["idle_pool"], found["amount"], strict=True)) == pytest.approx({"": 400.0, "Scales": 100.0})


def test_nothing_is_no_minus_nothing() -> None:
    table = roll_forward(run(read_estate(one_bottling()), BOOK), "2022-02-28", "2025-12-31").drop(columns="stage")
    amounts = table.to_numpy(dtype=float)
    assert not np.signbit(amounts[amounts == 0]).any()


def test_a_cost_on_goods_gone_before_the_records_is_in_the_roll_forward_of_its_own_day() -> None:
    gone = {"element": "labour", "amount": 500.0, "incurred_date": "2025-01-15", "way_out": "sale"}
    opening = {"Date": ["2024-12-31"], "Lot": ["D"], "Kind": ["wine"], "Quantity": [100], "Unit": ["L"]}
    tables = {
        "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-12-31"]}),
        "opening_stock": pd.DataFrame(opening),
        "opening_costs": pd.DataFrame([{**gone, "channel": "Trade"}]),
        "channels": pd.DataFrame({"Channel": ["Trade"]}),
    }
    results = run(read_estate(tables), BOOK)
    ends = ("2025-01-14", "2025-01-15", "2025-12-31")
    found = [closes(results, "2024-12-31", end).loc["total", ["put_in", "exits"]].tolist() for end in ends]
    assert found == [[0.0, 0.0], [500.0, -500.0], [500.0, -500.0]]
