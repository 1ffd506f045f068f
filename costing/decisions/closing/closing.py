"""Closing a year: what stock was and cost on a date, frozen, to be carried into the next workbook
(`decisions.closing.next_year`).

The closing date is a valuation at the end of that day. Frozen costs are unrounded, per lot, basis, stage and
element; economic amounts hold the capital charged until then and are dated on the closing, so they grow on
from there. What was fixed only after the closing (a grower's final premium, a late invoice on a lot already
emptied) is carried as an opening cost that is incurred on its own date: each lot's share of it, and what belongs
to goods already gone, by exit, which is cost of goods sold (or another exit) of the day on which it is incurred.
An invoice that the wine of a lot shares on both sides of the closing is carried for what had left by then, and its row
goes on with the rest.
The allowance of the yearly loss norm and the composition of each lot are carried too.

What cannot be carried: the replacement basis, whose postings start again at the prices of the closing date; a
pool whose period is still open (close at its end).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
from scipy.sparse import csr_matrix

from costing.array_types import Floats, Ints
from costing.errors import CostingError, Finding, caution
from costing.graph.arrays import BLANK_DAY, KINDS, STAGES, UNITS, codes, days
from costing.inputs.checks import ATTRIBUTES
from costing.inputs.estate import Estate
from costing.inputs.owners import both_sides, kept_for_others
from costing.inputs.press_checks import setting_place
from costing.inputs.schema import sheets
from costing.model import Runs, trace
from costing.money.entries import shared_after
from costing.money.postings import TABLE_NAMES
from costing.money.rates import location_of, locations
from costing.results.composition import RED, WHITE, composition_of
from costing.results.late import spread
from costing.results.lots import as_dates, lot_labels
from costing.results.results import Results
from costing.results.stock import open_states, values_at
from costing.results.ways_out import names_of_exits

YEAR_END = ("yearend_stock", "yearend_costs", "yearend_composition", "yearend_inputs")
_GONE = ("way_out", "channel")
_NOTHING = 1e-12


def at_date(estate: Estate, on: date, approved: date | None = None) -> Estate:
    """Return the estate valued at another date, whose accounts are approved on a day (None: as its closing says)."""
    changes = {"valuation_date": on, "accounts_approved_on": approved}
    return replace(estate, settings=estate.settings.model_copy(update=changes))


def close_year(estate: Estate, on: date, approved: date | None = None) -> dict[str, pd.DataFrame]:
    """Frozen stock, costs, composition and input fingerprints at the end of a day, as rows of the year-end
    sheets. approved: day on which its accounts are approved, if one is known.

    CostingError where the date is before the records; InputError where the inputs have errors.
    """
    then = at_date(estate, on, approved)
    chain = trace(then)
    runs = Runs(then, chain)
    book, economic = runs.book, runs.economic
    day = int(np.datetime64(on, "D").astype(np.int64))
    state = open_states(book, day)
    if not len(state):
        message = f"nothing is in stock on {on}; check the date of the closing"
        raise CostingError(message)
    state = state[np.argsort(chain.lots.names.to_numpy(dtype=object)[chain.states.lot[state]].astype(str))]
    when = pd.Timestamp(on).as_unit("s")
    costs = pd.concat([_frozen_costs(results, state, day) for results in (book, economic)], ignore_index=True)
    stocks, mixes = [_frozen_stock(book, state)], [_frozen_composition(book, state)]
    theirs = kept_for_others(then)
    if theirs is not None and chain.others is not None:
        others = Runs(theirs, chain.others).book
        others_states = open_states(others, day)
        owner = [then.others.owner[lot] for lot in _lots_of(others, others_states)] if then.others else []
        stocks.append(_frozen_stock(others, others_states).assign(owner=owner))
        mixes.append(_frozen_composition(others, others_states))
    frozen = {
        "yearend_stock": pd.concat([part for part in stocks if len(part)], ignore_index=True),
        "yearend_costs": costs,
        "yearend_composition": pd.concat([part for part in mixes if len(part)] or mixes[:1], ignore_index=True),
        "yearend_inputs": fingerprints(both_sides(estate), on),
    }
    many = len(frozen["yearend_stock"])
    frozen["yearend_stock"].insert(0, "approved_on", pd.to_datetime(pd.Series([approved] * many, dtype=object)))
    before = estate["yearend_stock"]
    version = before.loc[before["closing_date"] == when, "version"].fillna(1.0).max()
    for table in frozen.values():
        table.insert(0, "version", 1.0 if np.isnan(version) else version + 1.0)
        table.insert(0, "closing_date", when)
    return frozen


def _lots_of(results: Results, state: Ints) -> list[str]:
    return [str(results.chain.lots.names[lot]) for lot in results.chain.states.lot[state]]


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
    return np.asarray(names[location_of(results.estate, results.chain)])


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
    frame = frame.reindex(columns=[*known.columns, *_GONE])
    frame.insert(1, "basis", results.basis.name)
    return frame


def _fixed_later(results: Results, state: Ints, day: int, names: np.ndarray) -> pd.DataFrame:
    """Postings incurred after the day whose rows are not carried on whole: each open lot's share of each, and what
    belongs to goods gone by then, by exit.
    """
    postings, states = results.charges.postings, results.chain.states
    late = np.flatnonzero((postings.incurred > day) & (states.start[postings.state] <= day))
    cost_lot, shared = _carried_on(results, late, day)
    frozen = (cost_lot < 0) | (shared > 0)
    late, cost_lot, shared = late[frozen], cost_lot[frozen], shared[frozen]
    if not len(late):
        return pd.DataFrame()
    first, nominal, worth = spread(results, late, day)
    kept = nominal[state[state >= first] - first]
    here, cost = np.nonzero(states.lot[state[state >= first], None] == cost_lot)
    shared_there = shared[cost] * postings.amount[late[cost]]
    kept[here, cost] -= shared_there
    kept[here, cost] *= np.abs(kept[here, cost]) > _NOTHING * np.abs(shared_there)
    row, which = np.nonzero(kept)
    in_stock = _rows_of(results, late[which], names[state >= first][row], kept[row, which])
    return pd.concat([in_stock, _goods_gone(results, late, day, first, nominal, worth)], ignore_index=True)


def _goods_gone(results: Results, late: Ints, day: int, first: int, nominal: Floats, worth: Floats) -> pd.DataFrame:
    """What postings incurred after the day put into goods gone by then: amount and capital by exit."""
    shares, flows, states = results.shares, results.chain.flows, results.chain.states
    postings = results.charges.postings
    gone = np.flatnonzero((flows.day[shares.exit_flow] <= day) & (shares.exit_source >= first))
    ways = pd.MultiIndex.from_arrays([column[gone] for column in names_of_exits(results)])
    number, known = ways.factorize()[0], ways.unique()  # in one order: that of first appearance
    left = csr_matrix(
        (shares.exit_share[gone], (number, shares.exit_source[gone] - first)), shape=(len(known), len(nominal))
    )
    lots = np.append(results.chain.lots.names.to_numpy(dtype=object), "")[states.lot[postings.state[late]]]
    parts = []
    for amount, element in ((nominal, None), (worth - nominal, "capital")):
        gone_by = np.asarray(left @ amount)
        way, which = np.nonzero(gone_by)
        rows = _rows_of(results, late[which], lots[which], gone_by[way, which])
        rows = rows if element is None else rows.assign(element=element)
        parts.append(rows.assign(**{name: known.get_level_values(level)[way] for level, name in enumerate(_GONE)}))
    return pd.concat(parts, ignore_index=True)


def _rows_of(results: Results, posting: Ints, lot: np.ndarray, amount: Floats) -> pd.DataFrame:
    """Rows of opening costs, each with the stage, element and dates of a posting."""
    postings = results.charges.postings.take(posting)
    return pd.DataFrame(
        {
            "lot": lot,
            "stage": np.array(STAGES, dtype=object)[postings.stage],
            "element": results.charges.elements.to_numpy(dtype=object)[postings.element],
            "amount": amount,
            "mean_payment_date": as_dates(postings.paid),
            "incurred_date": as_dates(postings.incurred),
        }
    )


def _carried_on(results: Results, late: Ints, day: int) -> tuple[Ints, Floats]:
    """Late postings of direct costs on lots still in stock, whose rows go into the next workbook themselves: the lot
    (−1: another posting, or the lot is empty), and what that row still puts into what the lot holds, as a part of the
    posting (0: the row goes on whole).
    """
    postings, chain, frame = results.charges.postings, results.chain, results.estate["costs"]
    lot, on_date = codes(frame["lot"], chain.lots.names), days(frame["on_date"])
    cost = np.flatnonzero(postings.table[late] == TABLE_NAMES.index("costs"))
    row = postings.row[late[cost]]
    in_stock = np.isin(lot[row], chain.states.lot[open_states(results, day)])
    cost, row = cost[in_stock], row[in_stock]
    carried_lot, shared = np.full(len(late), -1, dtype=np.int64), np.zeros(len(late))
    carried_lot[cost] = lot[row]
    shared[cost] = shared_after(chain, lot[row], on_date[row], day)[1]
    return carried_lot, shared


def _frozen_composition(results: Results, state: Ints) -> pd.DataFrame:
    mix = composition_of(results.estate, results.chain)
    names = results.chain.lots.names.to_numpy(dtype=object)[results.chain.states.lot[state]]
    rows: list[tuple[object, str, str, float]] = []
    for attribute in ATTRIBUTES:
        table = mix.shares(state, attribute)
        line, column = np.nonzero(table.to_numpy() > 1e-12)
        parts = table.to_numpy()[line, column]
        named = table.columns.to_numpy()[column]
        rows += zip(names[line], [attribute] * len(line), named, parts.tolist(), strict=True)
    colour = mix.shares(state, "colour")
    red = colour[RED].to_numpy() if RED in colour.columns else np.zeros(len(state))
    rows += [
        (lot, "colour", name, float(share))
        for lot, part in zip(names, red, strict=True)
        for name, share in ((RED, part), (WHITE, 1.0 - part))
        if part > 1e-12 and share > 1e-12
    ]
    for attribute, share in (("reserve", mix.reserve), ("second pressing", mix.second_pressing)):
        rows += [
            (lot, attribute, attribute, float(amount))
            for lot, amount in zip(names, share[state], strict=True)
            if amount > 0
        ]
    return pd.DataFrame(rows, columns=["lot", "attribute", "name", "share"])


def fingerprints(estate: Estate, on: date) -> pd.DataFrame:
    """Sheet, row, fingerprint and text of every input row that speaks of the time up to a day."""
    parts = []
    for name, sheet in sheets().items():
        frame, source = estate[name], estate.sources[name]
        if sheet.owner != "user" or not len(frame):
            continue
        rows = np.flatnonzero(speaks_until(frame, on))
        texts = [json.dumps({"": name, **json.loads(text)}, ensure_ascii=False) for text in row_texts(frame.iloc[rows])]
        digest = [hashlib.sha256(text.encode()).hexdigest()[:12] for text in texts]
        parts.append(
            pd.DataFrame(
                {"sheet": source.sheet[rows], "row": source.row[rows], "fingerprint": digest, "content": texts}
            )
        )
    return pd.concat(parts, ignore_index=True)


def speaks_until(frame: pd.DataFrame, on: date) -> np.ndarray:
    """Which rows speak of the time up to a day: those dated by then, and those without a date."""
    name = next((name for name in ("on_date", "from_date") if name in frame.columns), "")
    return ~(frame[name] > pd.Timestamp(on)).to_numpy() if name else np.ones(len(frame), dtype=bool)


def row_texts(frame: pd.DataFrame) -> list[str]:
    """Each row as text: its filled cells by column, in the order of the schema; blank cells say nothing."""
    shown = frame.astype(object).where(frame.notna(), None)
    for name in frame.columns:
        if frame[name].dtype.kind == "M":
            shown[name] = [None if pd.isna(day) else f"{day:%Y-%m-%d}" for day in frame[name]]
    rows = shown.to_dict("records")
    return [json.dumps({k: v for k, v in row.items() if v is not None}, ensure_ascii=False) for row in rows]


def closing_findings(estate: Estate, on: date, *, again: bool = False) -> list[Finding]:
    """What speaks against a closing. Errors: a valuation date before it, and a day closed already unless it is to be
    closed `again`; caution: pools whose period is still open.
    """
    findings = []
    limit = pd.Timestamp(on)
    valued = estate.settings.valuation_date
    if valued is not None and valued < on:
        rule = f"is before the closing of {on}: rows between the two are plans, and no stock to freeze."
        remedy = "Set the valuation date to the closing or later, or close an earlier day."
        findings.append(Finding(setting_place(estate, "valuation_date"), str(valued), rule, remedy))
    approved = estate.settings.accounts_approved_on
    if approved is not None and approved < on:
        rule = f"is before the closing of {on}."
        remedy = "Enter the day on which the accounts of that closing are approved, or empty the cell."
        findings.append(Finding(setting_place(estate, "accounts_approved_on"), str(approved), rule, remedy))
    pools = estate["pools"]
    for row in np.flatnonzero(((pools["from_date"] <= limit) & (pools["to_date"] > limit)).to_numpy()):
        place = estate.place("pools", int(row), "to_date")
        rule = f"is the end of a pool that is still open at the closing of {on}; its rate may change afterwards."
        findings.append(caution(place, str(pools["to_date"].iloc[row].date()), rule, "Close at the end of the period."))
    if (estate["yearend_stock"]["closing_date"] == limit).any():
        if again:
            rule = f"holds a closing of {on} already; it stays, and the new one counts from now on."
            findings.append(caution("Year-end stock", str(on), rule, "Tell your auditor why it was closed again."))
        else:
            rule = f"holds a closing of {on} already: a closed date is closed."
            remedy = "Edits since then are on Prior-year difference; `--again` adds a second closing of that date."
            findings.append(Finding("Year-end stock", str(on), rule, remedy))
    return findings


def with_closing(estate: Estate, frozen: Mapping[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Year-end sheets with a closing added; what they held stays."""
    return {
        name: pd.concat([estate[name].astype(object), frozen[name].astype(object)], ignore_index=True)[
            list(estate[name].columns)
        ]
        for name in YEAR_END
    }


def closed(estate: Estate, name: str, on: date) -> pd.DataFrame:
    """Rows of a year-end table that count for a closing date: those of its latest version."""
    frame = estate[name]
    table: pd.DataFrame = frame[(frame["closing_date"] == pd.Timestamp(on)).to_numpy()]
    version = table["version"].fillna(1.0)
    latest: pd.DataFrame = table[(version == version.max()).to_numpy()]
    return latest
