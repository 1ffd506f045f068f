"""What is printed adds up: lines are rounded once, by largest remainder, and totals add rounded lines."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

from costing.graph.arrays import STAGES
from costing.inputs.basis import BOOK, ECONOMIC
from costing.model import run
from costing.results.costs import cost_per_bottle, rounded_rows
from tests.form import every
from tests.properties.estates import estate_drawn

amounts = st.floats(-1e5, 1e5, allow_nan=False, width=64)
tables = arrays(np.float64, array_shapes(min_dims=2, max_dims=2, max_side=12), elements=amounts)


@settings(deadline=None)
@given(tables, st.sampled_from([2, 4]))
def test_rounded_lines_add_up_and_stay_within_a_unit(lines: np.ndarray, decimals: int) -> None:
    rounded, total = rounded_rows(lines, decimals)
    unit = 10.0**-decimals
    assert np.rint(rounded.sum(axis=1) / unit) == pytest.approx(np.rint(total / unit), abs=1e-9)
    assert (np.abs(rounded - lines) < unit * (1 + 1e-3)).all()
    assert (np.abs(total - lines.sum(axis=1)) <= unit * (0.5 + 1e-3)).all()


@pytest.mark.parametrize("basis", [BOOK, ECONOMIC], ids=lambda basis: basis.name)
@pytest.mark.parametrize("seed", every(2, range(6)))
def test_stages_of_every_release_add_up_to_its_printed_cost(seed: int, basis: object) -> None:
    table = cost_per_bottle(run(estate_drawn(seed, 60), basis))  # type: ignore[arg-type]
    assert len(table) > 0
    stages = table[[column for column in table if column in STAGES]]
    lines, total = stages.to_numpy() * 1e4, table["per_bottle"].to_numpy() * 1e4
    assert np.rint(lines).sum(axis=1) == pytest.approx(np.rint(total), abs=1e-6)
    assert lines == pytest.approx(np.rint(lines), abs=1e-6)
