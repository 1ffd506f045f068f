"""No figure and no sentence of a whole answer moves unnoticed: `as_kept` says how to keep them anew. The demo's
decisions stand beside the other tests of each decision, where they are computed anyway.
"""

from __future__ import annotations

import pytest

from costing.model import Runs
from tests.golden.as_kept import ACCOUNTS, ANSWERS, differences, estates


@pytest.fixture(scope="module")
def small() -> dict[str, Runs]:
    return {name: Runs(estate) for name, estate in estates().items() if name != "demo"}


@pytest.mark.parametrize("name", ANSWERS)
@pytest.mark.parametrize("estate", ["each_kind_of_work", "one_of_each_sheet"])
def test_answers_of_small_estates(estate: str, name: str, small: dict[str, Runs]) -> None:
    assert differences(estate, [name], small[estate]) == []


@pytest.mark.parametrize("name", ["every basis", *ACCOUNTS])
def test_accounts_of_the_demo(name: str, demo_runs: Runs) -> None:
    assert differences("demo", [name], demo_runs) == []
