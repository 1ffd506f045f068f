"""Work on other people's goods: what each owner pays for it, what it cost, and what of theirs lies here.

    margin = Σ rate · quantity − what pools, rates, dry goods and direct costs charged to their goods

Service rates charge as Operation rates do: the rate in force on the day, by the driver of the work; storage month by
month. An owner's own rates for a service take the place of those for everybody. Cost is that of the book basis, by the
same drivers as our own goods; it stands on no stock, and no capital is charged on it. A line is of a financial year.

What it does not do: number invoices, or add value added tax.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from costing.answers.answer import Answer
from costing.array_types import Floats, Ints, ParallelArrays
from costing.calendar import DAYS_A_YEAR, financial_year
from costing.errors import Finding, caution
from costing.graph.arrays import KINDS, OPERATIONS, UNITS
from costing.graph.states import Chain
from costing.inputs.estate import Estate, as_table
from costing.inputs.owners import kept_for_others
from costing.model import Runs
from costing.money.charges import Accrued
from costing.money.events import events_of
from costing.money.pools import unit_years
from costing.money.postings import TABLE_NAMES, Postings, elements_of
from costing.money.rates import location_of, locations, rate_postings
from costing.money.time_charges import by_month, storage_charges
from costing.once import asked_once
from costing.results.lots import lot_labels
from costing.units import STANDARD_BOTTLE_L

_NOTHING = "Nothing of another owner is worked or kept: no row of Deliveries or Opening stock names one."
DIRECT = "direct costs"
STORAGE = "storage"
_KEYS = ["owner", "year", "service"]


@dataclass(frozen=True)
class Services(ParallelArrays):
    """Lines of what owners pay: row of Service rates, owner, day, quantity of the driver, amount in
    the currency of the estate.
    """

    row: Ints
    owner: np.ndarray
    day: Ints
    quantity: Floats
    amount: Floats


def services_of(runs: Runs, until: int) -> Services:
    """What owners pay for work and storage up to the end of a day."""
    theirs, chain = kept_for_others(runs.estate), runs.chain.others
    table = runs.estate["service_rates"]
    none = np.zeros(0, dtype=np.int64)
    parts = [(none, np.zeros(0, dtype=object), none, np.zeros(0), np.zeros(0))]
    if theirs is not None and chain is not None and len(table):
        owner_of = owners_of_states(runs.estate, chain)
        for owner in sorted(set(runs.estate.others.owner.values())) if runs.estate.others else ():
            parts += _of_owner(theirs, chain, table, owner, owner_of, until)
    whole = Services(*(np.concatenate(column) for column in zip(*parts, strict=True)))
    return whole.take(whole.day <= until)


def _of_owner(
    theirs: Estate, chain: Chain, table: pd.DataFrame, owner: str, owner_of: np.ndarray, until: int
) -> list[tuple[Ints, np.ndarray, Ints, Floats, Floats]]:
    """Lines of one owner: the rates of its own first, everybody's for services that it has none for."""
    named = table["owner"].astype(object)
    own = (named == owner).to_numpy()
    also = named.isna().to_numpy() & ~table["operation"].isin(table["operation"][own]).to_numpy()
    rows = np.flatnonzero(own | also)
    price = table["rate"].to_numpy() * table["currency_rate"].fillna(1.0).to_numpy()
    taken = table.iloc[rows]
    columns = {name: taken[name] for name in ("from_date", "operation", "format", "driver")}
    rates = as_table("operation_rates", pd.DataFrame({**columns, "amount": price[rows], "element": "services"}))
    charged = replace(theirs, tables={**theirs.tables, "operation_rates": rates})
    elements = elements_of(charged)
    postings = rate_postings(charged, chain, events_of(charged, chain), elements)
    postings = postings.take((owner_of[postings.state] == owner) & (postings.state >= 0))
    lines = [(rows[postings.row], postings.incurred, postings.amount)]
    for charge in storage_charges(charged, chain, elements, None):
        borne = charge.states[owner_of[charge.states] == owner]
        ends, row, amount = by_month(charge, borne, chain, until)
        lines.append((rows[row], ends, amount))
    some = [(row, np.full(len(row), owner, dtype=object), day, amount) for row, day, amount in lines]
    per_unit = np.where(price > 0, price, 1.0)
    return [(row, of, day, amount / per_unit[row], amount) for row, of, day, amount in some]


def owners_of_states(estate: Estate, chain: Chain) -> np.ndarray:
    """Owner of every state of other people's goods."""
    others = estate.others
    names = np.array([others.owner.get(str(lot), "") if others else "" for lot in chain.lots.names], dtype=object)
    states, flows = chain.states, chain.flows
    drawn = flows.source[states.flow]  # what it drew is of one owner with what it fills
    return np.asarray(names[np.where(drawn >= 0, drawn, flows.target[states.flow])])


@asked_once
def services(runs: Runs) -> Answer:
    """What owners of goods pay for the work on them, what it cost, and what of theirs lies here."""
    facts = runs.facts
    chain = runs.chain.others
    if chain is None:
        return Answer({"service_margins": pd.DataFrame(columns=["owner"])}, (), (), facts, _NOTHING)
    lines = _invoice_lines(runs)
    cost = _work_cost(runs, chain)
    by_service = lines.groupby(_KEYS, as_index=False)["invoiced"].sum().merge(cost, on=_KEYS, how="outer")
    by_service[["invoiced", "work_cost"]] = by_service[["invoiced", "work_cost"]].fillna(0.0)
    totals = by_service.groupby(["owner", "year"], as_index=False)[["invoiced", "work_cost"]].sum()
    margins = _with_margin(totals).merge(_kept(runs, chain), on=["owner", "year"], how="left")
    tables = {
        "service_margins": margins.pipe(_latest_first),
        "service_invoices": lines.pipe(_latest_first),
        "services_by_kind": _with_margin(by_service).pipe(_latest_first),
        "goods_of_others": _on_hand(runs, chain),
    }
    return Answer(tables, tuple(_not_invoiced(runs, by_service)), _said(runs, margins), facts, _NOTHING)


def _with_margin(frame: pd.DataFrame) -> pd.DataFrame:
    margin = frame["invoiced"] - frame["work_cost"]
    return frame.assign(
        service_pays=np.where(margin >= 0.0, "pays", "does not pay"),
        service_margin=margin,
        margin_of_invoice=margin / frame["invoiced"].where(frame["invoiced"] > 0),
    )


def _latest_first(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.sort_values(["year", "owner"], ascending=[False, True], kind="stable", ignore_index=True)


def _years(runs: Runs, day: Ints) -> np.ndarray:
    year, _ = financial_year(day, runs.estate.settings.fiscal_year_start_month)
    return year.astype(str).astype(object)


def _invoice_lines(runs: Runs) -> pd.DataFrame:
    """One line for each owner, year and rate."""
    charged, table = services_of(runs, runs.today), runs.estate["service_rates"]
    frame = pd.DataFrame(
        {
            "owner": charged.owner,
            "year": _years(runs, charged.day),
            "rate_row": charged.row,
            "quantity": charged.quantity,
            "invoiced": charged.amount,
        }
    )
    frame = frame.groupby(["owner", "year", "rate_row"], as_index=False).sum()
    row = frame.pop("rate_row").to_numpy(dtype=np.int64)
    frame["service"] = table["operation"].astype(object).to_numpy()[row]
    frame["unit"] = table["driver"].astype(object).to_numpy()[row]
    frame["service_rate"] = table["rate"].to_numpy()[row]
    currency = table["currency"].astype(object).fillna(runs.currency).to_numpy()[row]
    if (currency != runs.currency).any():
        frame = frame.assign(invoice_currency=currency, invoice_amount=frame["service_rate"] * frame["quantity"])
    frame["place"] = [runs.estate.place("service_rates", int(rate_row), "rate") for rate_row in row]
    return frame


def _work_cost(runs: Runs, chain: Chain) -> pd.DataFrame:
    """What work on their goods cost by owner, year and service."""
    postings, accrued = runs.book.charges.on_services()
    postings = postings.take(postings.incurred <= runs.today)
    owner_of = owners_of_states(runs.estate, chain)
    parts = [
        pd.DataFrame(
            {
                "owner": owner_of[postings.state],
                "year": _years(runs, postings.incurred),
                "service": _service_of(runs.estate, chain, postings),
                "work_cost": postings.amount,
            }
        )
    ]
    parts += [_stored(runs, chain, part, owner_of) for part in accrued]
    whole = pd.concat([part for part in parts if len(part)] or parts[:1], ignore_index=True)
    summed: pd.DataFrame = whole.groupby(_KEYS, as_index=False)[["work_cost"]].sum()
    return summed


def _stored(runs: Runs, chain: Chain, part: Accrued, owner_of: np.ndarray) -> pd.DataFrame:
    """What keeping their goods cost, by owner and year."""
    frames = []
    for owner in np.unique(owner_of[part.states].astype(str)):
        ends, _, amount = by_month(part.charge, part.states[owner_of[part.states] == owner], chain, runs.today)
        year = _years(runs, ends)
        frames.append(pd.DataFrame({"owner": owner, "year": year, "service": STORAGE, "work_cost": amount}))
    return pd.concat(frames, ignore_index=True)


def _service_of(estate: Estate, chain: Chain, postings: Postings) -> np.ndarray:
    """Service that each posting is a cost of: the operation of its rate, else of the row that caused it."""
    names = np.array([*OPERATIONS, DIRECT], dtype=object)
    service = names[np.append(chain.flows.operation, -1)[postings.flow]]
    rated = postings.table == TABLE_NAMES.index("operation_rates")
    service[rated] = estate["operation_rates"]["operation"].astype(object).to_numpy()[postings.row[rated]]
    service[postings.table == TABLE_NAMES.index("costs")] = DIRECT
    return np.asarray(service)


def _kept(runs: Runs, chain: Chain) -> pd.DataFrame:
    """What each owner's goods took on average over each year: places of 75 cl, and litres in vats."""
    states, lots = chain.states, chain.lots
    filled = np.flatnonzero(states.lot >= 0)
    owner_of = owners_of_states(runs.estate, chain)[filled]
    bottled = lots.format[states.lot[filled]] >= 0
    litres = np.nan_to_num(lots.litres_per_unit)[states.lot[filled]]
    days = np.arange(int(states.start.min()), runs.today + 1)
    year, begins = financial_year(days, runs.estate.settings.fiscal_year_start_month)
    names, first = np.unique(year, return_index=True)
    since = begins[first] - 1  # stock is dated at the end of its day
    until = np.append(since[1:], runs.today)
    frames = []
    for owner in np.unique(owner_of.astype(str)):
        frame = pd.DataFrame({"owner": owner, "year": names.astype(str)})
        for column, of, per in (
            ("places_kept", bottled, litres / STANDARD_BOTTLE_L),
            ("litres_kept_for", ~bottled, litres),
        ):
            of_owner = of & (owner_of == owner)
            years = unit_years(chain, filled[of_owner], since, until, per[of_owner])
            frame[column] = years * DAYS_A_YEAR / (until - since)
        frames.append(frame)
    return pd.concat(frames)


def _on_hand(runs: Runs, chain: Chain) -> pd.DataFrame:
    """Their lots on hand at the valuation date."""
    states, lots = chain.states, chain.lots
    theirs = kept_for_others(runs.estate) or runs.estate
    number = np.arange(len(lots.names))
    state = chain.state_on(number, np.full(len(number), runs.today))  # the date cuts every lot
    state = state[states.quantity[state] > 0]
    lot, labels = states.lot[state], lot_labels(theirs, chain)
    places = np.append(locations(theirs).to_numpy(dtype=object), "")[location_of(theirs, chain)]
    return pd.DataFrame(
        {
            "lot": labels.name[lot],
            "owner": owners_of_states(runs.estate, chain)[state],
            "kind": np.array(KINDS, dtype=object)[states.kind[state]],
            "quantity": states.quantity[state],
            "unit": UNITS[lots.unit[lot]],
            "format": labels.format[lot],
            "location": places[state],
        }
    ).sort_values(["owner", "lot"], kind="stable", ignore_index=True)


def places_of_others(runs: Runs, day: Ints, names: Sequence[str]) -> Floats:
    """Places of 75 cl taken in each named place by other people's bottles on lees at each day's end [names, days]."""
    taken = np.zeros((len(names), len(day)))
    chain, theirs = runs.chain.others, kept_for_others(runs.estate)
    if chain is None or theirs is None:
        return taken
    states, number = chain.states, np.arange(len(chain.lots.names))
    place = pd.Index(names).get_indexer(locations(theirs).append(pd.Index([""])))[location_of(theirs, chain)]
    for column, ends_on in enumerate(day.tolist()):
        state = chain.state_on(number, np.full(len(number), ends_on))
        state = state[(state >= 0) & (states.kind[state] == KINDS.index("on lees"))]
        state = state[place[state] >= 0]
        places = states.quantity[state] * chain.lots.litres_per_unit[states.lot[state]] / STANDARD_BOTTLE_L
        np.add.at(taken[:, column], place[state], places)
    return taken


def _said(runs: Runs, margins: pd.DataFrame) -> tuple[str, ...]:
    """The last year in one sentence for each owner."""
    last = margins[margins["year"] == margins["year"].max()] if len(margins) else margins
    columns = ("owner", "year", "invoiced", "work_cost", "service_margin")
    figures, money = zip(*(last[name] for name in columns), strict=True), runs.currency
    return tuple(
        f"{owner}, {year}: {invoiced:,.2f} {money} to invoice for work that cost {cost:,.2f}; {margin:,.2f} is left."
        for owner, year, invoiced, cost, margin in figures
    )


def _not_invoiced(runs: Runs, by_service: pd.DataFrame) -> list[Finding]:
    """A caution that names services which cost money and have no rate."""
    rated = set(runs.estate["service_rates"]["operation"].astype(object))
    bare = by_service[(by_service["work_cost"].abs() > 0.005) & ~by_service["service"].isin(rated)]
    if not len(bare):
        return []
    names = ", ".join(dict.fromkeys(f"'{name}'" for name in bare["service"]))
    rule = f"no rate for {names}: {bare['work_cost'].sum():,.2f} of work on other people's goods is not invoiced apart."
    return [caution("Service rates", "", rule, "Enter a rate, unless the price of another service covers it.")]
