"""What a lot is: its unit, and the format that it keeps from move to move."""

from __future__ import annotations

import pandas as pd

from costing import read_estate, trace


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
