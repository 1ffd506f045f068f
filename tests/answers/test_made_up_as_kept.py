"""What a reader sees of answers of made-up figures stays as it is kept in `made_up_as_kept/`, a line per case
(`python -m tests.answers.test_made_up_as_kept` keeps it anew; read the lines that change before).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.answers import made_up
from tests.kept_lines import by_name, found, keep, kept

KEPT = Path(__file__).with_name("made_up_as_kept")
SECTIONS = by_name(made_up.answers_seen, made_up.sums_compared)


@pytest.mark.parametrize("section", SECTIONS)
def test_what_is_seen_of_an_answer_is_as_kept(section: str) -> None:
    assert found(SECTIONS, section) == kept(KEPT, section)


if __name__ == "__main__":
    keep(KEPT, SECTIONS)
