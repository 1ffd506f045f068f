"""Rows of every sheet drawn cell by cell: what no house would enter, so that every rule has something to say.

Each column draws from few values: names that stand on other sheets too, dates on and beside a limit, figures on each
side of theirs. A column draws by itself, so that a new one leaves the others as they are.
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from costing.inputs.estate import Estate, Settings, Sources, as_table, empty_table
from costing.inputs.raw import column_letter
from costing.inputs.schema import Column, Sheet, lists, sheets

ROWS = 20
_DAYS = ("2024-06-29", "2024-06-30", "2025-05-30", "2025-05-31", "2025-06-30", "2025-07-01", "2025-07-31")
_PERIODS = {
    "opening_stock on_date": _DAYS,
    "pools from_date": ("2024-01-01", "2024-07-01", "2025-01-01"),
    "pools to_date": ("2024-06-29", "2024-06-30", "2025-06-28", "2025-06-29", "2025-06-30"),
}
_FAR = ("2020-06-29", "2020-06-30", "2030-06-30", "2030-07-01", "2040-06-30", "2040-07-01")
_NAMES: Mapping[str, tuple[str, ...]] = {
    "lot": ("V24-1", "V24-2", "B24", "R24", "v24-2", "V24-02"),
    "cuvee": ("Brut", "Rosé", "Rose"),
    "channel": ("shop", "export", "shopp"),
    "terms": ("30 days", "two parts"),
    "element": (*lists()["element"][:3], "labor", "glasss"),
    "operation or stage": ("racking", "on lees", "reserve", "stored"),
    "supplier": ("Arnaud", "Arnaut", "Bréval"),
    "owner": ("Estate", "Neighbour", "Neighbor"),
    "village": ("Amblencourt", "Valmont"),
    "variety": ("Pinot noir", "Meunier", "2024"),
    "vintage": ("2024", "2025", "2026", "mixed"),
    "attribute": ("vintage", "variety"),
    "location": ("cellar", "cave", "Cave"),
    "currency": ("EUR", "USD", "GBP"),
    "only_from": ("village=Amblencourt", "variety=Pinot noir, vilage=Valmont", "colour=red; village=", "soil=chalk"),
    "rule_set": ("Champagne", "Champain", "crémant_d_alsace"),
    "sheet": ("Movements", "Costs", "Movment", "pressing"),
    "column": ("Amount", "Out (L)", "Quantity", "Out"),
    "pool": ("cellar", "office", "energy"),
    "serves": ("office", "energy", "cellar", "offices"),
    "opening_stock lot": ("V24-1", "B24"),
    "loans location": ("cellar", "barn"),
    "dispatches release_lot": ("V24-1", "V24-9", "Z"),
    "price_list cuvee": ("Brut", "brut", "Bruts"),
    "dispatches channel": ("shop", "tasting"),
    "deliveries terms": ("30 days", "60 days"),
    "channels currency": ("EUR", "USD"),
    "limits location": ("cave", "barn"),
    "uncertainty correlated_with": ("A", "C"),
    "load": ("P1", "P2", "P3", "P4", "P5"),
}
_FIGURES: Mapping[str, tuple[float, ...]] = {
    "volume_l": (0.0, 39.0, 40.0, 80.0, 81.0, 60.0),
    "weight_kg": (100.0, 0.0, 50.0),
    "fixed_share": (0.5, 0.4, 1.0, 0.2500000001),
    "wine_l": (75.0, 74.4, 74.5, 83.0, 84.0),
    "liqueur_l": (0.0, 1.0, 9.0),
    "bottles": (100.0, 99.0, 110.0, -5.0, 0.0),
    "dispatches bottles": (-5.0, -6.0, 5.0, 0.0),
    "bottles_in": (100.0, 0.0, 99.0),
    "bottles_out": (100.0, 99.0, 101.0),
    "least_headroom": (0.0, 5.0),
    "price_response": (-1.0, -1.01, -1.02, -3.0),
    "payment_months": (1.0, 5.0, 7.0, 12.0),
    "months_on_lees": (12.0, 24.0),
    "index": (100.0, 110.0),
    "alcohol": (12.0, 0.12),
    "share": (0.0, 0.25, 0.5, 0.75, 1.0, 1.2),
    "amount": (0.0, 100.0, -100.0, 1000.0, 800.0, 799.0, 1250.0, 1251.0, 80.0),
}
_PRICES = (10.0, 10.0, 10.0, 80.0, 79.0, 125.0, 126.0, 1.25, 1.0, 0.0)
_USUAL = (0.0, 1.0, 2.0, 100.0)
_PERCENT = (0.0, 0.0009, 0.001, 0.0099, 0.01, 0.3, 0.5, 0.7, 1.0)


def _pool(sheet: Sheet, column: Column) -> tuple[Any, ...]:
    place = f"{sheet.name} {column.name}"
    if column.type == "date":
        return _PERIODS.get(place, (*_DAYS, *_DAYS, *_FAR))
    if column.type in ("number", "integer", "percent"):
        usual = _PERCENT if column.type == "percent" else _PRICES if "price" in column.name else _USUAL
        figures = _FIGURES.get(place) or _FIGURES.get(column.name, usual)
        return (*figures, *(math.inf,) * bool(column.words))
    return (
        column.choices or _NAMES.get(place) or _NAMES.get(column.refers) or _NAMES.get(column.name) or ("A", "a", "B")
    )


def _column(dice: random.Random, sheet: Sheet, column: Column) -> list[Any]:
    pool = _pool(sheet, column)
    blank = 0.1 if column.required else 0.35
    if column.type == "percent" and dice.random() < 0.3:
        pool = _PERCENT[: dice.choice((2, 3, 4))]
    cells = [None if dice.random() < blank else dice.choice(pool) for _ in range(ROWS)]
    return [None] * ROWS if dice.random() < 0.1 and not column.required else cells


def _sheet(seed: int, sheet: Sheet) -> pd.DataFrame:
    cells = {
        column.name: _column(random.Random(f"{seed} {sheet.name} {column.name}"), sheet, column)
        for column in sheet.columns
    }
    dice = random.Random(f"{seed} {sheet.name}")
    for _ in range(4):  # rows that stand twice, or nearly
        one, other = dice.sample(range(ROWS), 2)
        apart = dice.choice([*cells, ""])
        for name, column in cells.items():
            column[other] = column[other] if name == apart else column[one]
    return pd.DataFrame({column.name: _typed(column, cells[column.name]) for column in sheet.columns})


def _typed(column: Column, cells: list[Any]) -> Any:
    """Cells as reading a sheet gives them."""
    if column.type == "date":
        return np.array([cell or "NaT" for cell in cells], dtype="datetime64[s]")
    if column.type in ("number", "integer", "percent"):
        return np.array([np.nan if cell is None else cell for cell in cells], dtype=np.float64)
    names = sorted({cell for cell in cells if cell is not None})
    codes = [-1 if cell is None else names.index(cell) for cell in cells]
    return pd.Categorical.from_codes(codes, categories=pd.Index(names, dtype=object))


VALUED = (date(2025, 6, 30), None, date(2025, 6, 30), date(2024, 6, 28), date(2025, 6, 29), date(2024, 6, 29))
APPROVED = (date(2025, 6, 30), date(2025, 6, 30), None, date(2024, 6, 27), date(2025, 6, 30), None)


def drawn(seed: int) -> Estate:
    """An estate of such rows, the methods and dates of its settings changing with the seed, from 0 to 5."""
    entered = [sheet for sheet in sheets().values() if sheet.name != "settings"]
    tables = {sheet.name: _sheet(seed, sheet) for sheet in entered}
    if seed in (1, 2):
        tables["loss_norms"] = empty_table("loss_norms")
    settings = Settings(
        estate="Estate",
        valuation_date=VALUED[seed],
        accounts_approved_on=APPROVED[seed],
        service_method=("direct", "step-down", "reciprocal")[seed % 3],
        default_split_method=("volume", "weight", "fixed", "sales value", "nrv", "constant margin")[seed],
    )
    said = [("accounts approved on", "2025-06-29"), ("Valuation_date", "2025-06-30"), ("rule set", "Champain")]
    tables["settings"] = as_table("settings", pd.DataFrame(said, columns=["setting", "value"]))
    return Estate(settings, tables, {name: _source(name, table) for name, table in tables.items()})


def _source(name: str, table: pd.DataFrame) -> Sources:
    rows = len(table)
    letters = {column: column_letter(position) for position, column in enumerate(table.columns)}
    return Sources(np.full(rows, sheets()[name].title, dtype=object), np.arange(2, rows + 2), letters)
