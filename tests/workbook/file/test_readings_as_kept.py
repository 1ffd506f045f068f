"""What is made of formulas, sheets, styles and indexes stays as it is kept in `readings_as_kept/`, a line per case
(`python -m tests.workbook.file.test_readings_as_kept` keeps it anew; read the lines that change before).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.kept_lines import by_name, found, keep, kept
from tests.workbook.file import parts, readings, typed_cells

KEPT = Path(__file__).with_name("readings_as_kept")
SECTIONS = by_name(
    readings.formulas,
    readings.rows_edited,
    readings.sheets_scanned,
    readings.inputs_counted,
    readings.styles_appended,
    readings.indexes_changed,
    readings.long_tables,
    readings.formulas_that_depend,
    typed_cells.typed_on_results,
    typed_cells.logs_read,
    parts.result_sheets_made,
    parts.values_doubted,
    parts.backups_named,
    parts.packages_refused,
    parts.archives_written,
)


@pytest.mark.parametrize("section", SECTIONS)
def test_what_is_made_of_a_file_is_as_kept(section: str) -> None:
    assert found(SECTIONS, section) == kept(KEPT, section)


if __name__ == "__main__":
    keep(KEPT, SECTIONS)
