"""Results that do not add up are not handed on, and the lots at fault are named."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from scipy.sparse import csr_matrix

from costing import BOOK, model, read_estate
from costing.errors import IdentityError
from tests.decisions.one_bottling import one_bottling
from tests.money.test_entries import pressed


def test_a_run_whose_cost_out_is_not_its_cost_in_fails_and_names_the_lot(monkeypatch: pytest.MonkeyPatch) -> None:
    """A tenth of what the must of the second load passes on is lost: it is named, the first is not."""
    right = model.shares_of

    def wrong(*arguments: Any, **options: Any) -> Any:
        shares = right(*arguments, **options)
        damaged = shares.matrix.tocoo()
        damaged.data[damaged.row == damaged.row.max()] *= 0.9
        return replace(shares, matrix=csr_matrix(damaged))

    estate = read_estate(pressed(("2025-09-10", "2025-09-12")))
    model.run(estate, BOOK)
    monkeypatch.setattr(model, "shares_of", wrong)
    with pytest.raises(IdentityError) as fault:
        model.run(estate, BOOK)
    assert "lots at fault: M2 on 2025-09-12)" in str(fault.value)


def test_a_state_is_named_by_its_lot_its_press_load_or_the_row_that_opened_it() -> None:
    for tables, named in ((pressed(), "press load P1 on 2025-09-10"), (one_bottling(), "batch opened on 2022-03-01")):
        results = model.run(read_estate(tables), BOOK)
        assert results.state_name(0) == ("G on 2025-09-10" if "pressings" in tables else "W on 2022-03-01")
        assert results.state_name(int(results.chain.states.batch_state[0])).startswith(named)
