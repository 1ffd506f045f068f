"""Press loads whose cost or credit has nowhere to go are said at their cell."""

from __future__ import annotations

import pandas as pd
import pytest

from costing import BOOK, InputError, read_estate, run
from costing.results.stock import stock_values

GRAPES = {"on_date": ["2024-09-01"], "lot": "G", "quantity": 100.0, "unit": "kg", "price_per_unit": 2.0}


def pressed(litres: list[float | None], credit: float | None = None):
    """100 kg for 200 pressed into a first pressing and a by-product."""
    rows = {
        "on_date": "2024-09-02",
        "load": "P",
        "from_lot": ["G", None],
        "weight_kg": [100.0, None],
        "fraction": ["first", "by-product"],
        "volume_l": litres,
        "to_lot": ["M", None],
        "credit": [None, credit],
    }
    settings = pd.DataFrame({"setting": ["Valuation date"], "value": ["2024-12-31"]})
    estate = read_estate({"settings": settings, "deliveries": pd.DataFrame(GRAPES), "pressings": pd.DataFrame(rows)})
    return run(estate, BOOK)


def test_a_load_that_yields_no_must_is_named_and_no_identity_is_broken() -> None:
    with pytest.raises(InputError, match=r"Pressings!F2: 'P' is a press load that yields no must"):
        pressed([0.0, None])


def test_of_two_loads_the_dry_one_is_named() -> None:
    rows = {
        "on_date": "2024-09-02",
        "load": ["P", "Q"],
        "from_lot": "G",
        "weight_kg": 50.0,
        "fraction": "first",
        "volume_l": [30.0, 0.0],
        "to_lot": ["M", "N"],
    }
    settings = pd.DataFrame({"setting": ["Valuation date"], "value": ["2024-12-31"]})
    estate = read_estate({"settings": settings, "deliveries": pd.DataFrame(GRAPES), "pressings": pd.DataFrame(rows)})
    with pytest.raises(InputError, match=r"Pressings!F3: 'Q' is a press load that yields no must"):
        run(estate, BOOK)


def test_a_credit_may_be_as_much_as_the_load_cost_and_no_more() -> None:
    assert stock_values(pressed([60.0, None], 200.0))["value"].sum() == pytest.approx(0.0, abs=1e-9)
    with pytest.raises(InputError, match=r"'200.01' is more than the whole press load cost"):
        pressed([60.0, None], 200.01)
