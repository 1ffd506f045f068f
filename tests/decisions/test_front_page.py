"""The first page says in one line which commands answer what a run leaves out."""

from __future__ import annotations

from costing import House
from costing.answers.answer import Answer
from costing.decisions.front_page import front_page
from costing.model import Runs


def commands(runs: Runs) -> list[str]:
    """Last sentences of the page, those on the plan aside."""
    answer: Answer = front_page(runs, (), ())
    return list(answer.says[2:])


def test_tirage_and_offers_have_one_line(demo_runs) -> None:
    (line,) = commands(demo_runs)
    assert "How many bottles do we fill this spring" in line
    assert "`costing tirage` says." in line
    assert line.endswith("`costing offers` says.")


def test_offers_of_the_past_and_an_estate_without_prices_have_none(demo_estate) -> None:
    past = House(demo_estate).replace(offers=lambda table: table.assign(on_date="2025-01-10"))
    (line,) = commands(past.runs)
    assert "costing offers" not in line
    none = House(demo_estate).replace(offers=lambda table: table.iloc[:0], price_by_age=lambda table: table.iloc[:0])
    assert not [line for line in commands(none.runs) if "costing" in line]
