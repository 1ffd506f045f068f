"""The map of the whole: results by basis, each under its own name."""

from __future__ import annotations

from costing import ECONOMIC, model, read_estate
from tests.money.test_entries import pressed


def test_the_usual_bases_keep_their_names_whoever_asks_first() -> None:
    """The last step of a bridge from book to economic gave the economic basis the name of the step."""
    runs = model.Runs(read_estate(pressed(("2025-09-10", "2025-09-12"))))
    step = runs.on(ECONOMIC.replace(name="book"))
    assert step is runs.economic
    assert runs.economic.basis == ECONOMIC
    assert runs.book.basis.name == "book"
