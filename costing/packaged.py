"""Tables of data that the library comes with: CSV files beside the code that reads them."""

from __future__ import annotations

import csv
from importlib.resources import files


def packaged_rows(package: str, name: str) -> list[dict[str, str]]:
    """Rows of `<name>.csv` in a package, by header. FileNotFoundError where there is none."""
    text = files(package).joinpath(f"{name}.csv").read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))
