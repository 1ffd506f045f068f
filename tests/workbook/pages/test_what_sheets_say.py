"""Every sheet for deciding opens with its answer in words, its reason stands last, and nothing that it keeps behind the
+ stands open.
"""

from __future__ import annotations

import pytest

from costing.answers import catalogue
from costing.commands.records import answers_of_run
from costing.decisions.changes.futures import futures
from costing.decisions.changes.sensitivity import sensitivity
from costing.decisions.changes.uncertainty_tables import forecast_answer
from costing.decisions.filling.offers import offers
from costing.decisions.filling.spring_tirage import tirage
from costing.model import Runs
from costing.workbook.pages.answer_sheets import result_sheets
from costing.workbook.pages.result_sheet import ResultSheet
from tests.form import chosen


@pytest.fixture(scope="module")
def decided(demo_runs: Runs) -> list[ResultSheet]:
    """The sheets for deciding, those of single commands too."""
    more = [decide(demo_runs) for decide in (sensitivity, tirage, offers, *chosen(full=[futures], short=[]))]
    sheets = result_sheets([*answers_of_run(demo_runs, []), *more, forecast_answer(demo_runs, 200)])
    return [sheet for sheet in sheets if sheet.group == "decisions"]


def test_every_sheet_for_deciding_opens_with_an_answer_of_its_own(decided: list[ResultSheet]) -> None:
    """Hold or release said how it is computed; Price changes and Borrowing repeated the answer of another sheet."""
    wanted = {name for name, plan in catalogue.sheet_plans().items() if plan.group == "decisions"}
    wanted -= chosen(full=set(), short={"Futures"})
    assert {sheet.name for sheet in decided} == wanted
    first = {sheet.name: sheet.says[0] for sheet in decided if sheet.says}
    assert wanted - set(first) == set()
    assert len(set(first.values())) == len(first), first
    method = {note for plan in catalogue.sheet_plans().values() for note in plan.notes}
    assert not set(first.values()) & method


def test_what_stands_behind_the_first_table_is_not_opened_by_a_wider_one_below(decided: list[ResultSheet]) -> None:
    """Advised stood open after the reason of Spring tirage, because a table below it had a column more."""
    opened = {
        sheet.name: [str(name) for name in sheet.tables[0].frame.columns[sheet.tables[0].shown : widest]]
        for sheet in decided
        if (widest := max(table.shown for table in sheet.tables)) > sheet.tables[0].shown
    }
    assert {name: headers for name, headers in opened.items() if headers} == {}
