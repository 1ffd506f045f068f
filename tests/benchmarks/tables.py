"""Tables of the generated ledger: displayed headers, joined columns, and the sheets of rates and prices.

Rule: a row that a house writes for all its lines at once holds arrays or single values; a table is all of
    them, one below the other.
What it does not do: read or check anything. Rates and prices are invented.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

HEADERS = {
    "price": "Price per unit",
    "kg": "Grapes (kg)",
    "must_l": "Must (L)",
    "split": "Split method",
    "value": "Value per litre",
    "complete": "Cost to complete per litre",
    "credit": "By-product credit",
    "out_l": "Out (L)",
    "in_l": "In (L)",
    "added_l": "Of which added (L)",
    "measured": "Measured",
    "cuvee": "Cuvée",
    "wine_l": "Wine (L)",
    "liqueur_l": "Liqueur (L)",
    "sugar": "Sugar (g/L)",
    "bottles": "Bottles",
    "bottles_in": "Bottles in",
    "bottles_out": "Bottles out",
    "dosage": "Dosage (g/L)",
    "paid": "Mean payment date",
    "incurred": "Date incurred",
    "paid_on": "Date paid",
}


def joined(rows: list[dict[str, object]]) -> pd.DataFrame:
    """One table from rows that each hold arrays or single values."""
    headers = list(dict.fromkeys(header for row in rows for header in row))
    sizes = [max((len(value) for value in row.values() if isinstance(value, np.ndarray)), default=1) for row in rows]
    columns: dict[str, NDArray[np.generic]] = {}
    for header in headers:
        parts = [_filled(row.get(header), size) for row, size in zip(rows, sizes, strict=True)]
        kinds = {part.dtype.kind for part in parts if part is not None}
        dtype, blank = _KINDS["f" if kinds <= {"i", "f"} else kinds.pop()]
        columns[header] = np.concatenate(
            [
                np.full(size, blank, dtype) if part is None else part.astype(dtype)
                for part, size in zip(parts, sizes, strict=True)
            ]
        )
    return pd.DataFrame(columns)


_KINDS: dict[str, tuple[str, object]] = {
    "f": ("float64", np.nan),
    "M": ("datetime64[s]", np.datetime64("NaT")),
    "O": ("object", None),
}


def _filled(value: object, size: int) -> NDArray[np.generic] | None:
    """A column part: None if blank."""
    if value is None:
        return None
    if isinstance(value, np.ndarray):
        return value
    return np.full(size, value, dtype=object if isinstance(value, str) else None)


def titled(columns: dict[str, object]) -> dict[str, object]:
    """The same values under displayed headers."""
    return {HEADERS.get(key, key.replace("_", " ")): value for key, value in columns.items()}


def until(table: pd.DataFrame, last: np.datetime64) -> pd.DataFrame:
    """Rows up to that day; tables without a date stay whole."""
    date = next((header for header in ("Date", "Date incurred") if header in table), None)
    return table if date is None else table[table[date].to_numpy() <= last].reset_index(drop=True)


def _frame(headers: str, *rows: tuple[object, ...]) -> pd.DataFrame:
    """Table from headers parted by `|` and rows; ISO dates become dates."""
    table = pd.DataFrame(rows, columns=headers.split("|"))
    for header in table:
        if table[header].dtype.kind == "O" and all(isinstance(value, np.datetime64) for value in table[header]):
            table[header] = table[header].astype("datetime64[s]")
    return table


def _dated(text: str) -> np.datetime64:
    return np.datetime64(text, "D")


def settings(valuation: np.datetime64) -> dict[str, pd.DataFrame]:
    """Settings, terms, norms, cuvées and ways out."""
    return {
        "settings": _frame(
            "Setting|Value", ("Valuation date", str(valuation)), ("Default split method", "volume")
        ),
        "interest_rates": _frame(
            "From|Borrowing rate (%)|Hurdle rate (%)",
            (_dated("2010-01-01"), 3.0, 7.0),
            (_dated("2016-07-01"), 2.0, 6.0),
            (_dated("2022-10-01"), 4.5, 8.0),
        ),
        "terms": _frame(
            "Terms|Share (%)|Days after delivery",
            ("quarterly", 25.0, 80.0),
            ("quarterly", 25.0, 170.0),
            ("quarterly", 25.0, 260.0),
            ("quarterly", 25.0, 350.0),
            ("month end", 100.0, 45.0),
        ),
        "loss_norms": _frame(
            "Operation or stage|Norm (%)|Time base",
            *(
                (operation, norm, "per movement")
                for operation, norm in (
                    ("settling", 3.0), ("fermentation", 2.0), ("racking", 0.8),
                    ("fining and filtration", 0.9), ("bottling", 1.0), ("disgorgement", 1.2),
                )
            ),
            ("vinification", 1.0, "per year"),
            ("reserve", 1.0, "per year"),
            ("on lees", 0.4, "per year"),
        ),
        "cuvees": _frame("Cuvée|Category", ("Brut", "non-vintage"), ("Prestige", "vintage")),
        "channels": _frame(
            "Channel|Exit|Commission (%)|Selling cost per bottle|Customer days",
            ("Trade", "sale", 0.0, 0.9, 60.0),
            ("Export", "sale", 8.0, 1.3, 90.0),
            ("Cellar door", "sale", 0.0, 0.4, 0.0),
            ("Samples", "samples", 0.0, 0.9, 0.0),
            ("Hospitality", "hospitality", 0.0, 0.4, 0.0),
        ),
    }  # fmt: skip


def prices(first_harvest: int, harvests: int) -> dict[str, pd.DataFrame]:
    """Operation rates, dry goods and one pool for the press house and one for the vat hall in each year."""
    start, later = _dated("2010-01-01"), _dated("2019-01-01")
    years = range(first_harvest, first_harvest + harvests)
    return {
        "operation_rates": _frame(
            "From|Stage|Operation|Driver|Amount|Element",
            (start, "pressing", "pressing", "kg", 0.22, "pressing"),
            (start, "vinification", "fermentation", "litre", 0.06, "oenological products"),
            (start, "vinification", "racking", "litre", 0.02, "oenological products"),
            (start, "vinification", "fining and filtration", "litre", 0.05, "oenological products"),
            (start, "blending", "blending", "litre", 0.03, "labour"),
            (start, "reserve", "storage", "litre-year", 0.12, "storage"),
            (later, "reserve", "storage", "litre-year", 0.14, "storage"),
            (start, "on lees", "storage", "bottle-year", 0.11, "storage"),
            (later, "on lees", "storage", "bottle-year", 0.13, "storage"),
            (start, "finished stock", "storage", "bottle-year", 0.25, "storage"),
            (start, "finishing", "machine riddling", "bottle in", 0.12, "labour"),
            (start, "finishing", "disgorgement", "bottle out", 0.35, "labour"),
        ),
        "dry_goods": _frame(
            "From|Stage|Item|Format|Quantity per bottle|Unit price|Element",
            (start, "tirage", "glass", "bottle", 1.0, 0.62, "dry goods"),
            (start, "tirage", "glass", "magnum", 1.0, 1.9, "dry goods"),
            (later, "tirage", "glass", "bottle", 1.0, 0.78, "dry goods"),
            (start, "tirage", "crown cap", None, 1.0, 0.04, "dry goods"),
            (start, "finishing", "cork and muzzle", None, 1.0, 0.41, "dry goods"),
        ),
        "pools": _frame(
            "From|To|Pool|Amount|Driver|Normal capacity|Stage|Element",
            *(
                (
                    _dated(f"{year}-01-01"),
                    _dated(f"{year}-12-31"),
                    pool,
                    amount,
                    driver,
                    capacity,
                    stage,
                    element,
                )
                for year in years
                for pool, amount, driver, capacity, stage, element in (
                    ("Press house", 20_000.0, "kg", 10_000.0, "pressing", "pressing"),
                    ("Vat hall", 15_000.0, "litre-year", 1_000.0, "vinification", "overhead"),
                )
            ),
        ),
    }
