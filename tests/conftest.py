"""What all tests share: the demo estate, read and run once, and hypothesis profiles.

Property tests draw the same examples on every run, without a time limit; COSTING_FULL=1 draws new ones.
"""

from __future__ import annotations

import os

import pytest
from hypothesis import settings

from costing import Estate, read_estate
from costing.commands.records import demo_folder
from costing.commands.source import Runs

settings.register_profile("steady", derandomize=True, deadline=None)
settings.register_profile("full", deadline=None)
settings.load_profile("full" if os.environ.get("COSTING_FULL") else "steady")


@pytest.fixture(scope="session")
def demo_estate() -> Estate:
    """The demo estate; frozen, so tests that change it change a copy."""
    return read_estate(demo_folder())


@pytest.fixture(scope="session")
def demo_runs(demo_estate: Estate) -> Runs:
    """Results of the demo estate by basis, each computed once."""
    return Runs(demo_estate)
