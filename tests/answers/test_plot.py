"""Charts drawn by matplotlib are those of the descriptions: the same series, lengths and words."""

from __future__ import annotations

import sys
from dataclasses import replace

import pandas as pd
import pytest

from costing.answers import catalogue
from costing.answers.answer import Answer
from costing.answers.charts import CHART_KINDS, Chart
from costing.answers.plot import PANEL_INCHES, figure_of
from costing.errors import CostingError

FRAME = pd.DataFrame({"Cuvée": ["Brut", "Rosé"], "Base": [0.0, 2.0], "Cost": [2.0, 3.0]})


@pytest.fixture(scope="module")
def margins() -> Answer:
    side = {"margin_in_channel:Door": [300.0, None], "margin_in_channel:Trade": [100.0, 50.0]}
    frame = pd.DataFrame({"cuvee_format": ["Brut bottle", "Rosé bottle"], **side})
    return Answer({"margin_by_cuvee_and_channel": frame}, facts={"currency": "EUR"})


def test_bars_are_as_long_as_their_figures_and_words_come_from_the_data(margins: Answer) -> None:
    (axes,) = margins.plot().axes
    heights = [[bar.get_height() for bar in container] for container in axes.containers]
    assert heights == [[300.0, 0.0], [100.0, 50.0]]
    assert [bar.get_y() for bar in axes.containers[1]] == [300.0, 0.0]  # one on the other
    assert [label.get_text() for label in axes.get_legend().get_texts()] == ["Door", "Trade"]
    (plan,) = (plan for plan in catalogue.charts() if plan.table == "margin_by_cuvee_and_channel")
    assert axes.get_title(loc="left") == plan.title
    assert axes.get_ylabel() == "EUR"


@pytest.mark.parametrize("kind", CHART_KINDS)
def test_every_kind_of_chart_is_drawn(kind: str) -> None:
    series = ("Base", "Cost") if kind == "waterfall" else ("Cost",)
    chart = Chart(kind, "Cost of a bottle", "t", "Cuvée", series, "Cuvée", "EUR per bottle")
    (axes,) = figure_of([(chart, FRAME)]).axes
    drawn = [part for container in axes.containers for part in container] or axes.lines
    assert drawn
    if kind == "waterfall":  # the second stands on its base
        assert [(bar.get_y(), bar.get_height()) for bar in axes.containers[0]] == [(0.0, 2.0), (2.0, 3.0)]


def test_bars_of_two_series_lie_side_by_side_about_their_name_and_axes_are_in_the_unit_of_the_figures() -> None:
    chart = Chart("bar", "Parts", "t", "Cuvée", ("Base", "Cost"), "Cuvée", "Share", number_format="0.0%")
    figure = figure_of([(chart, FRAME)] * 2)
    assert tuple(figure.get_size_inches()) == (PANEL_INCHES[0], 2 * PANEL_INCHES[1])
    axes, _ = figure.axes
    (standing,) = figure_of([(replace(chart, kind="column"), FRAME)]).axes
    lies = [[(bar.get_y(), bar.get_y() + bar.get_height()) for bar in container] for container in axes.containers]
    stands = [[(bar.get_x(), bar.get_x() + bar.get_width()) for bar in container] for container in standing.containers]
    for ends in (lies, stands):
        for number, ((low, middle), (also_middle, high)) in enumerate(zip(*ends, strict=True)):
            assert also_middle == pytest.approx(middle)
            assert (low + high) / 2 == pytest.approx(number)
            assert 0.5 < high - low < 1.0
    assert axes.xaxis.get_major_formatter()(0.25, 0) == "25%"
    money = Chart("column", "Cost", "t", "Cuvée", ("Cost",), "Cuvée", "EUR", number_format="#,##0.00")
    (axes,) = figure_of([(money, FRAME)]).axes
    assert axes.yaxis.get_major_formatter()(1_250.5, 0) == "1,250.5"


def test_names_too_long_to_stand_side_by_side_are_slanted() -> None:
    chart = Chart("column", "Cost", "t", "Cuvée", ("Cost",), "Cuvée", "EUR")
    turned = []
    for names in (["Brut", "Rosé"], [f"Cuvée of the year {year}" for year in range(2015, 2025)]):
        (axes,) = figure_of([(chart, pd.DataFrame({"Cuvée": names, "Cost": 2.0}))]).axes
        turned.append({label.get_rotation() for label in axes.get_xticklabels()})
    assert turned == [{0.0}, {30.0}]


@pytest.mark.parametrize(("length", "turned"), [(10, 0.0), (11, 30.0)])
def test_names_that_just_find_room_stand_upright(length: int, turned: float) -> None:
    """Eight names of ten letters are as many as stand side by side."""
    names = [f"{number:0{length}}" for number in range(8)]
    chart = Chart("column", "Cost", "t", "Cuvée", ("Cost",), "Cuvée", "EUR")
    (axes,) = figure_of([(chart, pd.DataFrame({"Cuvée": names, "Cost": 2.0}))]).axes
    assert {label.get_rotation() for label in axes.get_xticklabels()} == {turned}


def test_one_letter_more_than_finds_room_slants_the_names() -> None:
    names = [f"{number:09}" for number in range(9)]
    chart = Chart("column", "Cost", "t", "Cuvée", ("Cost",), "Cuvée", "EUR")
    (axes,) = figure_of([(chart, pd.DataFrame({"Cuvée": names, "Cost": 2.0}))]).axes
    assert {label.get_rotation() for label in axes.get_xticklabels()} == {30.0}


def test_what_is_below_nought_is_stacked_downwards() -> None:
    frame = pd.DataFrame({"Cuvée": ["Brut"], "Fees": [-2.0], "Sold": [5.0], "Duty": [-3.0]})
    chart = Chart("stacked column", "Money", "t", "Cuvée", ("Fees", "Sold", "Duty"), "Cuvée", "EUR")
    (axes,) = figure_of([(chart, frame)]).axes
    assert [(bar.get_y(), bar.get_height()) for (bar,) in axes.containers] == [(0.0, -2.0), (0.0, 5.0), (-2.0, -3.0)]


def test_nothing_to_draw_and_no_matplotlib_are_said_in_a_line(margins: Answer, monkeypatch) -> None:
    with pytest.raises(CostingError, match="no chart to draw"):
        Answer({"vats": pd.DataFrame({"lot": ["V"]})}).plot()
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    with pytest.raises(CostingError, match=r"cuvee-costing\[plot\]"):
        margins.plot()
