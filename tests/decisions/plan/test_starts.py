"""A plan that starts from the solution of a like one is worth what it is worth alone, with the same worths; of two
programmes solved, the second proves the first. No source: a property.
"""

from __future__ import annotations

from dataclasses import replace

import highspy
import numpy as np
import pytest

from costing.decisions.plan.facts import Stacks
from costing.decisions.plan.planning import Search
from costing.decisions.plan.programme import Programme
from tests.decisions.plan.test_planning import facts_of
from tests.form import every


def same(begun: Search, alone: Search) -> None:
    for mine, cold in zip((begun._found, begun._priced[1]), (alone._found, alone._priced[1]), strict=True):
        assert mine.value == pytest.approx(cold.value, rel=1e-9, abs=1e-6)
        system = alone.programme.system()
        used = system.matrix @ mine.amounts
        assert (used <= system.row_most + 1e-6).all()
        assert (used >= system.row_least - 1e-6).all()


@pytest.mark.parametrize("seed", every(4, range(12)))
def test_other_quantities_and_other_limits(seed: int) -> None:
    facts = facts_of(seed)
    first = Search(facts)
    stacks, limits = facts.stacks, facts.limits
    fewer = replace(stacks, bottles=stacks.bottles * 0.6, most=stacks.most * 0.6)
    less = replace(limits, line=limits.line * 0.5, supply=limits.supply * 1.5)
    for other in (replace(facts, stacks=fewer), replace(facts, limits=less)):
        same(Search(other, start=first), Search(other))


@pytest.mark.parametrize("seed", every(4, range(12)))
def test_one_lot_more(seed: int) -> None:
    facts = facts_of(seed)
    twice = Stacks(**{name: np.concatenate([value, value[:1]]) for name, value in vars(facts.stacks).items()})
    more = replace(facts, stacks=twice)
    same(Search(more, start=Search(facts)), Search(more))


@pytest.mark.parametrize("seed", every(2, range(6)))
def test_disgorgements_that_stand_fixed_from_the_plan_that_is_free(seed: int) -> None:
    facts = facts_of(seed)
    first = Search(facts)
    fixed = np.where(np.arange(facts.dates.steps) < 2, 0.0, first.plan().disgorged)
    same(Search(facts, fixed, start=first), Search(facts, fixed))


def test_a_start_that_is_no_basis_is_left_aside() -> None:
    """Of 2·a + b ≤ 4 and a ≤ 1 (another row, of another name, than the programme that it starts from)."""
    programmes = []
    for name, coefficient in (("rows", 1.0), ("others", 2.0)):
        programme = Programme()
        amount = programme.variables("amount", 2, [3.0, 1.0])
        programme.put(programme.rows(name, 1, most=4.0), amount, [coefficient, 1.0])
        programme.put(programme.rows("one", 1, most=1.0), amount[0])
        programmes.append(programme)
    before = programmes[0].best()
    assert before.value == 6.0
    assert programmes[1].best(start=before).value == 5.0
    assert programmes[1].best(start=before).worth("others").tolist() == [1.0]


def test_a_start_that_leads_nowhere_is_begun_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    class Stuck(highspy._Highs):  # type: ignore[name-defined, misc]
        from_start = False

        def setBasis(self, basis: highspy.HighsBasis) -> None:  # noqa: N802
            self.from_start = True

        def getModelStatus(self) -> highspy.HighsModelStatus:  # noqa: N802
            return highspy.HighsModelStatus.kIterationLimit if self.from_start else super().getModelStatus()

    facts = facts_of(0)
    first = Search(facts)
    monkeypatch.setattr(highspy, "_Highs", Stuck)
    same(Search(facts, start=first), first)


@pytest.mark.parametrize("is_found", [True, False])
def test_out_of_time_what_was_found_stands_and_nothing_found_is_said(
    is_found: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Late(highspy._Highs):  # type: ignore[name-defined, misc]
        def getModelStatus(self) -> highspy.HighsModelStatus:  # noqa: N802
            return highspy.HighsModelStatus.kTimeLimit

    monkeypatch.setattr(highspy, "_Highs", Late)
    programme = Programme()
    whole = programme.variables("whole", 1, 3.0, most=4.0, whole=True)
    programme.put(programme.rows("room", 1, most=7.5, least=0.0 if is_found else 7.0), whole, 2.0)
    if is_found:
        assert programme.best().value == 9.0
    else:
        with pytest.raises(ArithmeticError, match="Time limit"):
            programme.best()


def test_nothing_is_said_on_the_screen(capfd) -> None:
    """What a solver prints would stand before the JSON of an answer."""
    Search(facts_of(0)).worths()
    assert capfd.readouterr() == ("", "")
