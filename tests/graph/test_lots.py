"""What a lot is: its unit, and the format that it keeps from move to move."""

from __future__ import annotations

import pandas as pd

from costing import BOOK, read_estate, run, trace
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
