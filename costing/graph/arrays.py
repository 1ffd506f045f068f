"""Names become integers: lots, kinds, stages, operations and dates.

Quantities stand in the unit of their lot (kg, L, bottles). No cost is known here; labels come back only in
`costing.results`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum
from functools import cache

import numpy as np
import pandas as pd

from costing.array_types import Floats, Ints
from costing.inputs.estate import Estate
from costing.inputs.numbered import numbered
from costing.inputs.schema import lists, operations
from costing.units import FORMATS_L

KINDS: tuple[str, ...] = lists()["kind"]
STAGES: tuple[str, ...] = lists()["stage"]
OPERATIONS: tuple[str, ...] = tuple(operations())
FORMATS: tuple[str, ...] = tuple(FORMATS_L)
STAGE_OF_KIND = np.array(
    [
        STAGES.index(stage)
        for stage in (
            "harvest",
            "vinification",
            "vinification",
            "reserve",
            "blending",
            "on lees",
            "finished stock",
        )
    ],
    dtype=np.int64,
)
GIVES = np.array([KINDS.index(op.gives) if op.gives else -1 for op in operations().values()], dtype=np.int64)
OPERATION_STAGE = np.array([STAGES.index(op.stage) if op.stage else -1 for op in operations().values()], dtype=np.int64)
IS_LOSS = np.array([op.exit == "loss" for op in operations().values()])

KG, LITRE, BOTTLE = 0, 1, 2
UNITS = np.array(["kg", "L", "bottles"], dtype=object)
START_OF_DAY, END_OF_DAY = -np.inf, np.inf


class Flow(IntEnum):
    """What a flow is."""

    OPENING = 0
    DELIVERY = 1
    PRESS_IN = 2
    PRESS_OUT = 3
    MOVEMENT = 4
    TIRAGE = 5
    DISGORGEMENT = 6
    LIQUEUR = 7
    DISPATCH = 8
    COST = 9
    STOCKTAKE = 10
    CUT = 11


TABLES: tuple[str, ...] = (
    "opening_stock",
    "deliveries",
    "pressings",
    "pressings",
    "movements",
    "tirage",
    "disgorgements",
    "disgorgements",
    "dispatches",
    "costs",
    "stocktakes",
    "",
)
"""Table that flows of each `Flow` come from."""

GOODS_COLUMNS: tuple[tuple[str, str], ...] = (
    ("opening_stock", "lot"),
    ("deliveries", "lot"),
    ("pressings", "from_lot"),
    ("pressings", "to_lot"),
    ("movements", "from_lot"),
    ("movements", "to_lot"),
    ("tirage", "wine_lot"),
    ("tirage", "to_lot"),
    ("disgorgements", "from_lot"),
    ("disgorgements", "release_lot"),
    ("disgorgements", "liqueur_lot"),
    ("dispatches", "release_lot"),
    ("stocktakes", "lot"),
    ("costs", "lot"),
    ("opening_costs", "lot"),
)
"""Columns whose lots hold goods, filled or not."""


def codes(column: pd.Series, names: pd.Index | tuple[str, ...]) -> Ints:
    """Positions of a categorical column's values in `names`; −1 where blank or absent."""
    values: pd.Categorical = column.array
    if isinstance(names, tuple):
        numbers = _numbers(names)
        known = np.array([numbers.get(name, -1) for name in values.categories], dtype=np.int64)
    else:
        known = names.get_indexer(values.categories)
    return np.asarray(np.append(known, -1)[values.codes], dtype=np.int64)


@cache
def _numbers(names: tuple[str, ...]) -> dict[str, int]:
    """Position of each of some names that never change."""
    return {name: position for position, name in enumerate(names)}


def days(column: pd.Series) -> Ints:
    """Dates as day numbers since 1970-01-01 (blank: the smallest integer)."""
    return column.to_numpy().astype("datetime64[D]").astype(np.int64)


BLANK_DAY = int(np.datetime64("NaT").astype(np.int64))


@dataclass(frozen=True)
class Lots:
    """Numbered lots: unit (KG, LITRE, BOTTLE), litres per unit (NaN for kg) and bottle format (−1: none). of_rows: the
    lot of each row of a table, by its column (−1: blank).
    """

    names: pd.Index
    of_rows: Mapping[tuple[str, str], Ints]
    unit: Ints
    litres_per_unit: Floats
    format: Ints

    def numbers(self, names: pd.Series) -> Ints:
        """Lots of these names (−1: no such lot)."""
        return np.asarray(self.names.get_indexer(pd.Index(names.astype(str), dtype=object)), dtype=np.int64)


def number_lots(estate: Estate) -> Lots:
    """Every lot named anywhere, with its unit and format, as the rows that fill it say."""
    numbers = numbered(estate, GOODS_COLUMNS)
    names, of_rows = pd.Index(numbers.names, dtype=object), {place: numbers.of_rows(*place) for place in GOODS_COLUMNS}
    unit = np.full(len(names), LITRE, dtype=np.int64)
    form = np.full(len(names) + 1, -1, dtype=np.int64)
    moves = estate["movements"]
    filled = ~np.isnan(moves["in_bottles"].to_numpy()) | (codes(moves["format"], FORMATS) >= 0)
    filled |= codes(moves["operation"], ("downgrading", "decanting")) >= 0
    unit[of_rows["movements", "to_lot"][filled]] = BOTTLE
    for table in ("opening_stock", "deliveries"):
        unit[of_rows[table, "lot"]] = codes(estate[table]["unit"], tuple(UNITS))
    pressed = of_rows["pressings", "from_lot"]
    unit[pressed[pressed >= 0]] = KG
    for table, column in (
        ("tirage", "to_lot"),
        ("disgorgements", "release_lot"),
        ("disgorgements", "from_lot"),
    ):
        unit[of_rows[table, column]] = BOTTLE
    for table, column in (
        ("opening_stock", "lot"),
        ("deliveries", "lot"),
        ("movements", "to_lot"),
        ("tirage", "to_lot"),
    ):
        given = codes(estate[table]["format"], FORMATS)
        form[of_rows[table, column][given >= 0]] = given[given >= 0]
    source = np.r_[of_rows["disgorgements", "from_lot"], of_rows["movements", "from_lot"]]
    target = np.r_[of_rows["disgorgements", "release_lot"], of_rows["movements", "to_lot"]]
    joined = (source >= 0) & (target >= 0)
    source, target = source[joined], target[joined]
    both = (unit[source] == BOTTLE) & (unit[target] == BOTTLE)
    source, target = source[both], target[both]
    # a release, downgraded or decanted lot keeps the format of the lot it came from, through any number of moves
    while (unknown := (form[target] < 0) & (form[source] >= 0)).any():
        form[target[unknown]] = form[source[unknown]]
    form = form[:-1]
    form = np.where((unit == BOTTLE) & (form < 0), FORMATS.index("bottle"), np.where(unit == BOTTLE, form, -1))
    litres = np.append(np.array(list(FORMATS_L.values())), 1.0)
    per_unit = np.where(unit == BOTTLE, litres[form], np.where(unit == LITRE, 1.0, np.nan))
    return Lots(names, of_rows, unit, per_unit, form)
