"""What a lot is: its unit, and the format that it keeps from move to move."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from costing import BOOK, read_estate, run, trace
from costing.graph.arrays import FORMATS
from costing.results.stock import stock_values


def test_magnums_moved_ten_times_are_magnums_still() -> None:
    names = [f"S{number}" for number in range(11)]
    days = pd.date_range("2020-01-01", periods=10, freq="MS")
    moves = {"on_date": days, "operation": "transfer", "from_lot": names[:-1], "to_lot": names[1:]}
    moves |= {"out_bottles": 100, "in_bottles": 100}
    opening = {"on_date": ["2019-12-31"], "lot": "S0", "kind": "on lees", "quantity": 100.0, "unit": "bottles"}
    estate = read_estate(
        {
            "settings": pd.DataFrame({"setting": ["Valuation date"], "value": ["2021-12-31"]}),
            "opening_stock": pd.DataFrame(opening | {"format": "magnum"}),
            "movements": pd.DataFrame(moves),
        }
    )
    lots = trace(estate).lots
    assert dict(zip(lots.names, lots.litres_per_unit, strict=True)) == dict.fromkeys(names, 1.5)


@pytest.mark.parametrize("rows", [[0, 1], [1, 0]])
def test_work_on_a_lot_comes_before_what_leaves_it_that_day(rows: list[int]) -> None:
    """1,000 L at 6.00 are racked for 500, then 400 L of them moved on: at 6.50, whichever row stands first."""
    bought = {"on_date": ["2023-09-20"], "lot": ["W"], "what": ["wine"], "quantity": 1000, "unit": "L"}
    moves = {"on_date": ["2023-10-20"] * 2, "operation": ["racking", "transfer"], "from_lot": "W"}
    moves |= {"out_l": [1000, 400], "to_lot": ["W", "X"], "in_l": [1000, 400]}
    rates = {"from_date": ["2020-01-01"], "operation": "racking", "driver": "litre", "amount": 0.5, "element": "labour"}
    estate = read_estate(
        {
            "settings": pd.DataFrame({"setting": ["Valuation date"], "value": ["2023-12-31"]}),
            "deliveries": pd.DataFrame(bought | {"price_per_unit": 6.0}),
            "movements": pd.DataFrame(moves).iloc[rows].reset_index(drop=True),
            "operation_rates": pd.DataFrame(rates),
        }
    )
    assert stock_values(run(estate, BOOK))["value"].tolist() == pytest.approx([600 * 6.5, 400 * 6.5])


def test_records_may_begin_before_the_days_are_counted_from() -> None:
    """Days are numbered from 1970: two reserves of 1961, half of either drawn in 1968."""
    opening = {"on_date": "1961-12-31", "lot": ["Q", "R"], "kind": "reserve", "quantity": 500.0, "unit": "L"}
    moves = {"on_date": "1968-05-01", "operation": "bulk sale", "from_lot": ["Q", "R"], "out_l": 250.0}
    costs = {"lot": ["Q", "R"], "element": "must and wine", "amount": [800.0, 1000.0]}
    estate = read_estate(
        {
            "settings": pd.DataFrame({"setting": ["Valuation date"], "value": ["1972-12-31"]}),
            "opening_stock": pd.DataFrame(opening),
            "opening_costs": pd.DataFrame(costs),
            "movements": pd.DataFrame(moves),
        }
    )
    results = run(estate, BOOK)
    held = stock_values(results, ["1961-12-30", "1961-12-31", "1968-04-30", "1968-05-01", "1972-12-31"])
    assert held["value"].tolist() == pytest.approx([800.0, 1000.0, 800.0, 1000.0, 400.0, 500.0, 400.0, 500.0])
    long_after = results.chain.state_on(np.arange(2), np.full(2, 30_000))
    assert long_after.tolist() == results.chain.states.last_of_lot.tolist()


def test_must_fermented_in_its_own_vat_is_wine_and_wine_put_into_reserve_as_it_stands_is_reserve() -> None:
    """Each stayed what it was, and a reserve was held at the norm and the storage of young wine."""
    bought = {"on_date": ["2023-09-20"] * 3, "lot": ["M", "R", "W"], "what": ["must", "wine", "wine"]}
    moves = {"on_date": ["2023-10-20"] * 3, "operation": ["fermentation", "to reserve", "racking"]}
    moves |= {"from_lot": ["M", "R", "W"], "out_l": 1000, "to_lot": ["M", "R", "W"], "in_l": 1000}
    estate = read_estate(
        {
            "settings": pd.DataFrame({"setting": ["Valuation date"], "value": ["2023-12-31"]}),
            "deliveries": pd.DataFrame(bought | {"quantity": 1000, "unit": "L", "price_per_unit": 6.0}),
            "movements": pd.DataFrame(moves),
        }
    )
    held = stock_values(run(estate, BOOK)).set_index("lot")
    assert held["kind"].to_dict() == {"M": "wine", "R": "reserve", "W": "wine"}
    assert held["stage"].to_dict() == {"M": "vinification", "R": "reserve", "W": "vinification"}


def test_reserve_racked_from_vat_to_vat_is_reserve_in_the_last_of_them() -> None:
    """Each vat was empty; one that holds young wine stays what it is."""
    vats = ["R", "A", "B", "C", "W"]
    opening = {"on_date": "2023-01-01", "lot": ["R", "W"], "kind": ["reserve", "wine"], "quantity": 1000.0, "unit": "L"}
    moves = {"on_date": pd.date_range("2023-02-01", periods=4, freq="MS"), "operation": "racking"}
    moves |= {"from_lot": vats[:-1], "to_lot": vats[1:], "out_l": 1000.0, "in_l": 1000.0}
    frames = {
        "settings": pd.DataFrame({"setting": ["Valuation date"], "value": ["2023-12-31"]}),
        "opening_stock": pd.DataFrame(opening),
    }
    for count, kinds in ((3, {"C": "reserve", "W": "wine"}), (4, {"W": "wine"})):
        moved = pd.DataFrame(moves).iloc[:count]
        held = stock_values(run(read_estate({**frames, "movements": moved}), BOOK)).set_index("lot")["kind"]
        assert held.to_dict() == kinds


def formats_of(moves: pd.DataFrame, **more: pd.DataFrame) -> dict[str, str]:
    """Format of each bottle lot where 100 quarters and 100 bottles lie on lees."""
    opening = {"on_date": "2023-12-31", "lot": ["Q", "B"], "kind": "on lees", "quantity": 100.0, "unit": "bottles"}
    tables = {
        "settings": pd.DataFrame({"setting": ["Valuation date"], "value": ["2024-12-31"]}),
        "opening_stock": pd.DataFrame(opening | {"format": ["quarter", "bottle"]}),
        "movements": moves,
    }
    lots = trace(read_estate({**tables, **more})).lots
    return {name: FORMATS[form] if form >= 0 else "" for name, form in zip(lots.names, lots.format, strict=True)}


def test_quarters_stay_quarters_and_bottles_decanted_into_them_become_quarters() -> None:
    """The first format of all: moved on, disgorged, filled from bottles, and named on a row that says no bottles in."""
    moves = {"on_date": ["2024-02-01"] * 3, "operation": ["transfer", "decanting", "transfer"]}
    moves |= {"from_lot": ["Q", "B", "Q"], "out_bottles": [40.0, 30.0, 20.0], "to_lot": ["R", "S", "U"]}
    moves |= {"in_bottles": [40.0, 100.0, None], "format": [None, "quarter", "quarter"]}
    out = {"on_date": ["2024-06-01"] * 2, "release_lot": ["D", "E"], "from_lot": ["R", "S"]}
    disgorged = pd.DataFrame(out | {"bottles_in": [40.0, 100.0], "bottles_out": [40.0, 100.0]})
    found = formats_of(pd.DataFrame(moves), disgorgements=disgorged)
    assert found == {**dict.fromkeys(("Q", "R", "S", "U", "D", "E"), "quarter"), "B": "bottle"}


def test_bottles_filled_into_the_first_lot_of_all_are_counted_in_bottles() -> None:
    """75 L fill 100 bottles into a lot that has some from the year before."""
    opening = {"on_date": "2023-12-31", "lot": ["T", "W"], "kind": ["on lees", "wine"], "quantity": [50.0, 75.0]}
    filled = {"on_date": ["2024-03-01"], "cuvee": "Brut", "to_lot": "T", "wine_lot": "W", "wine_l": 75.0}
    chain = trace(
        read_estate(
            {
                "settings": pd.DataFrame({"setting": ["Valuation date"], "value": ["2024-12-31"]}),
                "cuvees": pd.DataFrame({"cuvee": ["Brut"]}),
                "opening_stock": pd.DataFrame(
                    opening | {"unit": ["bottles", "L"], "format": ["bottle", None], "cuvee": ["Brut", None]}
                ),
                "tirage": pd.DataFrame(filled | {"format": "bottle", "bottles": 100.0}),
            }
        )
    )
    assert chain.lots.names[0] == "T"
    assert chain.states.quantity[chain.states.batch_state].tolist() == [100.0]
