"""How many published figures the tests hold, from how many sources: those of each module's FIGURES."""

from __future__ import annotations

from tests.published.figures import all_figures, counted


def test_there_are_as_many_figures_and_sources_as_promised() -> None:
    figures = all_figures()
    assert len(figures) >= 120, counted(figures)
    assert len({figure.source for figure in figures}) >= 40, counted(figures)
