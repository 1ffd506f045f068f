"""Replacement cost of a stack, worked by hand for this project: 750 L of one press load, 1,000 bottles on lees for a
year, valued on 31 December 2023.

| what | paid | again, at the prices of the day | why |
|---|---|---|---|
| 1,200 kg of grapes | 6.00: 7,200 | 6.50: 7,800 | the price of 2023; that of 2024 is not in force yet |
| pressing | 0.30 a kg: 360 | 360 | no index, no newer rate: named |
| vat hall, 750 litre-years at 300 / 1,500 | 150 | 195 | overhead rose from 100 to 130 |
| glass and cap | 0.40: 400 | 0.50: 500 | the newer price |
| bottling | 0.10: 100 | 0.12: 120 | the newer rate |
| cellar, 1,000 bottle-years at 400 / 2,000 | 200 | 200 | no index: named |
| energy, 183 days at 0.05 and 182 at 0.08 | 64.96 | 80 | the newer rate, for the whole year |

With capital at 8 %: what was paid on 20 September 2021 grows for 832 days, the year's vat hall evenly over its year
(0.08 / ln 1.08) and one year more, the tirage for a year, cellar and energy evenly over theirs.
"""

from __future__ import annotations

from math import log

import pandas as pd
import pytest

from costing.inputs.basis import ECONOMIC, REPLACEMENT
from costing.inputs.load import read_inputs
from costing.model import run
from costing.money.indices import has_index
from costing.money.postings import elements_of
from costing.results.origins import origins
from tests.golden.figures import Tables, stock
from tests.golden.test_worked_cases import tables_of

PAID, AGAIN = 8_474.96, 9_255.00


def found(tables: Tables, rate: float = 0.0) -> tuple[float, float]:
    """What the stack cost, and what it would cost to make again."""
    estate = read_inputs(tables)
    return stock(run(estate, ECONOMIC.replace(rate=rate)), "T21"), stock(
        run(estate, REPLACEMENT.replace(rate=rate)), "T21"
    )


def test_the_newest_row_in_force_or_the_index_gives_replacement_cost() -> None:
    """Once the same as what was paid, in silence, but for the vat hall."""
    assert [round(one, 2) for one in found(tables_of("S6"))] == [PAID, AGAIN]


def test_with_capital() -> None:
    evenly = 0.08 / log(1.08)
    again = (7_800 + 360) * 1.08 ** (832 / 365) + 195 * evenly * 1.08 + 620 * 1.08 + 280 * evenly
    assert found(tables_of("S6"), 0.08)[1] == pytest.approx(again, abs=0.005)


def test_each_amount_leads_to_the_row_in_force() -> None:
    lines = origins(run(read_inputs(tables_of("S6")), REPLACEMENT.replace(rate=0.0)), "T21")
    assert lines.set_index("place")["own"].round(2).to_dict() == {
        "Grape prices!D4": 7_800.0,
        "Operation rates!E2": 360.0,
        "Pools!D2": 195.0,
        "Dry goods!F3": 500.0,
        "Operation rates!E4": 120.0,
        "Pools!D3": 200.0,
        "Operation rates!E6": 80.0,
    }


def test_one_caution_names_what_has_neither_an_index_nor_a_newer_row() -> None:
    estate = read_inputs(tables_of("S6"))
    said = [one for one in run(estate, REPLACEMENT).cautions if one.place == "Price indices"]
    assert [one.value for one in said] == ["pressing, storage"]
    assert not [one for one in run(estate, ECONOMIC).cautions if one.place == "Price indices"]


def test_an_index_goes_before_a_newer_row() -> None:
    tables = tables_of("S6")
    dates = ["2020-01-01", "2023-12-30", "2023-12-31"]
    more = pd.DataFrame({"Date": dates, "Element": "dry goods", "Index": [100, 100, 150]})
    indexed = {**tables, "price_indices": pd.concat([tables["price_indices"], more])}
    assert found(indexed)[1] == pytest.approx(AGAIN - 500 + 400 * 1.5, abs=0.005)


def test_a_rate_that_holds_only_from_next_year_changes_nothing() -> None:
    tables = tables_of("S6")
    later = tables["operation_rates"].iloc[[1]].assign(From="2024-01-01", Amount=0.90)
    rates = pd.concat([tables["operation_rates"], later])
    assert found({**tables, "operation_rates": rates})[1] == pytest.approx(AGAIN, abs=0.005)


@pytest.mark.parametrize("sheet", ["operation_rates", "dry_goods", "grape_prices", "pools", "price_indices"])
def test_the_newest_row_may_stand_first(sheet: str) -> None:
    tables = tables_of("S6")
    turned = found({**tables, sheet: tables[sheet].iloc[::-1].reset_index(drop=True)})
    assert [round(one, 2) for one in turned] == [PAID, AGAIN]


def test_a_row_without_an_index_says_nothing_of_any_element() -> None:
    tables = tables_of("S6")
    blank = pd.DataFrame({"Date": ["2023-12-31"] * 2, "Element": ["grapes", "labour"], "Index": [None, None]})
    estate = read_inputs({**tables, "price_indices": pd.concat([tables["price_indices"], blank])})
    elements = elements_of(estate)
    assert elements[has_index(estate, elements)].tolist() == ["overhead"]
