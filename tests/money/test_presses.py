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


@pytest.mark.parametrize(("shares", "place"), [([60.0, 40.0, None, None], "4"), ([None, None, 60.0, 40.0], "2")])
def test_of_two_loads_the_one_with_nothing_to_split_by_is_named_and_shared_by_litres(shares, place) -> None:
    """21 L and 9 L of each load, that of 60 and 40 kg or of unknown weight: then its 100 go by litres, 70 and 30."""
    rows = {
        "on_date": "2024-09-02",
        "load": ["P", "P", "Q", "Q"],
        "from_lot": ["G", None, "G", None],
        "weight_kg": [50.0, None, 50.0, None],
        "fraction": ["first", "second"] * 2,
        "volume_l": [21.0, 9.0] * 2,
        "to_lot": ["M", "N", "O", "R"],
        "fraction_weight_kg": shares,
    }
    settings = pd.DataFrame({"setting": ["Valuation date"], "value": ["2024-12-31"]})
    estate = read_estate({"settings": settings, "deliveries": pd.DataFrame(GRAPES), "pressings": pd.DataFrame(rows)})
    results = run(estate, BOOK.replace(split_method="weight"))
    by_lot = stock_values(results).set_index("lot")["value"]
    given = [60.0, 40.0] if place == "4" else [70.0, 30.0]
    assert by_lot[["M", "N"]].tolist() == pytest.approx(given)
    assert by_lot[["O", "R"]].tolist() == pytest.approx([70.0, 30.0] if place == "4" else [60.0, 40.0])
    said = [one for one in results.cautions if "shared by litres" in one.rule]
    assert [(one.place[-1], one.value) for one in said] == [(place, "Q" if place == "4" else "P")]


def test_a_credit_may_be_as_much_as_the_load_cost_and_no_more() -> None:
    assert stock_values(pressed([60.0, None], 200.0))["value"].sum() == pytest.approx(0.0, abs=1e-9)
    with pytest.raises(InputError, match=r"'200.01' is more than the whole press load cost"):
        pressed([60.0, None], 200.01)
