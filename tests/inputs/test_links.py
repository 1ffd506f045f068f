"""The sheet `Links`: what its rows say, before any sheet of the person's own is looked into."""

from __future__ import annotations

import pandas as pd
import pytest

from costing.inputs.links import Links, read_links
from costing.inputs.load import read_frames


def _read(**cells: object) -> Links:
    row = {"Their sheet": "Keller", "Our sheet": "Movements", "Our column": "Date", "Your column": "A", **cells}
    return read_links(read_frames({"Links": pd.DataFrame([row])}), ["Keller"])


@pytest.mark.parametrize(("first", "row"), [("", 2), ("1", 1), ("4", 4), ("0", 2)])
def test_a_list_without_headers_may_begin_in_the_first_row(first: str, row: int) -> None:
    (linked,) = _read(**{"First row": first}).sheets
    assert linked.first_row == row


def test_notes_of_ones_own_beside_the_links_are_passed_over() -> None:
    read = _read(**{"What I asked the cellar": "since when?"})
    assert [link.theirs for linked in read.sheets for link in linked.links] == ["A"]
    assert not read.findings
