"""What is done on the valuation day has happened: common practice, no source (the books of a day hold the day)."""

from __future__ import annotations

import pandas as pd
import pytest

from costing import ECONOMIC, read_estate
from costing.decisions.cellar.bottling_costs import per_bottle
from costing.decisions.cellar.cuvee_blends import cuvee_blends
from costing.model import Runs
from costing.results.costs import releases
from costing.results.stock import stock_values
from tests.decisions.one_bottling import one_bottling


def runs(day: str, liqueur_l: float = 0.0) -> Runs:
    """1,000 bottles filled on 1 March 2022 and disgorged on 1 March 2025, valued on a day."""
    tables = one_bottling()
    tables["tirage"] = tables["tirage"].assign(**{"Liqueur (L)": liqueur_l, "Wine (L)": 750.0 - liqueur_l})
    return Runs(read_estate({**tables, "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": [day]})}))


FILLED = {"T": 1_000.0}


@pytest.mark.parametrize(("day", "held"), [("2022-02-28", {}), ("2022-03-01", FILLED), ("2022-03-02", FILLED)])
def test_a_bottling_on_the_valuation_day_is_bottles_and_no_more_wine(day: str, held: dict[str, float]) -> None:
    stock = stock_values(runs(day).on(ECONOMIC))
    assert dict(zip(stock["lot"], stock["quantity"], strict=True)) == held
    blends = cuvee_blends(runs(day).on(ECONOMIC))
    assert blends["planned"].tolist() == [not held]


@pytest.mark.parametrize(("day", "planned"), [("2025-02-28", True), ("2025-03-01", False), ("2025-03-02", False)])
def test_a_release_disgorged_on_the_valuation_day_is_made(day: str, planned: bool) -> None:
    assert releases(runs(day).on(ECONOMIC))["planned"].tolist() == [planned]


@pytest.mark.parametrize(("day", "wine_l"), [("2022-02-28", 0.75 * (1 - 24 / 500)), ("2022-03-01", 0.69)])
def test_the_liqueur_of_a_bottling_on_the_valuation_day_is_that_of_the_next_bottle(day: str, wine_l: float) -> None:
    """60 of 750 L were liqueur; until a bottling has said it, 24 g/L of a liqueur of 500 g/L."""
    assert per_bottle(runs(day, 60.0), "Brut").drawn_l == pytest.approx(wine_l)
