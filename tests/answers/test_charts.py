"""Chart descriptions: what is refused, what is drawable."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from costing.answers.answer import MOST_ROWS, MOST_SERIES, Answer
from costing.answers.charts import CHART_KINDS, Chart, is_drawable
from costing.workbook.pages.answer_sheets import result_sheets
from costing.workbook.pages.measure import measured
from costing.workbook.pages.write import result_workbook


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


@pytest.mark.parametrize("kind", CHART_KINDS)
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


@pytest.mark.parametrize("cuvees", [0, 1, 200])
def test_an_estate_of_any_size_has_charts_that_can_be_read(cuvees: int) -> None:
    named = [f"Cuvée {at:03d} " + "of a very long name that does not end before sixty" for at in range(cuvees)]
    cost = pd.DataFrame(
        {"cuvee_format": named, "stage:harvest": 5.0, "stage:tirage": [1.0 + at for at in range(cuvees)]}
    )
    day = {"disgorged": pd.to_datetime(["2025-01-01"] * min(cuvees, 1))}
    by_date = pd.DataFrame({**day, **{f"cost_of:{name}": 10.0 + at for at, name in enumerate(named)}})
    answer = Answer({"latest_costs": cost, "cost_by_date": by_date}, facts={"currency": "EUR"})
    assert len(answer.charts) == (2 if cuvees else 0), "no empty chart"
    for chart in answer.charts:
        assert len(chart.series) <= MOST_SERIES
        assert chart.rows is not None
        assert chart.rows[1] <= MOST_ROWS
        assert ("of 200" in chart.title) == (cuvees == 200), "what is left out is said"
        assert any(sign.isdigit() for sign in chart.message)
    for sheet in result_sheets([answer]):
        result_workbook([replace(sheet, charts=())])
        assert all(width < 60 for width in measured(sheet).widths.values()), "a long name does not push figures away"


def test_a_title_says_what_a_chart_leaves_out() -> None:
    """Forty rows, the ten series with most in them in their order, eight charts of one table."""
    named = [f"Cuvée {at:03d}" for at in range(50)]
    cost = pd.DataFrame({"cuvee_format": named, "stage:harvest": 5.0})
    by_date = {f"cost_of:{name}": [10.0 + at % 40] for at, name in enumerate(named)}
    by_date = pd.DataFrame({"disgorged": pd.to_datetime(["2025-01-01"]), **by_date})
    steps = pd.DataFrame({"release": named, "step": "book", "step_base": 0.0, "step_total": 9.75})
    answer = Answer({"latest_costs": cost, "cost_by_date": by_date, "bridge_steps": steps}, facts={"currency": "EUR"})
    stages, dates, *bridges = answer.charts
    assert stages.title.endswith(" (first 40 of 50)")
    assert dates.title.endswith(" (10 of 50 series)")
    assert list(dates.series) == named[30:40]
    assert len(bridges) == 8


def test_a_largest_figure_is_told_to_those_who_do_not_see_the_chart() -> None:
    frame = pd.DataFrame({"cuvee_format": ["Brut bottle", "Rosé bottle"], "stage:harvest": [5.0, 7.25]})
    (chart,) = Answer({"latest_costs": frame}, facts={"currency": "EUR"}).charts
    assert chart.message == "Cost per 75 cl by stage, economic, latest release. Largest: Harvest of Rosé bottle, 7.25."


def test_a_waterfall_needs_a_base_and_what_stands_on_it() -> None:
    steps = pd.DataFrame({"step": ["cellar", "shelf"], "step_base": [0.0, 0.0], "step_total": [9.75, 18.0]})
    assert [chart.kind for chart in Answer({"price_steps": steps}).charts] == ["waterfall"]
    assert Answer({"price_steps": steps.drop(columns="step_total")}).charts == ()
