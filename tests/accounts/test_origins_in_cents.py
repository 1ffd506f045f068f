"""Origins as they are printed: whole cents that add up to the release's cost, capital to what it bears."""

from __future__ import annotations

import numpy as np
import pytest

from costing.accounts.origins import origins_of_latest


def test_every_amount_is_in_cents_and_the_parts_make_the_whole(demo_runs) -> None:
    lines = origins_of_latest(demo_runs)["origins"]
    for column in ("total", "own_share", "capital", "whole_amount"):
        assert lines[column].to_numpy() == pytest.approx(np.round(lines[column].to_numpy(dtype=float), 2), abs=1e-9)
    parts = (lines["own_share"] + lines["capital"]).to_numpy(dtype=float)
    assert parts == pytest.approx(lines["total"].to_numpy(dtype=float), abs=1e-9)
    assert (lines["capital"].abs() > 0.004).any()
