"""Slips of ten kinds at once are mended in two rounds of `check`, whatever hides behind what.

Common practice, no source: a person puts right what is told and checks again; each further round is a day lost.
"""

from __future__ import annotations

import pandas as pd
import pytest

import costing
from tests.form import chosen, in_full
from tests.inputs.slips import WAYS, Slip, check, rounds, slips, with_slips

SEEDS = chosen(full=range(60), short=(0, 18))
MOST_ROUNDS = 2


@pytest.fixture(scope="module")
def frames() -> dict[str, pd.DataFrame]:
    return costing.open("demo_estate").frames()


@pytest.mark.slow
@pytest.mark.parametrize("seed", SEEDS)
def test_slips_of_every_kind_are_mended_in_two_rounds(seed: int, frames: dict[str, pd.DataFrame]) -> None:
    made = slips(frames, seed)
    assert {slip.kind for slip in made} == {*WAYS}
    by_round = list(rounds(frames, made))
    left = [slip for slip in made if not any(slip in mended for mended, _ in by_round)]
    said = [str(finding) for finding in by_round[-1][1]]
    assert not left, f"seed {seed}: never told: {left}, but {said}"
    assert len(by_round) <= MOST_ROUNDS, f"seed {seed}: {[(slip.kind, slip.place) for slip in by_round[-1][0]]}"


@in_full
def test_one_sheet_at_a_time_takes_longer(frames: dict[str, pd.DataFrame], monkeypatch: pytest.MonkeyPatch) -> None:
    """The measure can fail: told of the first sheet alone, a person comes back for each of the others."""
    made = slips(frames, 0)

    def of_the_first_sheet(typed: dict[str, pd.DataFrame]) -> list[costing.Finding]:
        findings = check(typed)
        return [one for one in findings if one.place.split("!")[0] == findings[0].place.split("!")[0]]

    monkeypatch.setattr("tests.inputs.slips.check", of_the_first_sheet)
    assert len(list(rounds(frames, made))) >= 5


def test_balances_are_told_beside_cells_that_cannot_be_read(
    frames: dict[str, pd.DataFrame], monkeypatch: pytest.MonkeyPatch
) -> None:
    """All ten in one round; two where the balances wait for the other errors."""
    made = slips(frames, 6)
    assert len(list(rounds(frames, made))) == 1
    monkeypatch.setattr("costing.inputs.load.readable", lambda *_: None)
    assert len(list(rounds(frames, made))) == 2


def test_a_lot_filled_under_a_near_name_is_named_where_it_is_missed(frames: dict[str, pd.DataFrame]) -> None:
    """Too short a code for a near name to be a caution of its own: V25-01 and V25-011 may be two vats."""
    row = int(frames["pressings"].index[frames["pressings"]["to_lot"] == "S22-A"][0])
    slip = Slip("a lot misspelt where it is filled", "pressings", row, "to_lot", "S22-AA", "S22-A")
    said = [one.remedy for one in check(with_slips(frames, [slip])) if "S22-A" in one.rule]
    assert any(f"{slip.place} fills 'S22-AA', from which nothing is drawn: the same lot?" in one for one in said)
