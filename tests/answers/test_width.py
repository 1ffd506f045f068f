"""What a terminal shows of every answer fits its width."""

from __future__ import annotations

import pytest

from costing.answers.text import text_answer
from costing.commands.records import answers_of_run
from costing.decisions.cautions import cautions_of
from costing.decisions.filling.offers import offers
from costing.decisions.filling.spring_tirage import tirage


@pytest.mark.parametrize("width", [80, 100, 140])
def test_every_table_of_every_answer_fits_the_screen(demo_runs, width: int) -> None:
    answers = [*answers_of_run(demo_runs, cautions_of(demo_runs)), tirage(demo_runs), offers(demo_runs)]
    tables = [(name, text_answer(answer, (name,), width=width)) for answer in answers for name in answer.tables]
    too_wide = {name: line for name, text in tables for line in text.splitlines() if len(line) > width}
    assert not too_wide
    assert sum(len(answer.tables) for answer in answers) > 60
