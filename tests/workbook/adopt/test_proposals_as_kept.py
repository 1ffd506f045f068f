"""What a person's own sheets are understood as, and what is proposed for them, stays as it is kept in
`proposals_as_kept/`, a line per case (`python -m tests.workbook.adopt.test_proposals_as_kept` keeps it anew; read the
lines that change before).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.kept_lines import by_name, found, keep, kept
from tests.workbook.adopt import proposals

KEPT = Path(__file__).with_name("proposals_as_kept")
SECTIONS = by_name(
    proposals.sheets_understood,
    proposals.headers_understood,
    proposals.cells_of_a_sort,
    proposals.proposed,
    proposals.books_taken_on,
)


@pytest.mark.parametrize("section", SECTIONS)
def test_what_is_made_of_a_persons_own_sheets_is_as_kept(section: str) -> None:
    assert found(SECTIONS, section) == kept(KEPT, section)


if __name__ == "__main__":
    keep(KEPT, SECTIONS)
