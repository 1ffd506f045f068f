"""Stock and cost of goods sold against inventory exercises printed elsewhere (bottles stand for units).

Sources, question-and-answer pages (second-hand, each redone by hand): qammunity.org/4694525 (weighted average,
perpetual system); justaaa.com/accounting/965119 (the same, two purchases); smartsolve.ai, "Compute the amount of
the total write-down when the LCM or NRV rule is applied to each item". Rules: IAS 2 Inventories, paragraphs 25
and 27 (weighted average as each delivery is received) and 29 (item by item).
"""

from __future__ import annotations

import pandas as pd
import pytest

from costing import BOOK, Results, read_estate, run
from costing.results.net_realisable import net_realisable_value
from costing.results.roll_forward import exits, roll_forward
from costing.results.stock import stock_values

Trade = tuple[str, int, float | None]  # date, units, price of a purchase or None for a sale


def shop(trades: list[Trade], end: str) -> Results:
    """One kind of goods, bought and sold; each delivery fills the same lot."""
    bought = [trade for trade in trades if trade[2] is not None]
    sold = [trade for trade in trades if trade[2] is None]
    tables = {
        "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": [end]}),
        "channels": pd.DataFrame({"Channel": ["Trade"]}),
        "deliveries": pd.DataFrame(
            {
                "Date": [day for day, *_ in bought],
                "Lot": "GOODS",
                "What": "finished",
                "Quantity": [units for _, units, _ in bought],
                "Unit": "bottles",
                "Price per unit": [price for *_, price in bought],
                "Format": "bottle",
            }
        ),
        "dispatches": pd.DataFrame(
            {
                "Date": [day for day, *_ in sold],
                "Release lot": "GOODS",
                "Channel": "Trade",
                "Bottles (bottles)": [units for _, units, _ in sold],
            }
        ),
    }
    return run(read_estate(tables), BOOK)


def test_weighted_average_after_each_delivery() -> None:
    results = shop(
        [("2024-10-01", 300, 9.0), ("2024-10-13", 180, None), ("2024-10-22", 380, 11.0), ("2024-10-29", 400, None)],
        "2024-10-31",
    )
    unit = {day: stock_values(results, day)["value_per_unit"].iloc[0] for day in ("2024-10-13", "2024-10-22")}
    assert unit == {"2024-10-13": pytest.approx(9.0), "2024-10-22": pytest.approx(10.52)}
    cost = {day: exits(results, day, day)["cost"].sum() for day in ("2024-10-13", "2024-10-29")}
    assert cost == {"2024-10-13": pytest.approx(180 * 9.0), "2024-10-29": pytest.approx(4_208)}
    assert stock_values(results)["value"].sum() == pytest.approx(1_052)


def test_weighted_average_with_two_purchases() -> None:
    results = shop(
        [
            ("2024-06-01", 150, 5.0),
            ("2024-06-12", 350, 6.0),
            ("2024-06-15", 420, None),
            ("2024-06-23", 240, 7.0),
            ("2024-06-27", 50, None),
        ],
        "2024-06-30",
    )
    unit = [stock_values(results, f"2024-06-{day}")["value_per_unit"].iloc[0] for day in ("01", "12", "15", "23", "27")]
    assert unit == pytest.approx([5.0, 5.7, 5.7, 6.675, 6.675])
    assert round(exits(results, "2024-06-01", "2024-06-30")["cost"].sum()) == 2_728
    assert round(stock_values(results)["value"].sum()) == 1_802
    total = roll_forward(results, "2024-05-31", "2024-06-30").set_index("stage").loc["total"]
    assert total["put_in"] == pytest.approx(750 + 2_100 + 1_680)


def test_write_down_of_each_item() -> None:
    """Unit cost, net realisable value and quantity of five items; the third and fourth are not written down."""
    items = {"A": (20, 17, 55), "B": (59, 55, 65), "C": (47, 49, 80), "D": (37, 37, 85), "E": (39, 35, 95)}
    tables = {
        "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2024-12-31"]}),
        "deliveries": pd.DataFrame(
            {
                "Date": "2024-12-01",
                "Lot": list(items),
                "What": "finished",
                "Quantity": [quantity for *_, quantity in items.values()],
                "Unit": "bottles",
                "Price per unit": [cost for cost, *_ in items.values()],
                "Format": "bottle",
            }
        ),
        "market_values": pd.DataFrame(
            {"From": "2024-12-31", "Lot": list(items), "Value per unit": [value for _, value, _ in items.values()]}
        ),
    }
    table = net_realisable_value(run(read_estate(tables), BOOK)).set_index("lot")["write_down"]
    assert table.to_dict() == pytest.approx({"A": 165, "B": 260, "C": 0, "D": 0, "E": 380})
    assert table.sum() == pytest.approx(805)
