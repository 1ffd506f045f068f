"""No figure and no sentence of a whole answer moves unnoticed: `as_kept` says how to keep them anew. The demo's
decisions stand beside the other tests of each decision, where they are computed anyway.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import pytest

from costing.model import Runs
from tests.form import chosen, in_full
from tests.golden.as_kept import differences, runs_of
from tests.golden.questions import ACCOUNTS, ALIKE, ANSWERS, DRAWN, FOR_OTHERS, QUICK


@pytest.fixture(scope="module")
def once() -> Callable[[str], Runs]:
    """Results of an estate, each run for all tests: a fixture, so that they are known to share them."""
    return cache(runs_of)


@pytest.mark.parametrize("name", ANSWERS)
@pytest.mark.parametrize("estate", ["each_kind_of_work", "one_of_each_sheet"])
def test_answers_of_small_estates(estate: str, name: str, once: Callable[[str], Runs]) -> None:
    assert differences(estate, [name], once(estate)) == []


_ASKED_OF_OTHERS = {
    "demo_opened": ("ageing", "tirage", "offers", "recipes", "scenarios", "front page"),
    "demo_varied": ("plan", "tirage", "offers", "scenarios"),
    "demo_bare": ("prices",),
    "demo_broken": ("blend", "scenarios"),
    "demo_asked": ("plan", "offers", "ageing"),
    "every_decision_on_the_day": ("forecast", "sensitivity", "every basis", "year closed"),
    "every_decision_begins_today": ("forecast", "ageing", "every basis"),
    "every_decision_of_a_few_bottles": ("every basis", "year closed"),
}
"""What turns at no bound where none of the others turns, and takes long."""


def _marks(estate: str, name: str) -> tuple[pytest.MarkDecorator, ...]:
    """Slow: what the others ask too, of more lots or at further bounds."""
    more = estate.startswith("demo_") or estate.endswith(("on_the_day", "begins_today", "of_a_few_bottles"))
    long = name in _ASKED_OF_OTHERS.get(estate, ())
    return (*([pytest.mark.slow] if more else []), *([in_full] if long else []))


@pytest.mark.parametrize(
    ("estate", "name"),
    [pytest.param(estate, name, marks=_marks(estate, name)) for estate in QUICK for name in QUICK[estate]],
)
def test_decisions_on_small_estates(estate: str, name: str, once: Callable[[str], Runs]) -> None:
    assert differences(estate, [name], once(estate)) == []


@pytest.mark.parametrize("name", FOR_OTHERS)
def test_answers_of_a_house_that_works_for_others(name: str, once: Callable[[str], Runs]) -> None:
    assert differences("works_for_others", [name], once("works_for_others")) == []


@pytest.mark.slow
@pytest.mark.parametrize("estate", chosen(full=[*DRAWN], short=[name for name in DRAWN if "plans" not in name]))
def test_accounts_of_drawn_estates(estate: str) -> None:
    assert differences(estate, ALIKE, runs_of(estate)) == []


@pytest.mark.parametrize("name", ["every basis", "in the past", "year closed", *ACCOUNTS])
def test_accounts_of_the_demo(name: str, demo_runs: Runs) -> None:
    assert differences("demo", [name], demo_runs) == []
