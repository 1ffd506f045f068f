"""Values of many dates at once are those of a run that ends on each of them and knows nothing later."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from costing import BOOK, ECONOMIC, CostingError, Estate, Results, read_estate, run, trace
from costing.graph.arrays import STAGES
from costing.inputs.basis import Basis
from costing.results.late import late_postings
from costing.results.roll_forward import exits, roll_forward
from costing.results.stock import open_states, stock_values, values_at
from tests.form import chosen
from tests.properties.estates import estate_drawn

LATER_RATE = ECONOMIC.replace(name="in the cellar", capital_stages=("reserve", "on lees"), abnormal_loss="expensed")
BASES = (BOOK, ECONOMIC, LATER_RATE)
DATED = {
    "deliveries": "on_date",
    "pressings": "on_date",
    "movements": "on_date",
    "tirage": "on_date",
    "disgorgements": "on_date",
    "dispatches": "on_date",
    "costs": "on_date",
    "stocktakes": "on_date",
}


def known_by(estate: Estate, day: np.datetime64) -> Estate:
    """The estate as its books stood at the end of a day: no later row, no premium fixed later."""
    tables = {**estate.tables}
    for name, column in DATED.items():
        tables[name] = tables[name][tables[name][column].to_numpy() <= day].reset_index(drop=True)
    received = tables["deliveries"]
    unknown = (received["premium_date"] > pd.Timestamp(day)).to_numpy()
    tables["deliveries"] = received.assign(premium_per_unit=np.where(unknown, np.nan, received["premium_per_unit"]))
    fixed = tables["opening_costs"]["incurred_date"].to_numpy()
    tables["opening_costs"] = tables["opening_costs"][~(fixed > day)].reset_index(drop=True)
    settings = estate.settings.model_copy(update={"valuation_date": day.astype("datetime64[D]").item()})
    return replace(estate, settings=settings, tables=tables)


def without_pools(estate: Estate) -> Estate:
    """An open period of a pool is shared out by what is known: it may differ between two valuation dates."""
    return replace(estate, tables={**estate.tables, "pools": estate["pools"].iloc[:0]})


@pytest.fixture(scope="module")
def demo(demo_runs) -> dict[str, Results]:
    return {basis.name: demo_runs.on(basis) for basis in BASES}


def compare(estate: Estate, basis: Basis, days: list[np.datetime64]) -> int:
    """Compare lot by lot and stage by stage; returns how many late costs were left out."""
    results, late = run(estate, basis), 0
    found = stock_values(results, days, "stage")
    for day in days:
        late += len(late_postings(results, int(day.astype(np.int64))))
        expected = stock_values(run(known_by(estate, day), basis), day, "stage").set_index("lot")
        mine = found[found["date"] == day].set_index("lot")
        assert sorted(mine.index) == sorted(expected.index)
        columns = ["quantity", "value", *(f"stage: {name}" for name in STAGES)]
        columns = [name for name in columns if name in expected and name in mine]
        scale = max(1.0, float(expected["value"].abs().max()))
        difference = (mine.loc[expected.index, columns] - expected[columns]).abs()
        assert difference.max(axis=None) <= 1e-9 * scale
    return late


@pytest.mark.parametrize("basis", BASES, ids=lambda basis: basis.name)
def test_demo_values_know_nothing_later(demo_estate, basis: Basis) -> None:
    estate = without_pools(demo_estate)
    days = [np.datetime64(day) for day in ("2019-02-28", "2021-05-31", "2022-12-31", "2023-01-31")]
    assert compare(estate, basis, days) > 0


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(chosen(full=60, short=2)))
def test_random_values_know_nothing_later(seed: int) -> None:
    estate = without_pools(estate_drawn(seed, 70))
    moved = trace(estate).flows.day
    days = [np.datetime64(int(day), "D") for day in np.quantile(moved, [0.25, 0.5, 0.75])]
    for basis in BASES:
        compare(estate, basis, days)


@pytest.mark.slow
def test_random_estates_have_late_costs() -> None:
    found = 0
    for seed in range(chosen(full=12, short=4)):
        results = run(estate_drawn(seed, 70), BOOK)
        last = int(results.chain.horizon_day)
        found += sum(len(late_postings(results, day)) for day in range(last - 900, last, 30))
    assert found > chosen(full=20, short=5)


@pytest.mark.parametrize("basis", [basis.name for basis in BASES])
def test_many_dates_are_each_date_alone(demo: dict[str, Results], basis: str) -> None:
    days = pd.date_range("2018-01-31", "2025-12-31", freq="ME").to_numpy()
    whole = stock_values(demo[basis], list(days))
    for day in days[::17]:
        alone = stock_values(demo[basis], day)
        mine = whole[whole["date"] == day].reset_index(drop=True)
        pd.testing.assert_frame_equal(mine, alone, rtol=1e-12)


@pytest.mark.parametrize("basis", [basis.name for basis in BASES])
@pytest.mark.parametrize("by", ["stage", "element"])
def test_stages_and_elements_add_up_to_the_value(demo: dict[str, Results], basis: str, by: str) -> None:
    table = stock_values(demo[basis], ["2019-02-28", "2023-01-31", "2025-12-31"], by)
    plain = stock_values(demo[basis], ["2019-02-28", "2023-01-31", "2025-12-31"])
    parts = table.iloc[:, list(table.columns).index("value_per_unit") + 1 :]
    assert np.allclose(parts.sum(axis=1), plain["value"], rtol=1e-10)
    assert ("element: capital" in parts.columns) == (by == "element" and basis != "book")


def test_columns_of_a_date_add_up_to_its_value(demo: dict[str, Results]) -> None:
    day = int(np.datetime64("2023-01-31").astype(np.int64))
    for results in demo.values():
        state = open_states(results, day)
        lots = results.chain.lots.names[results.chain.states.lot[state]]
        value = stock_values(results, "2023-01-31").set_index("lot")["value"]
        assert np.allclose(values_at(results, state, day).sum(axis=1), value[lots], rtol=1e-10)


def test_states_are_numbered_in_the_order_of_their_start(demo: dict[str, Results]) -> None:
    assert (np.diff(demo["book"].chain.states.start) >= 0).all()
    for seed in range(5):
        assert (np.diff(trace(estate_drawn(seed, 60)).states.start) >= 0).all()


def test_what_a_lot_is_stands_beside_its_value(demo: dict[str, Results]) -> None:
    stock = stock_values(demo["book"], "2025-12-31").set_index("lot")
    bottles = stock.loc["T23-BRUT"]
    bottled = demo["book"].estate["tirage"].set_index("to_lot").loc["T23-BRUT"]
    assert (bottles["kind"], bottles["unit"], bottles["format"]) == ("on lees", "bottles", "bottle")
    assert (bottles["location"], bottles["tirage"]) == (bottled["location"], bottled["on_date"])
    months = (2025 - bottled["on_date"].year) * 12 + 12 - bottled["on_date"].month
    assert (bottles["months_on_lees"], bottles["years_on_lees"]) == (months, months // 12)
    assert bottles["value_per_unit"] == pytest.approx(bottles["value"] / bottles["quantity"])
    assert np.isnan(stock.loc["R-PERP", "months_on_lees"])


def test_dates_after_the_records_and_unknown_groups_are_refused(demo: dict[str, Results]) -> None:
    results = demo["book"]
    with pytest.raises(CostingError, match="Enter a later valuation date"):
        stock_values(results, np.datetime64(results.chain.horizon_day + 1, "D"))
    with pytest.raises(CostingError, match="by stage or by element"):
        stock_values(results, by="lot")
    with pytest.raises(CostingError, match="2025-12-31"):
        stock_values(results, "end of year")
    assert len(stock_values(results, "1990-01-01")) == 0


def test_a_late_invoice_on_bottles_sold_is_cost_of_goods_sold_when_incurred() -> None:
    """10,000 bottles bought for 50,000, 4,000 sold in June, a late invoice of 1,000 in September on the lot
    before: 0.10 a bottle, 400 of it sold."""
    estate = read_estate(
        {
            "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-12-31"]}),
            "cuvees": pd.DataFrame({"Cuvée": ["Brut"]}),
            "deliveries": pd.DataFrame(
                {
                    "Date": ["2025-01-01"],
                    "Lot": ["A"],
                    "What": ["finished"],
                    "Quantity": [10_000],
                    "Unit": ["bottles"],
                    "Price per unit": [5.0],
                    "Format": ["bottle"],
                    "Final premium per unit": [0.1],
                    "Premium date": ["2025-09-15"],
                }
            ),
            "movements": pd.DataFrame(
                {
                    "Date": ["2025-05-01"],
                    "Operation": ["downgrading"],
                    "From lot": ["A"],
                    "Out (bottles)": [10_000],
                    "To lot": ["B"],
                    "Cuvée": ["Brut"],
                    "In (bottles)": [10_000],
                }
            ),
            "dispatches": pd.DataFrame(
                {"Date": ["2025-06-10"], "Release lot": ["B"], "Channel": ["Trade"], "Bottles (bottles)": [4_000]}
            ),
            "channels": pd.DataFrame({"Channel": ["Trade"], "Way out": ["sale"]}),
        }
    )
    results = run(estate, BOOK)
    cost = {month: exits(results, f"2025-{month:02d}-01", f"2025-{month:02d}-28")["cost"].sum() for month in (6, 8, 9)}
    assert cost == {6: pytest.approx(20_000), 8: 0.0, 9: pytest.approx(400)}
    for day, value in (("2025-06-30", 30_000), ("2025-09-14", 30_000), ("2025-09-15", 30_600)):
        assert stock_values(results, day)["value"].sum() == pytest.approx(value)
    table = roll_forward(results, "2025-08-31", "2025-09-30").set_index("stage").loc["total"]
    assert (table["put_in"], table["exits"]) == (pytest.approx(1_000), pytest.approx(-400))
