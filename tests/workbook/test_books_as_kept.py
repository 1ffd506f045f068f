"""What is read from whole sheets and made of whole workbooks stays as it is kept in `books_as_kept/`, a line per case
(`python -m tests.workbook.test_books_as_kept` keeps it anew; read the lines that change before).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.kept_lines import by_name, found, keep, kept
from tests.workbook import books

KEPT = Path(__file__).with_name("books_as_kept")
SECTIONS = by_name(
    books.sheets_read, books.sheets_linked, books.next_workbooks, books.tables_placed, books.inputs_written
)


@pytest.mark.parametrize("section", SECTIONS)
def test_what_is_made_of_whole_sheets_and_workbooks_is_as_kept(section: str) -> None:
    assert found(SECTIONS, section) == kept(KEPT, section)


if __name__ == "__main__":
    keep(KEPT, SECTIONS)
