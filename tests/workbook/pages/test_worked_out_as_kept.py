"""What sheets, cells and pages are worked out as stays as it is kept in `worked_out_as_kept/`, a line per case
(`python -m tests.workbook.pages.test_worked_out_as_kept` keeps it anew; read the lines that change before).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.kept_lines import by_name, found, keep, kept
from tests.workbook.pages import worked_out

KEPT = Path(__file__).with_name("worked_out_as_kept")
SECTIONS = by_name(
    worked_out.sheets_of_answers, worked_out.cells_of_values, worked_out.pages_worked_out, worked_out.widths_worked_out
)


@pytest.mark.parametrize("section", SECTIONS)
def test_what_is_worked_out_for_a_sheet_is_as_kept(section: str) -> None:
    assert found(SECTIONS, section) == kept(KEPT, section)


if __name__ == "__main__":
    keep(KEPT, SECTIONS)
