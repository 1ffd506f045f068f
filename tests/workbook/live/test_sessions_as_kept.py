"""What is written into an open workbook and read from it stays as it is kept in `sessions_as_kept/`, a line per case
(`python -m tests.workbook.live.test_sessions_as_kept` keeps it anew; read the lines that change before).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.kept_lines import by_name, found, keep, kept
from tests.workbook.live import sessions

KEPT = Path(__file__).with_name("sessions_as_kept")
SECTIONS = by_name(
    sessions.written_in_excel, sessions.written_in_libreoffice, sessions.read_in_excel, sessions.read_in_libreoffice
)


@pytest.mark.parametrize("section", SECTIONS)
def test_what_passes_between_the_link_and_an_open_workbook_is_as_kept(section: str) -> None:
    assert found(SECTIONS, section) == kept(KEPT, section)


if __name__ == "__main__":
    keep(KEPT, SECTIONS)
