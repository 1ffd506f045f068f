"""What the estate says, validated: frozen settings and one data frame per sheet.

Every sheet of the schema is present, with every column of the schema, whether the user filled it or not.
Types: `date` columns are datetime64[s] (NaT: blank), `number`, `integer` and `percent` columns float64 (NaN:
blank; percent as a fraction), all others categorical strings (NaN: blank). Quantities are in the units of the
header (kg, L, bottles); quantities with a Unit column are converted to kg, L or bottles and their unit says
which. Each row keeps where it came from, so that any figure can be traced to a cell.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

from costing.array_types import Flags, Floats, Ints, Names
from costing.errors import Finding
from costing.inputs.schema import sheets
from costing.once import Once


class Settings(BaseModel):
    """The Settings sheet. Fields, bounds and defaults are those of the schema (a test holds them together)."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    estate: str | None = None
    currency: str = "EUR"
    valuation_date: date | None = None
    accounts_approved_on: date | None = None
    default_split_method: str = "volume"
    book_own_grapes: str = "growing cost"
    book_by_product: str = "at split"
    book_storage_until: str = "disgorgement"
    book_borrowing_cost: str = "expensed"
    book_abnormal_loss: str = "expensed"
    book_abnormal_gain: str = "left"
    rule_set: str | None = None
    volume_tolerance_l: float = Field(0.5, ge=0, le=100)
    bottle_tolerance: float = Field(0.0, ge=0, le=100)
    weight_tolerance_kg: float = Field(0.5, ge=0, le=1000)
    number_style: str = "point"
    date_style: str = "day first"
    fiscal_year_start_month: int = Field(1, ge=1, le=12)
    day_count: str = "Act/365"
    tirage_liqueur_g_per_l: float = Field(500.0, ge=100, le=900)
    bottle_rating_bar: float | None = Field(None, ge=3, le=15)
    ageing_step_months: int = Field(12, ge=1, le=60)
    ageing_horizon_months: int = Field(60, ge=0, le=240)
    plan_horizon_months: int = Field(60, ge=3, le=240)
    plan_safety_percent: float = Field(10.0, ge=0, le=90)
    campaign_cost: float = Field(0.0, ge=0, le=1e9)
    smallest_campaign: int = Field(0, ge=0, le=1_000_000)
    service_method: str = "reciprocal"
    price_step: float = Field(0.05, ge=0.0001, le=1000)
    bank_balance: float | None = Field(None, ge=-1e12, le=1e12)
    cash_to_keep: float = Field(0.0, ge=0, le=1e12)


@dataclass(frozen=True)
class Sources:
    """Where the rows of one table came from: sheet title and row number of each, the column letter of each filled
    column, and the unit of each header that names another than the schema's, with what one of it is in the schema's;
    hectolitres: rows whose Unit cell says hl; elsewhere: place of what another sheet gives, by row and column.
    """

    sheet: Names
    row: Ints
    letters: Mapping[str, str]
    units: Mapping[str, tuple[str, float]] = field(default_factory=dict)
    hectolitres: Flags | None = None
    elsewhere: Mapping[tuple[int, str], str] = field(default_factory=dict)


@dataclass(frozen=True)
class Others:
    """Rows of lots that belong to other people, of the sheets that move goods: tables and sources as an estate has
    them; owner of each lot.
    """

    tables: Mapping[str, pd.DataFrame]
    sources: Mapping[str, Sources]
    owner: Mapping[str, str]


class EstateTable(pd.DataFrame):
    """A table of an estate. It never changes, so each of its columns is made once: hundreds ask for the same few."""

    _frame: pd.DataFrame
    _made: dict[str, Any]

    def __init__(self, frame: pd.DataFrame) -> None:
        super().__init__(frame)  # type: ignore[call-arg]
        self.__dict__["_frame"], self.__dict__["_made"] = frame, {}

    def __reduce__(self) -> tuple[type[EstateTable], tuple[pd.DataFrame]]:
        return EstateTable, (self._frame,)

    def __getitem__(self, key: Any) -> Any:
        """A column by its name, or what a data frame gives."""
        if not isinstance(key, str):
            return self._frame[key]
        if key not in self._made:
            self._made[key] = self._frame[key]
        return self._made[key]

    def __setitem__(self, key: Any, value: Any) -> None:
        """Refused: whoever tries out a change takes a copy."""
        msg = "tables of an estate do not change: take a copy of the table, or House.replace."
        raise TypeError(msg)


@dataclass(frozen=True)
class Estate(Once):
    """Validated input. `tables[name]` has a RangeIndex and the schema's columns; `sources[name]` runs beside
    it. While an estate that will be refused is checked, `wrong_rows[name]` tells which rows have an error already, and
    `refused[name]` collects the (rows, column) in which the checks find one.
    others: rows of other people's lots, which `tables` leaves out (None: there are none).
    """

    settings: Settings
    tables: Mapping[str, pd.DataFrame]
    sources: Mapping[str, Sources]
    cautions: tuple[Finding, ...] = field(default=())
    wrong_rows: Mapping[str, Flags] = field(default_factory=dict)
    refused: dict[str, list[tuple[NDArray[np.intp], str]]] = field(default_factory=dict)
    others: Others | None = None

    def __post_init__(self) -> None:
        of_ours = {
            name: frame if isinstance(frame, EstateTable) else EstateTable(frame) for name, frame in self.tables.items()
        }
        object.__setattr__(self, "tables", of_ours)

    def place(self, table: str, row: int, column: str | None = None) -> str:
        """`Movements!F17` for row `row` (position in the table) and a column; `Movements!17` without a column."""
        source = self.sources[table]
        if column and (row, column) in source.elsewhere:
            return source.elsewhere[row, column]
        letter = ""
        if column:  # a yearly sheet may order its columns in its own way
            letter = source.letters.get(f"{source.sheet[row]}!{column}", source.letters.get(column, ""))
        return f"{source.sheet[row]}!{letter}{source.row[row]}"

    def unit_typed(self, table: str, row: int, column: str) -> tuple[str, float]:
        """Unit in which the cell of a row was typed, and what one of it is in the unit of the table."""
        source = self.sources[table]
        if column == "quantity" and "unit" in self.tables[table]:
            if source.hectolitres is not None and source.hectolitres[row]:
                return "hl", 100.0
            unit = self.tables[table]["unit"].iloc[row]
            return ("" if pd.isna(unit) else str(unit)), 1.0
        usual = sheets()[table].column(column).unit, 1.0
        return source.units.get(f"{source.sheet[row]}!{column}", source.units.get(column, usual))

    def __getitem__(self, table: str) -> pd.DataFrame:
        """Table by its library name, such as `movements`."""
        return self.tables[table]


def some_rows(estate: Estate, kept: Mapping[str, Flags]) -> tuple[dict[str, pd.DataFrame], dict[str, Sources]]:
    """Tables and sources with those rows alone of each table named; names that only the others hold are forgotten."""
    tables, sources = {}, {}
    for name, rows in kept.items():
        if rows.all():
            tables[name], sources[name] = estate[name], estate.sources[name]
            continue
        table, source = estate[name][rows].reset_index(drop=True), estate.sources[name]
        for column in table.columns:
            if isinstance(table[column].dtype, pd.CategoricalDtype):
                table[column] = table[column].cat.remove_unused_categories()
        typed = None if source.hectolitres is None else source.hectolitres[rows]
        tables[name] = table
        number = np.cumsum(rows) - 1
        given = {(int(number[row]), column): place for (row, column), place in source.elsewhere.items() if rows[row]}
        sources[name] = Sources(source.sheet[rows], source.row[rows], source.letters, source.units, typed, given)
    return tables, sources


def joined_rows(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Rows of several tables of one sheet, one table below the other."""
    return pd.DataFrame(
        {
            column: pd.api.types.union_categoricals([frame[column] for frame in frames])
            if isinstance(frames[0][column].dtype, pd.CategoricalDtype)
            else np.concatenate([frame[column].to_numpy() for frame in frames])
            for column in frames[0].columns
        }
    )


def text_of(column: pd.Series[Any]) -> Names:
    """Text of a column, "" where blank."""
    is_text = isinstance(column.dtype, pd.CategoricalDtype)
    values: pd.Categorical = (column if is_text else column.astype("category")).array
    return np.asarray(np.append(values.categories.to_numpy(dtype=object), "")[values.codes])


def vintages(deliveries: pd.DataFrame) -> pd.Series[Any]:
    """Vintage of each delivery, else the year in which it came, as text."""
    vintage = deliveries["vintage"].astype(object)
    return vintage.where(vintage.notna(), deliveries["on_date"].dt.year.astype(str))


def harvest_years(deliveries: pd.DataFrame) -> Floats:
    """Year of the harvest of each delivery: its vintage, or the year in which it came where that is no number."""
    vintage: pd.Categorical = deliveries["vintage"].array
    written = pd.to_numeric(pd.Series(vintage.categories, dtype=object), errors="coerce").to_numpy(dtype=np.float64)
    year: Floats = np.append(written, np.nan)[vintage.codes]
    came = deliveries["on_date"].dt.year.to_numpy(dtype=np.float64)
    return np.asarray(np.where(np.isnan(year), came, year))


@cache
def empty_table(name: str) -> pd.DataFrame:
    """Table of sheet `name` with the schema's columns and types, and no rows."""
    columns = {of.name: pd.Series([], dtype=column_dtype(of.type)) for of in sheets()[name].columns}
    return EstateTable(pd.DataFrame(columns))


def as_table(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    """Frame with the columns and types of a sheet; blank text is blank."""
    blank = empty_table(name)
    columns: dict[str, pd.Series[Any]] = {}
    for column in blank.columns:
        if column not in frame.columns:
            columns[column] = pd.Series([None] * len(frame), dtype=blank[column].dtype)
            continue
        values = frame[column].reset_index(drop=True)
        if isinstance(blank[column].dtype, pd.CategoricalDtype):
            text = values.astype(object)
            typed = text.where(text.notna() & (text.astype(str) != ""), None)
            codes, names = pd.factorize(typed.to_numpy(dtype=object), sort=True)
            listed = pd.Index(names, dtype=object)  # as reading lists them, so that tables can be joined
            columns[column] = pd.Series(pd.Categorical.from_codes(codes, categories=listed, validate=False))
        elif blank[column].dtype == np.float64:
            columns[column] = pd.to_numeric(values, errors="coerce").astype(np.float64)
        else:
            columns[column] = pd.to_datetime(values).astype(blank[column].dtype)
    return pd.DataFrame(columns)


def column_dtype(kind: str) -> str:
    """Pandas dtype of a schema column type."""
    if kind == "date":
        return "datetime64[s]"
    return "float64" if kind in ("number", "integer", "percent") else "category"
