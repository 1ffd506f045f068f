"""How result sheets look is kept for sheets drawn from a seed too, with every kind of column and chart, long and short
(`python -m tests.workbook.looks` keeps it anew).
"""

from __future__ import annotations

import pytest

from tests.workbook.looks import DRAWN, differences, looks_of_drawn


@pytest.mark.parametrize("seed", DRAWN)
def test_drawn_sheets_look_as_kept(seed: str) -> None:
    assert differences("drawn", looks_of_drawn(seed), seed) == []
