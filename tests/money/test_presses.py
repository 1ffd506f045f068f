"""Press loads whose cost or credit has nowhere to go are said at their cell."""

from __future__ import annotations

import pandas as pd
import pytest

from costing import BOOK, InputError, read_estate, run
from costing.graph.arrays import STAGES
from costing.inputs.basis import Basis
from costing.results.results import Results
from costing.results.stock import stock_values

GRAPES = {"on_date": ["2024-09-01"], "lot": "G", "quantity": 100.0, "unit": "kg", "price_per_unit": 2.0}


def pressed(litres: list[float | None], credit: float | None = None, price: float = 2.0):
    """100 kg, for 200 unless told, pressed into a first pressing and a by-product."""
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
    grapes = pd.DataFrame({**GRAPES, "price_per_unit": price})
    return run(read_estate({"settings": settings, "deliveries": grapes, "pressings": pd.DataFrame(rows)}), BOOK)


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


def two_loads(
    basis: Basis = BOOK, settings: dict[str, str] | None = None, market_values: object = None, **columns: object
) -> Results:
    """Loads P and Q of 50 kg for 100 each, 21 L of first and 9 L of second pressing from each."""
    rows = {
        "on_date": "2024-09-02",
        "load": ["P", "P", "Q", "Q"],
        "from_lot": ["G", None, "G", None],
        "weight_kg": [50.0, None, 50.0, None],
        "fraction": ["first", "second"] * 2,
        "volume_l": [21.0, 9.0] * 2,
        "to_lot": ["M", "N", "O", "R"],
        **columns,
    }
    chosen = {"Valuation date": "2024-12-31", **(settings or {})}
    frame = pd.DataFrame({"setting": list(chosen), "value": list(chosen.values())})
    tables = {"settings": frame, "deliveries": pd.DataFrame(GRAPES), "pressings": pd.DataFrame(rows)}
    if market_values is not None:
        tables["market_values"] = pd.DataFrame(market_values)
    return run(read_estate(tables), basis)


@pytest.mark.parametrize(("kilograms", "place"), [([60.0, 40.0, None, None], "4"), ([None, None, 60.0, 40.0], "2")])
def test_of_two_loads_the_one_with_nothing_to_split_by_is_named_and_shared_by_litres(kilograms, place) -> None:
    """By weight, which is known of one load alone: the 100 of the other go by litres, 70 and 30."""
    results = two_loads(BOOK.replace(split_method="weight"), fraction_weight_kg=kilograms)
    by_lot = stock_values(results).set_index("lot")["value"][["M", "N", "O", "R"]]
    assert by_lot.tolist() == pytest.approx([60.0, 40.0, 70.0, 30.0] if place == "4" else [70.0, 30.0, 60.0, 40.0])
    said = [one for one in results.cautions if "shared by litres" in one.rule]
    assert [(one.place[-1], one.value) for one in said] == [(place, "Q" if place == "4" else "P")]


def test_a_load_with_a_method_of_its_own_is_split_by_it() -> None:
    methods = {"split_method": [None, None, "volume", "volume"], "fraction_weight_kg": [60.0, 40.0, 60.0, 40.0]}
    results = two_loads(settings={"Default split method": "weight"}, **methods)
    by_lot = stock_values(results).set_index("lot")["value"][["M", "N", "O", "R"]]
    assert by_lot.tolist() == pytest.approx([60.0, 40.0, 70.0, 30.0])


def test_a_constant_margin_moves_what_completing_costs_between_the_fractions_of_a_load() -> None:
    """70 and 30 of 100 by sales value; 21 to complete the first alone: each of the two bears its part of that, 14.7
    and 6.3, whatever it causes itself.
    """
    columns = {"value_per_l": [5.0] * 4, "cost_to_complete_per_l": [1.0, 0.0, 0.0, 0.0]}
    results = two_loads(split_method="constant margin", **columns)
    by_lot = stock_values(results).set_index("lot")["value"][["M", "N", "O", "R"]]
    assert by_lot.tolist() == pytest.approx([70 + 14.7 - 21, 30 + 6.3, 70, 30])
    postings = results.charges.postings
    moved = postings.take(postings.of("pressings", "cost_to_complete_per_l"))
    assert dict(zip(moved.row.tolist(), moved.amount.tolist(), strict=True)) == pytest.approx({0: -6.3, 1: 6.3})
    assert [STAGES[stage] for stage in moved.stage] == ["pressing"] * 2


def test_a_fraction_takes_the_value_in_force_on_the_day_of_its_pressing() -> None:
    """Must of the first pressing is worth 2, then 3 from the day of the pressing; the second 7 a litre by
    its own row, or as the market has it.
    """
    dates, kinds = ["2024-09-02", "2024-09-01", "2024-09-02", "2024-09-03"], ["second"] + ["first"] * 3
    market = {"from_date": dates, "what": kinds, "value_per_unit": [5.0, 2.0, 3.0, 9.0]}
    columns = {"split_method": "sales value", "value_per_l": [None, 7.0, None, None]}
    results = two_loads(market_values=market, **columns)
    by_lot = stock_values(results).set_index("lot")["value"][["M", "N", "O", "R"]]
    assert by_lot.tolist() == pytest.approx([50.0, 50.0, 100 * 63 / 108, 100 * 45 / 108])


def test_a_credit_may_be_as_much_as_the_load_cost_and_no_more() -> None:
    assert stock_values(pressed([60.0, None], 200.0))["value"].sum() == pytest.approx(0.0, abs=1e-9)
    with pytest.raises(InputError, match=r"'200.01' is more than the whole press load cost"):
        pressed([60.0, None], 200.01)


def test_a_credit_of_cents_on_grapes_for_less_is_named_at_its_cell() -> None:
    with pytest.raises(InputError, match=r"Pressings!H3: '0.5' is more than the whole press load cost"):
        pressed([60.0, None], 0.5, price=0.004)


@pytest.mark.parametrize("first", [True, False])
def test_a_credit_left_out_by_the_basis_is_nowhere_and_one_at_sale_lies_apart(first: bool) -> None:
    """20 for the by-product of a load for 100, on its first row or its last."""
    order = [1, 0, 2, 3] if first else [0, 1, 2, 3]
    columns = {
        "fraction": ["first", "by-product", "first", "second"],
        "volume_l": [21.0, None, 21.0, 9.0],
        "credit": [None, 20.0, None, None],
        "to_lot": ["M", None, "O", "R"],
    }
    loads = {"from_lot": ["G", None, "G", None], "weight_kg": [50.0, None, 50.0, None]}
    rows = {name: [values[row] for row in order] for name, values in {**columns, **loads}.items()}
    found = {}
    for choice in ("none", "at sale", "at split"):
        results = two_loads(BOOK.replace(by_product=choice), **rows)
        apart = results.charges.aside.amount.sum()
        found[choice] = stock_values(results).set_index("lot")["value"]["M"], apart
    assert found == {"none": (100.0, 0.0), "at sale": (100.0, -20.0), "at split": (pytest.approx(80.0), 0.0)}
