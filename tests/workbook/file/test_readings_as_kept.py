"""What is made of formulas, sheets, styles and indexes stays as it is kept in `readings_as_kept/`, a line per case
(`python -m tests.workbook.file.test_readings_as_kept` keeps it anew; read the lines that change before).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.workbook.file import readings

KEPT = Path(__file__).with_name("readings_as_kept")
SECTIONS: dict[str, Callable[[], Iterator[str]]] = {
    section.__name__: section
    for section in (
        readings.formulas,
        readings.rows_edited,
        readings.sheets_scanned,
        readings.inputs_counted,
        readings.styles_appended,
        readings.indexes_changed,
        readings.long_tables,
        readings.formulas_that_depend,
    )
}


def _lines(section: str) -> list[str]:
    return [line.replace("\n", "\\n") for line in SECTIONS[section]()]


@pytest.mark.parametrize("section", SECTIONS)
def test_what_is_made_of_a_file_is_as_kept(section: str) -> None:
    assert _lines(section) == (KEPT / f"{section}.txt").read_text("utf-8").split("\n")[:-1]


if __name__ == "__main__":
    for name in SECTIONS:
        (KEPT / f"{name}.txt").write_text("".join(f"{line}\n" for line in _lines(name)), "utf-8")
