"""The two forms of a test run: COSTING_FULL=1 takes every case, the short one a few of those that differ in data alone.

Rule: both forms of a test stand in one place, and the short one keeps a case of every mechanism.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from typing import TypeVar

import pytest

T = TypeVar("T")
FULL = bool(os.environ.get("COSTING_FULL"))
in_full = pytest.mark.skipif(not FULL, reason="long, and held by a quicker test beside it: COSTING_FULL=1")


def chosen(*, full: T, short: T) -> T:
    """What this form takes."""
    return full if FULL else short


def every(step: int, cases: Iterable[T], first: int = 0) -> list[T]:
    """All cases; in the short form one in so many, from the first."""
    return list(cases) if FULL else list(cases)[first::step]
