"""How cost flows between places: which lines are shown, and that what comes into a place leaves it or lies in it."""

from __future__ import annotations

import pandas as pd
import pytest

from costing import BOOK, Results, read_estate, run
from costing.inputs.basis import ECONOMIC
from costing.results.cost_flow import CostFlow, cost_flow, flow_lines
from tests.money.test_drivers import everything_once


def test_a_flow_of_half_a_unit_is_shown_and_a_smaller_one_is_not() -> None:
    places = pd.DataFrame([("wine", "", 0.5, 0.499)], columns=["kind", "cuvee", "added", "stock"])
    columns = ["from_kind", "from_cuvee", "to_kind", "to_cuvee", "amount"]
    passed = pd.DataFrame([("wine", "", "on lees", "Brut", -0.5), ("must", "", "wine", "", 0.499)], columns=columns)
    lines = flow_lines(CostFlow(places, passed))
    assert lines.to_numpy().tolist() == [["added", "wine", 0.5], ["wine", "on lees Brut", -0.5]]


@pytest.mark.parametrize("basis", [BOOK, ECONOMIC], ids=lambda basis: basis.name)
@pytest.mark.parametrize("day", ["2023-09-13", "2023-11-02", "2024-12-31", "2025-06-01", "2025-12-31"])
def test_what_comes_into_each_place_by_the_valuation_day_leaves_it_or_lies_there(basis, day: str) -> None:
    settings = pd.DataFrame({"Setting": ["Valuation date"], "Value": [day]})
    results: Results = run(read_estate({**everything_once(), "settings": settings}), basis)
    lines = flow_lines(cost_flow(results))
    into, out = (lines.groupby(place)["passed"].sum() for place in ("to_place", "from_place"))
    for place in set(into.index) & set(out.index):
        assert into[place] == pytest.approx(out[place], abs=1.0)
    assert into["in stock"] + into.get("sold", 0.0) + into.get("other exits and losses", 0.0) == pytest.approx(
        out["added"], abs=3.0
    )
