"""When garbage is looked for is as it was before, whatever happened meanwhile."""

from __future__ import annotations

import gc
from contextlib import suppress

import pytest

from costing.garbage import not_looked_for


@pytest.mark.parametrize("looked_for", [True, False])
def test_it_is_not_looked_for_meanwhile_and_afterwards_as_before(looked_for: bool) -> None:
    was = gc.isenabled()
    try:
        (gc.enable if looked_for else gc.disable)()
        with suppress(ValueError), not_looked_for():
            assert not gc.isenabled()
            raise ValueError
        assert gc.isenabled() is looked_for
    finally:
        (gc.enable if was else gc.disable)()
