"""Closing a year and opening the next: what stock was and cost on a date, frozen, and carried into a new
workbook.

The closing date is a valuation at the end of that day. Frozen costs are unrounded, per lot, basis, stage and
element; economic amounts hold the capital charged until then and are dated on the closing, so they grow on
from there. What was fixed only after the closing (a grower's final premium, a late invoice on a lot already
emptied) is carried as an opening cost that is incurred on its own date, with each lot's share of it. The
allowance of the yearly loss norm and the composition of each lot are carried too.

What cannot be carried: the part of a late cost that belongs to bottles already sold (it is cost of goods sold
of the old workbook); the replacement basis, whose postings start again at the prices of the closing date; a
pool whose period is still open (close at its end).
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from costing.errors import CostingError, Finding, caution
from costing.graph.arrays import BLANK_DAY, KINDS, STAGES, TABLES, Ints, codes
from costing.inputs.basis import BOOK, ECONOMIC
from costing.inputs.estate import Estate, Sources, empty_table
from costing.inputs.schema import sheets
from costing.model import run, trace
from costing.money.postings import TABLE_NAMES
from costing.money.rates import location_of, locations
from costing.results.composition import ATTRIBUTES, Composition
from costing.results.lots import as_dates, lot_labels
from costing.results.results import Results
from costing.results.stock import UNITS, open_states, values_at

YEAR_END = ("yearend_stock", "yearend_costs", "yearend_composition", "yearend_inputs")
_DATED = tuple(dict.fromkeys(filter(None, TABLES)))
_LEAST_DIFFERENCE, _ROUNDING = 1e-6, 1e-9  # money, and of the amount: sums taken in another order differ by less


def at_date(estate: Estate, on: date) -> Estate:
    """Return the estate valued at another date."""
    return replace(estate, settings=estate.settings.model_copy(update={"valuation_date": on}))


def close_year(estate: Estate, on: date) -> dict[str, pd.DataFrame]:
    """Frozen stock, costs, composition and input fingerprints at the end of a day, as rows of the year-end
    sheets.

    CostingError where the date is before the records; InputError where the inputs have errors.
    """
    then = at_date(estate, on)
    chain = trace(then)
    book, economic = run(then, BOOK, chain), run(then, ECONOMIC, chain)
    day = int(np.datetime64(on, "D").astype(np.int64))
    state = open_states(book, day)
    if not len(state):
        message = f"nothing is in stock on {on}; check the date of the closing"
        raise CostingError(message)
    state = state[np.argsort(chain.lots.names.to_numpy(dtype=object)[chain.states.lot[state]].astype(str))]
    when = pd.Timestamp(on).as_unit("s")
    costs = pd.concat([_frozen_costs(results, state, day) for results in (book, economic)], ignore_index=True)
    frozen = {
        "yearend_stock": _frozen_stock(book, state),
        "yearend_costs": costs,
        "yearend_composition": _frozen_composition(book, state),
        "yearend_inputs": fingerprints(estate, on),
    }
    for table in frozen.values():
        table.insert(0, "closing_date", when)
    return frozen


def _frozen_stock(results: Results, state: Ints) -> pd.DataFrame:
    chain, estate = results.chain, results.estate
    labels = lot_labels(estate, chain)
    lot = chain.states.lot[state]
    return pd.DataFrame(
        {
            "lot": labels.name[lot],
            "kind": np.array(KINDS, dtype=object)[chain.states.kind[state]],
            "quantity": chain.states.quantity[state],
            "unit": UNITS[chain.lots.unit[lot]],
            "format": labels.format[lot],
            "cuvee": labels.cuvee[lot],
            "tirage_date": as_dates(labels.tirage_day[lot]),
            "location": _locations(results)[state],
            "loss_allowance": chain.allowance_left[lot],
        }
    )


def _locations(results: Results) -> np.ndarray:
    names = np.append(locations(results.estate).to_numpy(dtype=object), "")
    return names[location_of(results.estate, results.chain)]


def _frozen_costs(results: Results, state: Ints, day: int) -> pd.DataFrame:
    """Value of each open state by column, and its share of what is fixed only later."""
    names = results.chain.lots.names.to_numpy(dtype=object)[results.chain.states.lot[state]]
    value = values_at(results, state, day)
    row, column = np.nonzero(value)
    stages = results.columns.get_level_values("stage").to_numpy(dtype=object)
    elements = results.columns.get_level_values("element").to_numpy(dtype=object)
    known = pd.DataFrame(
        {
            "lot": names[row],
            "stage": stages[column],
            "element": elements[column],
            "amount": value[row, column],
            "mean_payment_date": as_dates(np.full(len(row), day)),
            "incurred_date": as_dates(np.full(len(row), BLANK_DAY)),
        }
    )
    frame = pd.concat([known, _fixed_later(results, state, day, names)], ignore_index=True)
    frame.insert(1, "basis", results.basis.name)
    return frame


def _fixed_later(results: Results, state: Ints, day: int, names: np.ndarray) -> pd.DataFrame:
    """Postings incurred after the day whose rows are not carried on: each open lot's share of each."""
    postings, states = results.charges.postings, results.chain.states
    late = np.flatnonzero((postings.incurred > day) & (states.start[postings.state] <= day))
    late = late[~_carried_on(results, late, day)]
    parts = []
    for posting in late:  # a handful a year
        one = np.zeros(len(states))
        one[postings.state[posting]] = 1.0
        share = results.solution.plain.forward(one)
        part = np.asarray(results.shares.matrix[state] @ share)
        part[state == postings.state[posting]] = 1.0
        holds = np.flatnonzero(part > 0)
        parts.append(
            pd.DataFrame(
                {
                    "lot": names[holds],
                    "stage": STAGES[postings.stage[posting]],
                    "element": results.charges.elements[postings.element[posting]],
                    "amount": postings.amount[posting] * part[holds],
                    "mean_payment_date": as_dates(np.full(len(holds), postings.paid[posting])),
                    "incurred_date": as_dates(np.full(len(holds), postings.incurred[posting])),
                }
            )
        )
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def _carried_on(results: Results, late: Ints, day: int) -> np.ndarray:
    """Whether the row of a late posting goes into the next workbook itself: a direct cost on a lot still in
    stock.
    """
    postings, chain = results.charges.postings, results.chain
    in_stock = np.zeros(len(chain.lots.names) + 1, dtype=bool)
    in_stock[chain.states.lot[open_states(results, day)]] = True
    direct = postings.table[late] == TABLE_NAMES.index("costs")
    lot = codes(results.estate["costs"]["lot"], chain.lots.names)
    row = np.where(direct, postings.row[late], 0)
    return np.asarray(direct & in_stock[lot[row]]) if len(lot) else np.zeros(len(late), dtype=bool)


def _frozen_composition(results: Results, state: Ints) -> pd.DataFrame:
    mix = Composition(results.estate, results.chain)
    names = results.chain.lots.names.to_numpy(dtype=object)[results.chain.states.lot[state]]
    rows: list[tuple[object, str, str, float]] = []
    for attribute in ATTRIBUTES:
        table = mix.shares(state, attribute)
        line, column = np.nonzero(table.to_numpy() > 1e-12)
        found = table.to_numpy()[line, column]
        rows += list(
            zip(names[line], [attribute] * len(line), table.columns.to_numpy()[column], found.tolist(), strict=True)
        )
    for attribute, share in (("reserve", mix.reserve), ("second pressing", mix.second_pressing)):
        rows += [
            (lot, attribute, attribute, float(one)) for lot, one in zip(names, share[state], strict=True) if one > 0
        ]
    return pd.DataFrame(rows, columns=["lot", "attribute", "name", "share"])


def fingerprints(estate: Estate, on: date) -> pd.DataFrame:
    """Sheet, row and fingerprint of every input row that speaks of the time up to a day."""
    parts = []
    limit = pd.Timestamp(on)
    for name, sheet in sheets().items():
        frame, source = estate[name], estate.sources[name]
        if sheet.owner != "user" or not len(frame):
            continue
        date_column = "on_date" if "on_date" in frame.columns else "from_date" if "from_date" in frame.columns else ""
        kept = (frame[date_column] <= limit).to_numpy() if date_column else np.ones(len(frame), dtype=bool)
        values = frame.astype(object).where(frame.notna(), "").astype(str).agg("|".join, axis=1).to_numpy()
        rows = np.flatnonzero(kept)
        digest = [hashlib.sha256(values[row].encode()).hexdigest()[:12] for row in rows]
        parts.append(pd.DataFrame({"sheet": source.sheet[rows], "row": source.row[rows], "fingerprint": digest}))
    return pd.concat(parts, ignore_index=True)


def closing_findings(estate: Estate, on: date) -> list[Finding]:
    """What speaks against a closing. Error: a valuation date before it; cautions: pools whose period is still open,
    a closing that exists already.
    """
    found = []
    limit = pd.Timestamp(on)
    valued = estate.settings.valuation_date
    if valued is not None and valued < on:
        title = estate["settings"]["setting"].astype(str).str.casefold().str.replace("_", " ")
        at = int(np.flatnonzero((title == "valuation date").to_numpy())[0])
        rule = f"is before the closing of {on}: rows between the two are plans, and no stock to freeze."
        remedy = "Set the valuation date to the closing or later, or close an earlier day."
        found.append(Finding(estate.place("settings", at, "value"), str(valued), rule, remedy))
    pools = estate["pools"]
    for row in np.flatnonzero(((pools["from_date"] <= limit) & (pools["to_date"] > limit)).to_numpy()):
        place = estate.place("pools", int(row), "to_date")
        rule = f"is the end of a pool that is still open at the closing of {on}; its rate may change afterwards."
        found.append(caution(place, str(pools["to_date"].iloc[row].date()), rule, "Close at the end of the period."))
    if (estate["yearend_stock"]["closing_date"] == limit).any():
        rule = f"holds a closing of {on} already; it is replaced."
        found.append(caution("Year-end stock", str(on), rule, "Keep a copy of the workbook if you need the old one."))
    return found


def with_closing(estate: Estate, frozen: Mapping[str, pd.DataFrame], on: date) -> dict[str, pd.DataFrame]:
    """Year-end sheets with a closing added; one of the same date is replaced, others stay as they were."""
    limit = pd.Timestamp(on)
    both = {}
    for name in YEAR_END:
        old = estate[name]
        kept = old[old["closing_date"] != limit].astype(object)
        both[name] = pd.concat([kept, frozen[name].astype(object)], ignore_index=True)[list(old.columns)]
    return both


def prior_year_difference(estate: Estate) -> tuple[pd.DataFrame, pd.DataFrame]:
    """What later edits did to closed years: values by closing, basis and lot; and the rows that changed, by
    sheet.

    Both are empty where nothing changed.
    """
    values, rows = [], []
    for when in map(pd.Timestamp, sorted(estate["yearend_stock"]["closing_date"].dropna().unique())):
        on = when.date()
        again = close_year(estate, on)
        keys = ["lot", "basis"]
        frozen = estate["yearend_costs"]
        frozen = frozen[(frozen["closing_date"] == when) & frozen["incurred_date"].isna()].astype(
            dict.fromkeys(keys, str)
        )
        present = again["yearend_costs"]
        present = present[present["incurred_date"].isna()].astype(dict.fromkeys(keys, str))
        both = (
            frozen.groupby(keys)["amount"].sum().to_frame("frozen")
            .join(present.groupby(keys)["amount"].sum().to_frame("present"), how="outer")
            .fillna(0.0).reset_index()
        )  # fmt: skip
        both["difference"] = both["present"] - both["frozen"]
        both = both[both["difference"].abs() > _LEAST_DIFFERENCE + _ROUNDING * both["frozen"].abs()]
        both.insert(0, "closing_date", when)
        values.append(both)
        rows.append(_changed_rows(estate["yearend_inputs"], again["yearend_inputs"], when))
    blank = pd.DataFrame(columns=["closing_date", "lot", "basis", "frozen", "present", "difference"])
    changed = pd.DataFrame(columns=["closing_date", "sheet", "row", "what"])
    return (
        pd.concat(values, ignore_index=True) if values else blank,
        pd.concat(rows, ignore_index=True) if rows else changed,
    )


def _changed_rows(frozen: pd.DataFrame, present: pd.DataFrame, when: pd.Timestamp) -> pd.DataFrame:
    old = frozen[frozen["closing_date"] == when]
    parts = []
    for mine, theirs, what in ((present, old, "changed or added"), (old, present, "as it was at the closing")):
        known = set(zip(theirs["sheet"].astype(str), theirs["fingerprint"].astype(str), strict=True))
        keys = zip(mine["sheet"].astype(str), mine["fingerprint"].astype(str), strict=True)
        new = mine[[key not in known for key in keys]]
        parts.append(new[["sheet", "row"]].astype(object).assign(what=what))
    frame = pd.concat(parts, ignore_index=True).sort_values(["sheet", "row", "what"], ignore_index=True)
    frame.insert(0, "closing_date", when)
    return frame


def open_year(estate: Estate, on: date) -> Estate:
    """The estate of the next workbook: opening stock as closed on that date, and every row dated after it.

    CostingError where that date was never closed.
    """
    limit = pd.Timestamp(on)
    stock = estate["yearend_stock"]
    stock = stock[stock["closing_date"] == limit]
    if not len(stock):
        closed = sorted(
            str(pd.Timestamp(one).date()) for one in estate["yearend_stock"]["closing_date"].dropna().unique()
        )
        message = (
            f"{on} has not been closed (closed: {', '.join(closed) or 'none'}). "
            "Run `costing close` with that date first."
        )
        raise CostingError(message)
    tables = {name: estate[name].copy() for name in estate.tables}
    for name in _DATED:
        tables[name] = tables[name][tables[name]["on_date"] > limit]
    tables["pools"] = tables["pools"][tables["pools"]["to_date"] > limit]
    filled = {str(lot): limit for lot in stock["lot"]}
    for name in ("deliveries", "pressings", "movements", "tirage", "disgorgements"):
        for column in sheets()[name].columns:
            if column.introduces and column.refers == "lot":
                first = tables[name].groupby(tables[name][column.name].astype(str))["on_date"].min()
                filled |= {str(lot): min(day, filled.get(str(lot), day)) for lot, day in first.items()}
    costs = tables["costs"]  # one on a lot that was empty then has been carried with the wine that was in it
    since = pd.to_datetime(costs["lot"].astype(str).map(filled))
    tables["costs"] = costs[(costs["on_date"] >= since).to_numpy()]
    values = tables["market_values"]
    tables["market_values"] = values[(values["lot"].isna() | values["lot"].astype(str).isin(set(filled))).to_numpy()]
    trials = tables["trial_blends"]
    tables["trial_blends"] = trials[(trials["line"] != "lot") | trials["lot"].astype(str).isin(set(filled))]
    tables["opening_stock"] = as_table("opening_stock", stock.drop(columns="closing_date").assign(on_date=limit))
    costs, shares = estate["yearend_costs"], estate["yearend_composition"]
    costs = costs[costs["closing_date"] == limit]
    tables["opening_costs"] = as_table("opening_costs", costs.drop(columns="closing_date"))
    shares = shares[shares["closing_date"] == limit]
    tables["opening_composition"] = as_table("opening_composition", shares.drop(columns="closing_date"))
    for name in YEAR_END:
        tables[name] = empty_table(name)
    return replace(
        estate,
        tables={name: as_table(name, table) for name, table in tables.items()},
        sources=_numbered(estate, tables),
    )


def as_table(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    """Frame with the columns and types of a sheet; blank text is blank."""
    blank = empty_table(name)
    columns: dict[str, pd.Series[Any]] = {}
    for column in blank.columns:
        values = frame[column] if column in frame.columns else pd.Series([None] * len(frame), dtype=object)
        values = values.reset_index(drop=True)
        if isinstance(blank[column].dtype, pd.CategoricalDtype):
            text = values.astype(object)
            columns[column] = text.where(text.notna() & (text.astype(str) != ""), None).astype("category")
        elif blank[column].dtype == np.float64:
            columns[column] = pd.to_numeric(values, errors="coerce").astype(np.float64)
        else:
            columns[column] = pd.to_datetime(values).astype(blank[column].dtype)
    return pd.DataFrame(columns)


def _numbered(estate: Estate, tables: Mapping[str, pd.DataFrame]) -> dict[str, Sources]:
    return {
        name: Sources(
            np.full(len(table), sheets()[name].title, dtype=object),
            np.arange(2, len(table) + 2),
            estate.sources[name].letters,
        )
        for name, table in tables.items()
    }
