"""How wide columns are, and what is wrapped: at the very bounds."""

from __future__ import annotations

import pandas as pd

from costing.workbook.pages.measure import LAST_TEXT, Measured, _is_long, _running_on
from costing.workbook.pages.result_sheet import ResultTable

WIDEST = "0" * int(LAST_TEXT - 2.0)  # two are left free beside a text


def test_a_text_as_wide_as_the_widest_column_is_not_wrapped() -> None:
    for text, is_long in ((WIDEST, False), (WIDEST + "0", True)):
        table = ResultTable("t", pd.DataFrame({"What": [text]}))
        assert _is_long(table, 0, {"What": [text]}) == is_long


def test_a_last_text_runs_on_over_blank_columns_that_may_become_as_wide_as_the_widest() -> None:
    for text, runs in ((WIDEST + "0" * 16, True), (WIDEST + "0" * 17, False)):
        cells = {"Lot": ["A"], "What": [text]}
        widths = {0: 8.0, 1: 16.0, 2: 10.0}
        found = _running_on(ResultTable("t", pd.DataFrame(cells)), cells, widths, 3, may_widen=True)
        assert (found, widths[2]) == (({"What"}, LAST_TEXT) if runs else (set(), 10.0))


def test_charts_stand_beside_the_first_table_where_they_just_find_room() -> None:
    widths = {0: 10.0, 1: 10.0, 2: 2.0, 3: 30.0, 4: 40.0}
    measured = Measured({"first": {"a": [], "b": []}, "wide": dict.fromkeys("abcde", ())}, widths, {}, 5, 1, (), ())
    assert [measured.beside_first(characters) for characters in (70.0, 70.5)] == [True, False]
