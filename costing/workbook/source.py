"""One way in: a workbook, a folder of CSV files or data frames -> Estate. The same rows give the same figures."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from costing.errors import WorkbookError
from costing.inputs import load
from costing.inputs.estate import Estate
from costing.model import loaded
from costing.workbook.read import read_workbook


def read_estate(source: str | Path | Mapping[str, pd.DataFrame]) -> Estate:
    """Validated estate from a workbook, a folder of CSV files, or data frames by sheet name.

    InputError with every finding if the input has errors; WorkbookError if the file cannot be read.
    """
    if isinstance(source, Mapping):
        return loaded(load.read_frames(source), settings_required=False)
    path = Path(source)
    if os.path.isdir(path):  # noqa: PTH112, no fault where the name can't be one
        return loaded(load.read_csv_folder(path))
    if not os.path.exists(path):  # noqa: PTH110
        msg = f"{path} does not exist. Name a workbook or a folder of CSV files; `costing new {path}` makes a workbook."
        raise WorkbookError(msg)
    return loaded(read_workbook(path))
