"""The first page: what it says, in figures as large as a person says them."""

from __future__ import annotations

from costing.answers import catalogue
from costing.decisions.front_page import front_page
from costing.model import Runs
from tests.golden.as_kept import differences


def test_what_has_a_command_of_its_own_is_named_once(demo_runs: Runs) -> None:
    """Tirage and offers stood in a sentence and in the table of what waits."""
    answer = front_page(demo_runs, (), ())
    waits = answer["front_waiting"].set_index("what")["waits_for"]
    assert waits["Spring tirage"] == "costing tirage FILE --write"
    assert waits["Offers judged"] == "costing offers FILE --write"
    assert not [sentence for sentence in answer.says if "tirage" in sentence or "offers" in sentence]


def test_no_amount_of_the_first_page_has_cents_but_a_bottle_and_a_litre(demo_runs: Runs) -> None:
    answer = front_page(demo_runs, (), ())
    kinds = {name: catalogue.column(str(name)).kind for frame in answer.tables.values() for name in frame}
    assert kinds["front_amount"] == "money total"
    assert "money amount" not in kinds.values()


def test_every_figure_of_the_demo_is_as_kept(demo_runs: Runs) -> None:
    assert differences("demo", ["front page"], demo_runs) == []
