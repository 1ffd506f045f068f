"""Rates and prices that hold from a day: operation rates and dry goods, row by row and series by series.

    rate on a day = amount of the row in force · (1 + yearly change)^years
    years         = from the valuation date, or from its own date where that is later

A rate holds from its date until the next of its series: the rows with the same operation or item, stage, format,
driver, presentation and element. Its yearly change counts after the valuation date alone, so plans cost what the work
will cost then.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from costing.array_types import Flags, Floats, Ints, Names
from costing.calendar import DAYS_A_YEAR
from costing.graph.arrays import days
from costing.inputs.estate import Estate
from costing.inputs.in_force import key_text, row_in_force, series_of
from costing.once import asked_once

RateTable = Literal["operation_rates", "dry_goods"]
_KEYS = ("operation", "driver", "stage", "item", "format", "presentation", "element")


def escalated(amount: Floats, yearly: Floats, since: Ints, day: Ints, valuation_day: int) -> Floats:
    """Amounts of a plan on `day`: raised by `yearly` a year from the valuation date or `since`, the later."""
    years = np.maximum(day - np.maximum(since, valuation_day), 0) / DAYS_A_YEAR
    return np.asarray(amount * (1.0 + np.nan_to_num(yearly)) ** years)


@dataclass(frozen=True, eq=False)
class DatedRates:
    """A sheet of dated rates: its key columns ("" where blank), money of each row for one of its units, the day from
    which it holds, its yearly change, and the rows of each series in the order of their dates.
    """

    keys: dict[str, Names]
    amount: Floats
    since: Ints
    yearly: Floats
    series: tuple[Ints, ...]

    def rows(self, **wanted: str) -> Flags:
        """Rows whose key columns are as wanted [rows]."""
        return self._where(wanted, or_blank=False)

    def fitting(self, **wanted: str) -> Flags:
        """Rows whose key columns are as wanted, or blank [rows]."""
        return self._where(wanted, or_blank=True)

    def _where(self, wanted: dict[str, str], *, or_blank: bool) -> Flags:
        rows = np.ones(len(self.amount), dtype=bool)
        for name, value in wanted.items():
            rows &= (self.keys[name] == value) | (or_blank & (self.keys[name] == ""))
        return rows

    def of_rows(self, row: Ints, day: Ints, valuation_day: int) -> Floats:
        """What each of these rows charges per unit on a day of its own."""
        return escalated(self.amount[row], self.yearly[row], self.since[row], day, valuation_day)

    def on(self, rows: Flags, day: Ints, valuation_day: int) -> Floats:
        """Sum over the series among `rows`, which are whole series, of what holds on each day [t]; 0 before the first
        row of a series.
        """
        total = np.zeros(len(day))
        for series in self.series:
            if rows[series[0]]:
                row = row_in_force(series, self.since, day)
                total += np.where(row >= 0, self.of_rows(row, day, valuation_day), 0.0)
        return total


def dated_rates(estate: Estate, table: RateTable) -> DatedRates:
    """Operation rates of an estate, or its dry goods priced for one bottle."""
    return _operation_rates(estate) if table == "operation_rates" else _dry_goods(estate)


@asked_once
def _operation_rates(estate: Estate) -> DatedRates:
    return _read(estate, "operation_rates", estate["operation_rates"]["amount"].to_numpy())


@asked_once
def _dry_goods(estate: Estate) -> DatedRates:
    goods = estate["dry_goods"]
    return _read(estate, "dry_goods", goods["unit_price"].to_numpy() * goods["quantity_per_bottle"].to_numpy())


def _read(estate: Estate, table: str, amount: Floats) -> DatedRates:
    frame = estate[table]
    keys, since = [name for name in _KEYS if name in frame], days(frame["from_date"])
    series = tuple(series_of([frame[name].cat.codes.to_numpy() for name in keys], since))
    return DatedRates(key_text(frame, keys), amount, since, np.nan_to_num(frame["escalation"].to_numpy()), series)
