"""Riddling, dressing and an invoice that comes when bottles are sold, worked by hand for this project.

1 January 2022: 1,000 bottles from 750 L at 8.00, bottling 0.10, glass 0.50; two years on lees at 0.20 a bottle-year:
7,000.00, 7.00 each. 1 January 2024, nothing beyond the norm of 2 %:

| release | bottles | on lees | riddling | disgorging 0.50 | dressing 0.40 and label 0.30 | in all | each |
|---|---|---|---|---|---|---|---|
| D-M, machine 0.15 a bottle in | 600 in, 590 out | 4,200.00 | 90.00 | 295.00 | 413.00 | 4,998.00 | 8.4712 |
| D-H, by hand 0.60 | 400 in, 396 out | 2,800.00 | 240.00 | 198.00 | 277.20 | 3,515.20 | 8.8768 |

1 June: half of D-M sold to the trade and all of D-H exported. 1 September: 59.00 on D-M, borne by the 295 left, and
39.60 on D-H, of which no bottle is left: it is cost of goods sold. Capital at 8 % on lees alone: (6,000 + 100 + 500) ×
1.08² and storage evenly, 400 × (0.08 / ln 1.08) × 2.08 / 2: 8,130.67.
"""

from __future__ import annotations

from math import log

import pytest

from costing.inputs.basis import BOOK, ECONOMIC, Basis
from costing.inputs.load import read_inputs
from costing.model import run
from costing.results.costs import cost_per_bottle
from costing.results.results import Results
from costing.results.roll_forward import exits
from costing.results.stock import stock_values
from tests.golden.test_worked_cases import tables_of

ON_LEES = ECONOMIC.replace(name="capital on lees alone", capital_stages=("on lees",))
EVENLY = 0.08 / log(1.08)


def finished(basis: Basis) -> Results:
    return run(read_inputs(tables_of("S7")), basis)


def sold(results: Results) -> dict[str, float]:
    """Cost of what was sold in the year, by channel."""
    return exits(results, "2024-01-01", "2024-12-31").set_index("channel")["cost"].round(2).to_dict()


def left(results: Results) -> dict[str, float]:
    return stock_values(results).set_index("lot")["value"].round(2).to_dict()


def test_riddling_by_hand_and_by_machine_and_dressing_are_in_the_bottle() -> None:
    table = cost_per_bottle(finished(BOOK)).set_index("release")
    assert table["per_bottle"].to_dict() == {"D-M": 8.4712, "D-H": 8.8768}


def test_an_invoice_on_sold_bottles_is_cost_of_goods_sold_and_on_what_is_left_it_is_stock() -> None:
    results = finished(BOOK)
    assert left(results) == {"D-M": 2_499.00 + 59.00}
    assert sold(results) == {"Trade": 2_499.00, "Export": 3_554.80}


def test_capital_on_lees_alone_stops_at_disgorgement() -> None:
    on_lees = 6_600 * 1.08**2 + 200 * EVENLY * (1 + 1.08)
    assert on_lees == pytest.approx(8_130.67, abs=0.005)
    results = finished(ON_LEES)
    assert left(results) == {"D-M": round((0.6 * on_lees + 798.00) / 2 + 59.00, 2)}
    assert sold(results)["Trade"] == pytest.approx((0.6 * on_lees + 798.00) / 2, abs=0.01)


def test_capital_in_every_stage_goes_on_in_the_finished_bottles() -> None:
    """To 31 December 365 days at 8 %; the invoice 121 days."""
    on_lees = 6_600 * 1.08**2 + 200 * EVENLY * (1 + 1.08)
    expected = (0.6 * on_lees + 798.00) / 2 * 1.08 ** (365 / 365) + 59.00 * 1.08 ** (121 / 365)
    assert left(finished(ECONOMIC)) == {"D-M": pytest.approx(expected, abs=0.01)}
