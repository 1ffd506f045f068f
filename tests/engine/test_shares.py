"""What passes on and what leaves, edge by edge; an edge that does not lead forward in time is refused."""

from __future__ import annotations

import numpy as np
import pytest

from costing.engine.shares import LOST, SENT, shares_of
from costing.errors import CostingError


def test_a_share_passes_on_but_for_its_abnormal_part_and_what_is_sent_away_leaves() -> None:
    """State 0 gives 0.6 to 1, of which a tenth is lost beyond the norm, and 0.4 to 2; 1 sends half of itself away."""
    found = shares_of(
        3,
        source=np.array([0, 1, 0]),
        target=np.array([1, -1, 2]),
        share=np.array([0.6, 0.5, 0.4]),
        abnormal=np.array([0.1, 0.0, 0.0]),
        flow=np.array([7, 8, 9]),
    )
    np.testing.assert_allclose(found.matrix.toarray(), [[0, 0, 0], [0.54, 0, 0], [0.4, 0, 0]], rtol=1e-15)
    leaves = found.exit_source, found.exit_share, found.exit_flow, found.exit_reason
    assert list(zip(*(one.tolist() for one in leaves), strict=True)) == [
        (1, 0.5, 8, SENT),
        (0, pytest.approx(0.06), 7, LOST),
    ]
    assert (found.edge.tolist(), found.edge_share.tolist()) == ([0, 2], [0.54, 0.4])


@pytest.mark.parametrize(("source", "target"), [(1, 0), (2, 1), (2, 2)])
def test_an_edge_that_leads_back_is_refused(source: int, target: int) -> None:
    edges = np.array([0, source]), np.array([1, target]), np.ones(2), np.zeros(2), np.arange(2)
    with pytest.raises(CostingError, match=f"edge 1 leads back in time: state {source} to state {target}"):
        shares_of(3, *edges)
