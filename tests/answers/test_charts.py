"""Chart descriptions: what is refused, what is drawable."""

from __future__ import annotations

import pandas as pd
import pytest

from costing.answers.charts import KINDS, Chart, is_drawable


def described(kind: str, series: tuple[str, ...] = ("Base", "Cost")) -> Chart:
    return Chart(kind, "Cost", "costs", "Cuvée", series, "cuvée", "EUR per bottle")


def test_a_kind_that_nobody_draws_is_refused() -> None:
    with pytest.raises(ValueError, match="no chart of kind 'pie'"):
        described("pie")


@pytest.mark.parametrize(("kind", "series"), [("waterfall", ("Base",)), ("line", ())])
def test_a_chart_without_a_series_that_is_seen_is_refused(kind: str, series: tuple[str, ...]) -> None:
    with pytest.raises(ValueError, match="series or more"):
        described(kind, series)


def test_an_axis_without_words_is_refused() -> None:
    with pytest.raises(ValueError, match="title of its value axis"):
        Chart("line", "Cost", "costs", "Cuvée", ("Cost",), "cuvée", "")


@pytest.mark.parametrize("kind", KINDS)
def test_a_chart_is_drawable_once_a_seen_series_has_a_number(kind: str) -> None:
    frame = pd.DataFrame({"Cuvée": ["Brut", "Rosé"], "Base": [1.0, 2.0], "Cost": [None, None]})
    only_cost = described(kind, ("Base", "Cost") if kind == "waterfall" else ("Cost",))
    assert not is_drawable(only_cost, frame)
    assert not is_drawable(only_cost, frame.head(0))
    assert is_drawable(only_cost, frame.assign(Cost=[None, 3.0]))
    assert not is_drawable(only_cost, frame.assign(Cost=[None, 3.0], Cuvée=["Brut", None]))


def test_a_column_that_the_table_lacks_is_an_error() -> None:
    with pytest.raises(KeyError):
        is_drawable(described("column"), pd.DataFrame({"Cuvée": ["Brut"], "Base": [1.0]}))
