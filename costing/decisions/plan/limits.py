"""Limits of the plan: those of the sheet, by date, and the line of the bank.

    may be drawn = least of  what the lines bear (their amount and base) less the headroom promised,
                             At most of 'credit' on Limits less what is owed on other loans

Conventions: a supply counts for every year of the plan from its date on; a year seen in part counts in part. Cash is
that of `decisions.cash`, without what the plan decides: finishing, storage of bottles, and sales after the valuation
date. It is followed as far as the cash budget goes; later nothing limits what may be drawn. What is in the bank above
the cash to keep is spent before anything is drawn.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from costing.array_types import Flags, Floats, Ints
from costing.calendar import DAYS_A_MONTH, year_of
from costing.decisions.budget.budget import MONTHS_AHEAD, Budget, budget
from costing.decisions.budget.loans import AT_WILL
from costing.decisions.plan.channels import bounded_channels
from costing.decisions.plan.facts import Dates, Limits
from costing.graph.arrays import days
from costing.inputs.estate import Estate
from costing.inputs.in_force import row_in_force
from costing.inputs.schema import operations
from costing.model import Runs
from costing.money.capital import interest_rate_on
from costing.money.postings import TABLE_NAMES

DECIDED = ("on lees", "finishing", "dressing", "finished stock")
"""Stages whose costs the plan decides."""


@dataclass(frozen=True, eq=False)
class LimitRows:
    """Rows of Limits behind the limits (−1: none; of credit also: lines leave less): places [P, T], line [T], credit
    [T], supply [R]; what each supply speaks of; credit_of: lines that the credit is of; owed_today: on all loans.
    """

    places: Ints
    line: Ints
    credit: Ints
    supply: Ints
    supply_names: tuple[str, ...]
    credit_of: str
    owed_today: float


def limits_of(
    runs: Runs, dates: Dates, markets: pd.DataFrame, places: tuple[str, ...], without: Collection[str]
) -> tuple[Limits, LimitRows]:
    """Limits and the rows behind them. without: kinds of limit left out."""
    estate = runs.estate
    table = estate["limits"]
    since, what = days(table["from_date"]), table["what"].astype(object).to_numpy()
    counts = ~np.isin(what, list(without))
    most = np.append(np.nan_to_num(table["most"].to_numpy(dtype=float), nan=np.inf), np.inf)
    where = table["location"].astype(object).to_numpy()

    def dated(rows: np.ndarray) -> Ints:
        """The row in force on each date, −1 before the first."""
        return row_in_force(np.flatnonzero(rows), since, dates.day[:-1])

    of_place = np.array([dated(counts & (what == "places") & (where == place)) for place in places], dtype=np.int64)
    of_place = of_place.reshape(len(places), dates.steps)
    line, credit = dated(counts & (what == "disgorging")), dated(counts & (what == "credit"))
    limits = Limits(
        places=most[of_place],
        line=most[line] * np.diff(dates.day) / DAYS_A_MONTH,
        **_supplies(estate, dates, markets, np.flatnonzero(counts & (what == "supply")), without),
        credit=np.full(dates.steps, np.inf),
        debt=0.0,
        other_outlay=np.zeros(dates.steps),
        borrowing_rate=0.0,
    )
    owed, lines = 0.0, ""
    if "credit" not in without and (len(estate["loans"]) or (credit >= 0).any()):
        limits, owed, lines, is_less = _with_credit(runs, dates, limits, most[credit])
        credit = np.where(is_less, credit, -1)
    rows, _ = _supply_years(dates, since, np.flatnonzero(counts & (what == "supply")))
    names = tuple(_supply_name(estate, row) for row in rows)
    return limits, LimitRows(of_place, line, credit, rows, names, lines, owed)


def _supply_years(dates: Dates, since: Ints, rows: Ints) -> tuple[Ints, Ints]:
    """Row and year of every supply."""
    pairs = [
        (row, year)
        for row in rows.tolist()
        for year in np.unique(dates.year).tolist()
        if year >= year_of(since[row])  # a blank day is before every year
    ]
    rows_and_years = np.array(pairs, dtype=np.int64).reshape(len(pairs), 2)
    return rows_and_years[:, 0], rows_and_years[:, 1]


def _supplies(
    estate: Estate, dates: Dates, markets: pd.DataFrame, rows: Ints, without: Collection[str]
) -> dict[str, np.ndarray]:
    """Fields of supply of `Limits`."""
    table = estate["limits"]
    row, year = _supply_years(dates, days(table["from_date"]), rows)
    fits = np.ones((len(row), len(markets)), dtype=bool)
    for name in ("cuvee", "format"):
        wanted = table[name].astype(object).to_numpy()[row][:, np.newaxis]
        fits &= pd.isna(wanted) | (markets[name].to_numpy(dtype=object) == wanted)
    named = bounded_channels(estate, without)
    channel = [named.index(str(value)) if pd.notna(value) else -1 for value in table["channel"].iloc[row]]
    seen = np.array([min(float(dates.years[dates.year == value].sum()), 1.0) for value in year])
    return {
        "supply_markets": fits,
        "supply_channel": np.array(channel, dtype=np.int64),
        "supply_year": year,
        "supply": np.nan_to_num(table["least"].to_numpy(dtype=float)[row]) * seen,
        "supply_most": np.nan_to_num(table["most"].to_numpy(dtype=float)[row], nan=np.inf) * seen,
    }


def _supply_name(estate: Estate, row: int) -> str:
    """What a row of supply speaks of, in words."""
    line = estate["limits"].iloc[row]
    wine = " ".join(str(line[name]) for name in ("cuvee", "format") if pd.notna(line[name])) or "all wines"
    return f"{wine}, {line['channel']}" if pd.notna(line["channel"]) else wine


def _with_credit(runs: Runs, dates: Dates, limits: Limits, most: Floats) -> tuple[Limits, float, str, Flags]:
    """Limits with what may be drawn on lines, what is owed on all loans at the valuation date, names of the lines, and
    on which dates the sheet Limits leaves less to draw than the lines do [T].

    most: of all loans together, by the sheet Limits [T].
    """
    ahead = int(np.ceil((dates.day[-1] - dates.day[0]) / DAYS_A_MONTH))
    money = budget(runs, min(MONTHS_AHEAD, ahead))
    ends = money.periods.edge[1:][money.periods.planned]
    fixed = sum((loan.owed_on(dates.day[:-1]) for loan in money.schedules.values()), np.zeros(dates.steps))
    period = np.minimum(np.searchsorted(ends, dates.day[:-1]), len(ends) - 1)
    now = [loan for loan in money.loans if loan.repayment == AT_WILL and loan.begins <= dates.day[0] < loan.due]
    kept = float(np.nan_to_num([loan.least for loan in now]).sum())
    on_lines = money.lines.most.sum(axis=0)[period] - kept if money.lines.count else np.full(len(period), np.inf)
    may = np.where(dates.day[:-1] <= ends[-1], np.minimum(on_lines, most - fixed), np.inf)
    chosen, drawn = runs.estate.settings, float(money.lines.owed.sum())
    rate = float(money.lines.rate[:, 0].min(initial=np.inf))
    limits = replace(
        limits,
        credit=np.maximum(may, 0.0),
        debt=drawn - ((chosen.bank_balance or 0.0) - chosen.cash_to_keep),
        other_outlay=_other_outlay(runs.estate, money, dates),
        borrowing_rate=rate if np.isfinite(rate) else interest_rate_on(runs.estate, "borrowing_rate", runs.today),
    )
    return limits, drawn + float(fixed[0]), ", ".join(money.line_names), most - fixed < on_lines


def _other_outlay(estate: Estate, money: Budget, dates: Dates) -> Floats:
    """Money that goes out (in: below 0) apart from the plan by each date, since the date before [T]."""
    paid, step = money.entries.paid, np.searchsorted(dates.day, money.entries.paid)
    of_table = np.array([TABLE_NAMES.index(name) for name in ("operation_rates", "dry_goods", "costs")])
    decided = money.entries.table == TABLE_NAMES.index("dispatches")
    for number, name in zip(of_table, ("operation_rates", "dry_goods", "costs"), strict=True):
        here = (money.entries.table == number) & ~money.entries.for_others
        decided[here] = _decided(estate, name)[money.entries.row[here]]
    decided &= money.entries.incurred > dates.day[0]
    counts = ~decided & (paid > dates.day[0]) & (step < dates.steps)
    return np.asarray(-np.bincount(step[counts], money.entries.amount[counts], dates.steps), dtype=np.float64)


def _decided(estate: Estate, name: str) -> np.ndarray:
    """Which rows of a table charge stages that the plan decides, on goods of our own."""
    table = estate[name]
    stage = table["stage"].astype(object)
    if name == "operation_rates":
        usual = {name: operation.stage for name, operation in operations().items()}
        stage = stage.fillna(table["operation"].astype(object).map(usual))
    return np.asarray(stage.isin(DECIDED))
