"""What cells, headers, titles, settings, links and sheets are read as stays as it is kept in `reading_as_kept/`, a line
per case (`python -m tests.inputs.test_reading_as_kept` keeps it anew; read the lines that change before).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.inputs import readings, readings_of_estates, readings_of_sheets
from tests.kept_lines import by_name, found, keep, kept

KEPT = Path(__file__).with_name("reading_as_kept")
SECTIONS = by_name(
    readings.columns_read,
    readings.columns_taken_apart,
    readings.words,
    readings.titles_and_headers,
    readings.settings_sheets,
    readings_of_sheets.translations,
    readings_of_sheets.links,
    readings_of_sheets.sheets_read,
    readings_of_estates.tables_of_drawn_rows,
    readings_of_sheets.folders,
    readings_of_estates.what_can_be_read_of_a_refused_estate,
    readings_of_estates.findings_of_many,
    readings_of_estates.fingerprints,
)


@pytest.mark.parametrize("section", SECTIONS)
def test_what_is_read_is_as_kept(section: str) -> None:
    assert found(SECTIONS, section) == kept(KEPT, section)


if __name__ == "__main__":
    keep(KEPT, SECTIONS)
