"""A norm per year grows with the wine and the time, each stage at its own rate.

Worked by hand: 0.4 years are 146 days of 365.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from costing import BOOK, read_estate, run
from costing.graph.arrays import OPERATIONS, STAGES
from costing.graph.flows import movement_norms, yearly_norms
from costing.results.stock import stock_values
from tests.decisions.one_bottling import one_bottling


def left(measured: float, *norms: tuple[str, float]) -> float:
    """Value of 1,000 L bought for 6,000 on 1 January, put into reserve as they stand after 146 days, and measured after
    146 more; what is lost beyond the norms is expensed.
    """
    estate = read_estate(
        {
            "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2023-12-31"]}),
            "deliveries": pd.DataFrame(
                {"Date": ["2023-01-01"], "Lot": ["R"], "What": ["wine"], "Quantity": [1_000], "Unit": ["L"],
                 "Price per unit": [6.0]}
            ),
            "movements": pd.DataFrame(
                {"Date": ["2023-05-27"], "Operation": ["to reserve"], "From lot": ["R"], "Out (L)": [1_000],
                 "To lot": ["R"], "In (L)": [1_000]}
            ),
            "stocktakes": pd.DataFrame({"Date": ["2023-10-20"], "Lot": ["R"], "Measured": [measured]}),
            "loss_norms": pd.DataFrame(norms, columns=["Operation or stage", "Norm (%)"]).assign(
                **{"Time base": "per year"}
            ),
        }
    )  # fmt: skip
    return float(stock_values(run(estate, BOOK)).set_index("lot").loc["R", "value"])


def test_a_change_of_stage_adds_up_the_norms_of_both() -> None:
    """1,000 × 0.4 × 10 % before and 1,000 × 0.4 × 4 % after: 56 L."""
    norms = (("vinification", 10.0), ("reserve", 4.0))
    assert left(944.0, *norms) == pytest.approx(6_000.0)
    assert left(943.0, *norms) == pytest.approx(6_000.0 * 943 / 944)
    assert left(900.0, *norms) == pytest.approx(6_000.0 * 900 / 944)


@pytest.mark.parametrize(("stage", "norm", "allowed"), [("vinification", 10.0, 40.0), ("reserve", 4.0, 16.0)])
def test_a_stage_without_a_norm_allows_nothing(stage: str, norm: float, allowed: float) -> None:
    assert left(1_000.0 - allowed, (stage, norm)) == pytest.approx(6_000.0)
    expected = 6_000.0 * 900 / (1_000.0 - allowed)
    assert left(900.0, (stage, norm)) == pytest.approx(expected)


def test_a_norm_per_movement_is_none_of_the_year() -> None:
    assert left(900.0) == pytest.approx(6_000.0 * 0.9)


def test_each_operation_has_its_own_norm_per_movement() -> None:
    percent = np.arange(1.0, len(OPERATIONS) + 1.0)
    norms = {"Operation or stage": list(OPERATIONS), "Norm (%)": percent, "Time base": "per movement"}
    found = movement_norms(read_estate({**one_bottling(), "loss_norms": pd.DataFrame(norms)}))
    assert found == pytest.approx([*percent / 100.0, 0.0])  # the last is of no operation


def test_each_stage_has_its_own_norm_per_year() -> None:
    """The first of all among them; a norm per movement is none of a stage."""
    percent = np.arange(1.0, len(STAGES) + 1.0)
    norms = pd.DataFrame({"Operation or stage": list(STAGES), "Norm (%)": percent, "Time base": "per year"})
    racking = pd.DataFrame({"Operation or stage": ["racking"], "Norm (%)": [50.0], "Time base": ["per movement"]})
    estate = read_estate({**one_bottling(), "loss_norms": pd.concat([norms, racking], ignore_index=True)})
    assert yearly_norms(estate) == pytest.approx(percent / 100.0)
