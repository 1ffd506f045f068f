"""Random estates: tables that a careful person could have typed, from a seed or drawn by hypothesis.

Rule: `random_estate(seed, size)` is the same for the same arguments; hypothesis draws seed, size and the
    features to leave in, and shrinks to few steps with few features.
Conventions: tables are keyed by library sheet name and carry displayed headers; percentages stand in
    percent points.
What it does not do: mistakes; plans after the valuation date unless `plan_days` says so.
"""

from __future__ import annotations

import random
from datetime import date, timedelta
from fractions import Fraction
from functools import lru_cache

import pandas as pd
from hypothesis import strategies as st

from costing.inputs.estate import Estate
from costing.inputs.load import read_inputs
from costing.inputs.schema import sheets
from tests.properties.cellar import Cellar
from tests.properties.money import direct_costs, open_stock, price_grapes, rates
from tests.properties.stock import FEATURES, Row

Tables = dict[str, pd.DataFrame]
Rows = dict[str, list[Row]]

ALL_FEATURES = frozenset(FEATURES)


def random_rows(seed: int, size: int = 30, features: frozenset[str] = ALL_FEATURES, plan_days: int = 0) -> Rows:
    """Rows of an estate after about `size` cellar steps, exact: numbers are fractions or integers.

    plan_days: how many days before the last row the valuation date lies; later rows are plans.
    """
    cellar = Cellar(random.Random(seed), features)
    open_stock(cellar)
    cellar.today += timedelta(days=1)
    cellar.work(size)
    last = cellar.today + timedelta(days=cellar.rng.randint(1, 200))
    price_grapes(cellar)
    direct_costs(cellar, last)
    rates(cellar, last)
    valuation = cellar.today - timedelta(days=plan_days) if plan_days else last
    cellar.rows["settings"] = [
        {"setting": "Valuation date", "value": valuation.isoformat()},
        {"setting": "Default split method", "value": "volume"},
    ]
    return {sheet: rows for sheet, rows in cellar.rows.items() if rows}


def random_estate(seed: int, size: int = 30, features: frozenset[str] = ALL_FEATURES, plan_days: int = 0) -> Tables:
    """Tables of such an estate."""
    return tables_of(random_rows(seed, size, features, plan_days))


@lru_cache(maxsize=200)
def estate_drawn(seed: int, size: int = 30, plan_days: int = 0) -> Estate:
    """Such an estate, read; the same one for all who ask (it is frozen)."""
    return read_inputs(random_estate(seed, size, plan_days=plan_days))


def tables_of(rows: Rows) -> Tables:
    """Data frames with displayed headers; dates as datetimes, fractions as floats, blanks as missing."""
    return {sheet: _frame(sheet, listed) for sheet, listed in rows.items()}


def _frame(sheet: str, rows: list[Row]) -> pd.DataFrame:
    columns: dict[str, pd.Series] = {}
    for column in sheets()[sheet].columns:
        values = [row.get(column.name) for row in rows]
        if all(value is None for value in values):
            continue
        if column.type == "date":
            columns[column.title] = pd.Series(pd.to_datetime(pd.Series(values)).astype("datetime64[s]"))
        elif column.type in ("number", "integer", "percent"):
            columns[column.title] = pd.Series([float("nan") if v is None else float(_number(v)) for v in values])
        else:
            columns[column.title] = pd.Series(values, dtype=object)
    return pd.DataFrame(columns)


def _number(value: object) -> Fraction:
    """The value as a fraction; exact for what a random estate holds."""
    if isinstance(value, (int, Fraction)):
        return Fraction(value)
    message = f"not an exact number: {value!r}"
    raise TypeError(message)


def valuation_date(rows: Rows) -> date:
    """The valuation date among the settings."""
    return next(date.fromisoformat(str(row["value"])) for row in rows["settings"] if row["setting"] == "Valuation date")


def estate_rows(max_size: int = 40) -> st.SearchStrategy[Rows]:
    """Hypothesis strategy over rows of random estates."""
    return st.builds(
        random_rows,
        seed=st.integers(0, 2**32 - 1),
        size=st.integers(1, max_size),
        features=st.frozensets(st.sampled_from(FEATURES)) | st.just(ALL_FEATURES),
    )


def estates(max_size: int = 40) -> st.SearchStrategy[Tables]:
    """Hypothesis strategy over tables of random estates."""
    return estate_rows(max_size).map(tables_of)
