"""The same rows from data frames, a folder of CSV files and a workbook give the same figures."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from costing.inputs.basis import BOOK, ECONOMIC
from costing.inputs.schema import sheets
from costing.model import run
from costing.workbook.source import read_estate
from tests.properties.estates import Tables, random_estate
from tests.properties.reading import differences, figures


def write_folder(tables: Tables, folder: Path) -> Path:
    """One CSV file for each sheet, dates in ISO form."""
    folder.mkdir()
    for name, table in tables.items():
        table.to_csv(folder / f"{name}.csv", index=False, date_format="%Y-%m-%d")
    return folder


def write_workbook(tables: Tables, path: Path) -> Path:
    """One sheet for each table, written by pandas."""
    with pd.ExcelWriter(path, engine="openpyxl") as writer:
        for name, table in tables.items():
            table.to_excel(writer, sheet_name=sheets()[name].title, index=False)
    return path


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("write", [write_folder, write_workbook], ids=["CSV", "workbook"])
def test_same_figures_from_every_form(seed: int, write: object, tmp_path: Path) -> None:
    tables = random_estate(seed, 40)
    place = write(tables, tmp_path / ("estate.xlsx" if write is write_workbook else "estate"))  # type: ignore[operator]
    from_frames, from_file = read_estate(tables), read_estate(place)
    for name, table in from_frames.tables.items():
        pd.testing.assert_frame_equal(table, from_file.tables[name], check_categorical=False)
    for basis in (BOOK, ECONOMIC):
        assert differences(figures(run(from_frames, basis)), figures(run(from_file, basis)), 1e-12) == {}
