"""How a figure of each kind is written, on the screen and in a spreadsheet."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from costing.answers.kinds import COLUMN_KINDS, NUMBER_FORMATS, TEXTS, about, written
from costing.answers.steps import steps

AS_WRITTEN = {
    **{"money total": "1,235", "money amount": "1,234.57", "money per unit": "1,234.57"},
    **{"money in detail": "1,234.5679", "bottles": "1,235", "litres": "1,235", "kilograms": "1,235"},
    **{"quantity": "1,235", "count": "1,235", "months": "1,235", "years": "1,234.6", "share": "123456.8%"},
    **{"rate": "123456.8%", "factor": "1,234.5679", "number": "1,234.5679"},
}
FORMATS = {
    **{"money total": "#,##0", "money amount": "#,##0.00", "money per unit": "#,##0.00", "years": "#,##0.0"},
    **{"money in detail": "#,##0.0000", "share": "0.0%", "factor": "#,##0.0000", "number": "#,##0.00##"},
}


def test_each_kind_has_its_decimals() -> None:
    figures = {name: written(1234.56789, name) for name, kind in COLUMN_KINDS.items() if kind.is_figure}
    assert figures == AS_WRITTEN
    assert {name: NUMBER_FORMATS[name] for name in FORMATS} == {name: f"{of};-{of};–" for name, of in FORMATS.items()}
    assert (NUMBER_FORMATS["date"], NUMBER_FORMATS["text"]) == ("yyyy-mm-dd", "General")
    assert {"text", "lot", "verdict", "place", "yes or no"} == TEXTS
    assert written(2.5, "number") == "2.50"
    assert written(1234.56789, "money amount", 3) == "1,234.568"


@pytest.mark.parametrize("nothing", [None, np.nan, pd.NaT, pd.NA])
def test_what_is_not_there_is_blank(nothing: object) -> None:
    assert written(nothing, "money amount") == written(nothing, "date") == written(nothing, "text") == ""


def test_truths_days_and_words_are_written_as_they_are_said() -> None:
    assert [written(truth, "yes or no") for truth in (True, False, np.True_)] == ["yes", "no", "yes"]
    assert written(pd.Timestamp("2025-12-31"), "date") == "2025-12-31"
    assert written("all that is left", "litres") == "all that is left"


@pytest.mark.parametrize(
    ("amount", "said"),
    [
        (0.4, "0"),
        (12.4, "12"),
        (999.5, "1,000"),
        (1_234.0, "1,230"),
        (-98_765.0, "-98,800"),
        (1_234_567.0, "1,230,000"),
    ],
)
def test_an_estimate_has_three_figures(amount: float, said: str) -> None:
    assert about(amount) == said


def test_steps_float_between_the_sums_before_and_after_them() -> None:
    table = steps(["a", "b", "c", "d"], [2.0, -0.5, 3.0, 4.5], [False, False, False, True])
    assert table["step_base"].tolist() == [0.0, 1.5, 1.5, 0.0]
    assert table[["step_total", "step_rise", "step_fall"]].fillna(0.0).to_numpy().tolist() == [
        [0.0, 2.0, 0.0],
        [0.0, 0.0, 0.5],
        [0.0, 3.0, 0.0],
        [4.5, 0.0, 0.0],
    ]
