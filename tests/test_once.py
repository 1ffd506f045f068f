"""A question asked again gives what it gave before, and nobody changes what was given."""

from __future__ import annotations

import gc
import pickle
import weakref
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace

import pandas as pd
import pytest

from costing import read_estate
from costing.accounts.amounts_charged import charged
from costing.accounts.costs import costs
from costing.accounts.origins import made_of_latest, origins_of_latest
from costing.accounts.over_time import over_time
from costing.accounts.stock import stock
from costing.answers.answer import Answer
from costing.decisions.cash.cash import cash
from costing.decisions.cautions import cautions_of
from costing.decisions.cellar.recipes import recipes
from costing.decisions.cellar.reserves import vats
from costing.decisions.changes.scenarios import scenarios_answer
from costing.decisions.changes.why import why_answer
from costing.decisions.hold_or_release import ageing
from costing.decisions.plan.views import plan_answer
from costing.decisions.prices.margins import margins
from costing.decisions.prices.prices import prices
from costing.inputs.estate import Estate
from costing.model import Runs, run
from costing.once import Once, asked_once
from tests.form import every
from tests.golden.every_decision import tables

QUESTIONS: tuple[Callable[[Runs], Answer], ...] = (
    *(costs, stock, over_time, origins_of_latest, made_of_latest, plan_answer, prices, margins, cash, ageing, vats),
    *(recipes, scenarios_answer, why_answer),
)


@pytest.fixture(scope="module")
def estate() -> Estate:
    """The small house with something of every kind."""
    return read_estate(tables())


@contextmanager
def collecting_nothing_older() -> Iterator[None]:
    """What stood before is left out by the collector, so that looking through takes no longer after many tests."""
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()


class Cellar(Once):
    """Counts how often it is looked through."""

    looked = 0


@asked_once
def bottles_of(cellar: Cellar, cuvee: str, least: int = 0, among: tuple[object, ...] = ()) -> list[str]:
    cellar.looked += 1
    return [cuvee, str(least), str(len(among))]


def test_an_answer_is_kept_with_its_subject_and_by_the_values_asked() -> None:
    cellar, other = Cellar(), Cellar()
    first = bottles_of(cellar, "".join(("Br", "ut")))
    assert bottles_of(cellar, "Brut") is first  # the same text, though another object
    assert bottles_of(cellar, cuvee="Brut", least=0) is first  # by name, and a default that is said
    assert bottles_of(cellar, "Brut", 1) == ["Brut", "1", "0"]
    assert bottles_of(cellar, "Brut", True) == ["Brut", "True", "0"]  # equal to 1, and something else
    assert bottles_of(other, "Brut") == first
    assert (cellar.looked, other.looked) == (3, 1)


def test_what_has_no_value_is_told_apart_by_identity_and_kept_as_long_as_its_answer() -> None:
    cellar = Cellar()
    for _ in range(50):  # an object that is let go gives its identity to the next
        bottles_of(cellar, "Brut", 0, (pd.DataFrame(),))
    assert cellar.looked == 50
    frame = pd.DataFrame()
    assert bottles_of(cellar, "Brut", 0, (frame,)) is bottles_of(cellar, "Brut", 0, (frame,))


@pytest.mark.slow
def test_no_answer_changes_what_another_one_reads(estate) -> None:
    """Every answer is the same whichever was asked before it."""
    asked = every(3, QUESTIONS, 1)
    onwards, backwards = Runs(replace(estate)), Runs(replace(estate))
    first = {question.__name__: question(onwards).to_json() for question in asked}
    last = {question.__name__: question(backwards).to_json() for question in reversed(asked)}
    assert first == last


def test_no_question_changes_a_table_that_is_kept(estate) -> None:
    runs = Runs(replace(estate))
    kept_by = (runs, runs.estate, runs.chain, runs.book, runs.economic)
    first: dict[int, tuple[str, pd.DataFrame, pd.DataFrame]] = {}
    for question in (charged, cautions_of, *every(4, QUESTIONS), cautions_of):
        question(runs)
        kept = [one for subject in kept_by for one in vars(subject).get("_kept", {}).items()]
        for (asked, *_), (_, answer) in kept:
            for table in answer.tables.values() if isinstance(answer, Answer) else [answer]:
                if isinstance(table, pd.DataFrame) and id(table) not in first:
                    first[id(table)] = asked.__name__, table, table.copy()
    assert len(first) > 30
    assert [name for name, table, as_given in first.values() if not table.equals(as_given)] == []
    for name, table in estate.tables.items():
        as_read = table.copy()
        assert [column for column in as_read if not table[column].equals(as_read[column])] == [], name


def test_a_table_of_an_estate_gives_one_column_and_takes_none(demo_estate) -> None:
    moves = demo_estate["movements"]
    assert moves["out_l"] is moves["out_l"]
    assert moves["out_l"] is replace(demo_estate)["movements"]["out_l"]
    assert list(moves[["out_l", "in_l"]]) == ["out_l", "in_l"]
    with pytest.raises(TypeError, match="take a copy"):
        moves["out_l"] = 0.0
    changed = moves.copy()
    changed["out_l"] = 0.0
    assert changed["out_l"].sum() == 0.0 < moves["out_l"].sum()
    assert pickle.loads(pickle.dumps(moves))["out_l"].equals(moves["out_l"])


@asked_once
def bottles_of_both(cellar: Cellar, other: Cellar) -> int:
    return cellar.looked + other.looked


def test_an_answer_goes_with_the_last_of_its_subjects() -> None:
    with collecting_nothing_older():
        cellar, other = Cellar(), Cellar()
        assert bottles_of_both(cellar, other) == 0
        cellar.looked = 1
        assert bottles_of_both(cellar, other) == 0
        assert bottles_of_both(other, cellar) == 1
        gone = weakref.ref(other)
        del other
        gc.collect()
        assert gone() is not None, "its answer stands with the first, which came last there"
        third = Cellar()
        bottles_of_both(cellar, third)
        gone = weakref.ref(third)
        del third
        assert gone() is None


def test_an_estate_keeps_nothing_of_a_run_that_is_let_go(estate) -> None:
    """Each run left its chain behind, a gigabyte at half a million movements."""
    with collecting_nothing_older():
        own = replace(estate)
        results = run(own)
        gone = weakref.ref(results.chain)
        del results
        gc.collect()
        assert gone() is None
