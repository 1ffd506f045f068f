"""The demo: CSV files are the source, the workbook is built from them, and both say that the estate is invented."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from costing import read_estate
from costing.inputs.schema import sheets

ROOT = Path(__file__).parents[1]
WORKBOOK = ROOT / "workbooks" / "demo_estate.xlsx"


@pytest.fixture(scope="module")
def demo(demo_estate):
    return demo_estate


def test_workbook_is_built_from_the_files(demo) -> None:
    built = read_estate(WORKBOOK)
    assert built.settings == demo.settings
    for name in set(sheets()) - {"settings"}:
        left, right = built[name].astype(object), demo[name].astype(object)
        pd.testing.assert_frame_equal(
            left.where(left.notna(), None), right.where(right.notna(), None), check_dtype=False
        )


def test_it_says_that_it_is_invented() -> None:
    first = openpyxl.load_workbook(WORKBOOK, read_only=True).worksheets[0]
    said = " ".join(str(cell) for row in first.iter_rows(values_only=True) for cell in row if cell)
    assert "invented" in said
    assert "invented" in (ROOT / "demo_estate" / "README.md").read_text(encoding="utf-8")


def test_it_exercises_every_stage(demo) -> None:
    assert demo["deliveries"]["supplier"].nunique() >= 5
    assert demo["deliveries"]["growing_cost_per_unit"].notna().any()
    assert demo["deliveries"]["variety"].nunique() == 3
    assert demo["deliveries"]["on_date"].dt.year.nunique() == 8
    assert set(demo["pressings"]["fraction"].dropna()) >= {"first", "second"}
    assert set(demo["tirage"]["format"]) >= {"half", "bottle", "magnum"}
    assert set(demo["disgorgements"]["riddling"].dropna()) == {"hand riddling", "machine riddling"}
    assert {"re-bulking", "downgrading", "bulk sale", "to reserve", "blending"} <= set(demo["movements"]["operation"])
    assert len(demo["cuvees"]) >= 5
