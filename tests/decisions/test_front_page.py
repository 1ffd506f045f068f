"""The first page: what it says, in figures as large as a person says them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pandas as pd
import pytest

from costing.answers import catalogue
from costing.answers.answer import Answer
from costing.decisions import front_page as page
from costing.decisions.front_page import MOST_CUVEES, front_page
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


@pytest.mark.parametrize(("cuvees", "shown", "left_out"), [(MOST_CUVEES, 24, 0), (MOST_CUVEES + 1, 24, 1)])
def test_cuvees_that_have_no_place_on_the_first_page_are_spoken_of_and_only_they(
    demo_runs: Runs, monkeypatch: pytest.MonkeyPatch, cuvees: int, shown: int, left_out: int
) -> None:
    costed = page.costs(demo_runs)
    rows = costed["latest_costs"].iloc[[0] * cuvees].reset_index(drop=True)
    many = replace(costed, tables={**costed.tables, "latest_costs": rows})
    monkeypatch.setattr(page, "costs", lambda runs: many)
    answer = front_page(demo_runs, (), ())
    assert len(answer["front_costs"]) == shown
    said = [sentence for sentence in answer.says if sentence.startswith(f"Of {cuvees} cuvées and formats")]
    assert len(said) == left_out


def test_cents_owed_and_owing_are_counted_on_their_own_side(monkeypatch: pytest.MonkeyPatch) -> None:
    tables = {
        "cash_by_month": pd.DataFrame({"cash_month": ["2026-04"], "cash_balance": [100.0]}),
        "owed_and_owing": pd.DataFrame({"amount": [0.75, 0.0, 1.0, -0.5, -2.0]}),
    }
    found = Answer(tables, facts={"day": "2025-12-31", "worst": "2026-04"})
    monkeypatch.setattr(page, "cash", lambda runs: found)
    runs: Any = None
    lines = page._cash(runs).set_index("front_line")["front_amount"]
    assert lines["Owed by customers"] == 1.75
    assert lines["Incurred and unpaid"] == 2.5
    assert lines["In the bank in the worst month"] == 100.0


def test_every_figure_of_the_demo_is_as_kept(demo_runs: Runs) -> None:
    assert differences("demo", ["front page"], demo_runs) == []
