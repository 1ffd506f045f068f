"""Policies of the books, each through a whole run, beside the paragraph that speaks of it: IAS 2, IAS 23 and IAS 41
(paragraph numbers from memory); amounts are arithmetic.
"""

from __future__ import annotations

import pandas as pd
import pytest

from costing import BOOK, ECONOMIC, read_estate
from costing.accounts.check import policy_table
from costing.inputs.basis import book_basis
from costing.inputs.estate import Settings
from costing.inputs.schema import policies, settings
from costing.model import Runs
from costing.results.roll_forward import exits, expensed_at_once
from costing.results.stock import stock_values

END = "2024-12-31"
WINE = {"lot": "V", "kind": "wine", "on_date": "2023-12-31", "quantity": 1000, "unit": "L"}
LEES = {"lot": "S", "kind": "on lees", "on_date": "2023-12-31", "quantity": 100, "unit": "bottles", "format": "bottle"}
GRAPES = {"on_date": END, "lot": "G", "quantity": 1000, "unit": "kg", "price_per_unit": 3.0}
LOAD = {"on_date": END, "load": "P", "from_lot": "G", "to_lot": "M", "weight_kg": 1000}
NEXT = {"on_date": END, "load": "P"}
RATE = {"from_date": "2023-01-01", "operation": "storage", "stage": "on lees", "driver": "bottle-year", "amount": 1.0}
RATE |= {"element": "storage"}
TABLES = {
    "own grapes": {"deliveries": [{**GRAPES, "growing_cost_per_unit": 2.0}]},
    "split": {
        "deliveries": [{**GRAPES, "price_per_unit": 2.2}],
        "pressings": [
            {**LOAD, "fraction": "first", "volume_l": 600, "value_per_l": 3.0},
            {**NEXT, "fraction": "second", "volume_l": 400, "to_lot": "N", "value_per_l": 1.0},
        ],
    },
    "by-product": {
        "deliveries": [GRAPES],
        "pressings": [
            {**LOAD, "fraction": "first", "volume_l": 600},
            {**NEXT, "fraction": "by-product", "credit": 500.0},
        ],
    },
    "storage": {
        "opening_stock": [LEES],
        "opening_costs": [{"lot": "S", "amount": 1000.0}],
        "operation_rates": [RATE],
    },
    "borrowing": {
        "opening_stock": [{**WINE, "on_date": "2024-01-01"}],
        "opening_costs": [{"lot": "V", "amount": 1000.0, "basis": "book"}],
        "interest_rates": [{"from_date": "2023-01-01", "borrowing_rate": 5.0}],
    },
    "loss": {
        "opening_stock": [WINE],
        "opening_costs": [{"lot": "V", "amount": 1000.0}],
        "movements": [
            {"on_date": END, "operation": "racking", "from_lot": "V", "to_lot": "W", "out_l": 1000, "in_l": 900}
        ],
    },
    "gain": {
        "opening_stock": [WINE],
        "opening_costs": [{"lot": "V", "amount": 1000.0}],
        "stocktakes": [{"on_date": END, "lot": "V", "quantity": 1100}],
    },
}


def _runs(case: str, setting: str, value: str) -> Runs:
    title, day = settings()[setting].title, "2025-01-01" if case == "borrowing" else END
    chosen = pd.DataFrame({"Setting": ["Valuation date", title], "Value": [day, value]})
    return Runs(read_estate({"settings": chosen, **{name: pd.DataFrame(rows) for name, rows in TABLES[case].items()}}))


def _stock_and_expense(results) -> tuple[list[float], float]:
    start = "2023-01-01"
    end = str(results.estate.settings.valuation_date)
    left = exits(results, start, end)["cost"].sum() + expensed_at_once(results, start, end)["amount"].sum()
    return stock_values(results).sort_values("lot")["value"].tolist(), float(left)


CASES = [
    ("own grapes", "book_own_grapes", "growing cost", [2000.0], 0.0),
    ("own grapes", "book_own_grapes", "market price", [3000.0], 0.0),  # IAS 41.13 and IAS 2.20
    ("split", "default_split_method", "volume", [1320.0, 880.0], 0.0),  # IAS 2.14
    ("split", "default_split_method", "sales value", [1800.0, 400.0], 0.0),
    ("by-product", "book_by_product", "at split", [2500.0], 0.0),  # IAS 2.14: net realisable value off the main cost
    ("by-product", "book_by_product", "at sale", [3000.0], -500.0),
    ("by-product", "book_by_product", "none", [3000.0], 0.0),
    ("storage", "book_storage_until", "disgorgement", [1000.0 + 100 * 366 / 365], 0.0),  # needed before a further stage
    ("storage", "book_storage_until", "tirage", [1000.0], 100 * 366 / 365),  # IAS 2.16(b)
    ("storage", "book_storage_until", "never", [1000.0], 100 * 366 / 365),
    ("borrowing", "book_borrowing_cost", "expensed", [1000.0], 0.0),  # IAS 23.4(b)
    ("borrowing", "book_borrowing_cost", "capitalised", [1000.0 * 1.05 ** (366 / 365)], 0.0),  # IAS 23.8
    ("loss", "book_abnormal_loss", "expensed", [900.0], 100.0),  # IAS 2.16(a)
    ("loss", "book_abnormal_loss", "survivors", [1000.0], 0.0),
    ("gain", "book_abnormal_gain", "left", [1000.0], 0.0),
    ("gain", "book_abnormal_gain", "credited", [1100.0], -100.0),
]


@pytest.mark.parametrize(("case", "setting", "value", "stock", "expense"), CASES)
def test_a_policy_changes_the_books_as_its_paragraph_says(case, setting, value, stock, expense) -> None:
    found = _stock_and_expense(_runs(case, setting, value).book)
    assert found[0] == pytest.approx(stock)
    assert found[1] == pytest.approx(expense)


@pytest.mark.parametrize(("case", "setting", "value"), [one[:3] for one in CASES if one[1].startswith("book_")])
def test_a_policy_of_the_books_leaves_the_economic_basis_alone(case, setting, value) -> None:
    usual = _runs(case, setting, settings()[setting].default).on(ECONOMIC)
    chosen = _runs(case, setting, value).on(ECONOMIC)
    assert _stock_and_expense(chosen) == _stock_and_expense(usual)


def test_every_choice_of_every_policy_is_tried_and_silence_is_the_usual_book() -> None:
    tried = {one[1:3] for one in CASES}
    named = [one.setting for one in policies()]
    assert {name for name in settings() if name.startswith("book_")} <= set(named)
    for name in named:
        if name.startswith("book_"):
            assert {(name, choice) for choice in settings()[name].choices} <= tried
    assert book_basis(Settings()) == BOOK


def test_policies_are_printed_with_choice_paragraph_and_whom_to_ask() -> None:
    table = policy_table(_runs("loss", "book_abnormal_loss", "survivors").estate).set_index("policy")
    assert table.loc["Abnormal losses", "policy_chosen"] == "survivors"
    assert table.loc["Abnormal losses", "policy_usual"] == "expensed"
    assert (table[["source", "ask_auditor"]] != "").all(axis=None)
