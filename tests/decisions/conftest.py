"""The small house with something of every kind to decide, for what does not depend on how much there is."""

from __future__ import annotations

import pytest

from costing import read_estate
from costing.model import Runs
from tests.golden.every_decision import tables


@pytest.fixture(scope="session")
def small_runs() -> Runs:
    """Its results by basis, each computed once; tests change a copy."""
    return Runs(read_estate(tables()))
