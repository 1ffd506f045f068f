"""The smallest estate that sells, with loans, payments and sales of its own."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from costing import read_estate
from costing.model import Runs
from tests.decisions.one_bottling import one_bottling


def small(day: str = "2025-12-31", settings: Mapping[str, object] | None = None, **sheets: list[dict]) -> Runs:
    """Runs of one bottling on a valuation date: settings by their name on the sheet, rows of other sheets."""
    rows = {"Valuation date": day, "Date style": "year first", **(settings or {})}
    said = pd.DataFrame({"Setting": list(rows), "Value": [str(value) for value in rows.values()]})
    tables = {name: pd.DataFrame(lines) for name, lines in sheets.items()}
    return Runs(read_estate({**one_bottling(), "settings": said, **tables}))
