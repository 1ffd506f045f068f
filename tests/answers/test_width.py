"""What a terminal shows of every answer fits its width."""

from __future__ import annotations

import pytest

from costing.answers import catalogue
from costing.answers.text import text_answer, text_table
from costing.commands.records import answers_of_run
from costing.decisions.cautions import cautions_of
from costing.decisions.filling.offers import offers
from costing.decisions.filling.spring_tirage import tirage
from costing.decisions.hold_or_release import ageing
from tests.form import every


@pytest.mark.slow
@pytest.mark.parametrize("width", every(2, [80, 100, 140]))
def test_every_table_of_every_answer_fits_the_screen(demo_runs, width: int) -> None:
    answers = [*answers_of_run(demo_runs, cautions_of(demo_runs)), tirage(demo_runs), offers(demo_runs)]
    tables = [(name, text_answer(answer, (name,), width=width)) for answer in answers for name in answer.tables]
    too_wide = {name: line for name, text in tables for line in text.splitlines() if len(line) > width}
    assert not too_wide
    assert sum(len(answer.tables) for answer in answers) > 60


def test_the_longest_text_has_most_room(demo_runs) -> None:
    """A reason of a hundred characters, and what the plan does in sixty: neither takes more than six lines."""
    table = catalogue.table("hold_or_release")
    ageing_frame = ageing(demo_runs)["hold_or_release"]
    lines = text_table(table.name, ageing_frame, width=100).splitlines()
    assert len(lines) <= 3 + 6 * len(ageing_frame)
