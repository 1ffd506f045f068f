"""What is charged by driver: operation rates and dry goods.

    amount = rate on the day of the event × driver quantity

A rate holds from its date until the next of the same operation, stage, format, driver and element. After the
valuation date it rises by its yearly change, so plans cost what the work will cost then. At the prices of a day
(`at_prices_of`) an element without an index takes the row in force on that day, where one is, instead of that of
the event. Pools: `costing.money.pools`.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.engine.carrying import DAYS_A_YEAR
from costing.graph.arrays import OPERATIONS, STAGES, Floats, Flow, Ints, codes, days
from costing.graph.states import Chain
from costing.inputs.estate import Estate
from costing.inputs.in_force import row_in_force, series_of
from costing.money.events import FLOW_DRIVERS, Events
from costing.money.indices import has_index
from costing.money.postings import Postings, joined, posted
from costing.units import FORMATS_L

FORMATS = pd.Index(list(FORMATS_L))
RATE_KEYS = ("driver", "operation", "stage", "format", "element")
DRY_GOODS_KEYS = ("stage", "item", "format", "presentation", "element")
"""Columns that rows of one series have in common: a rate holds until the next of its series."""
ON_WHAT_CAME_IN = tuple(FLOW_DRIVERS.index(driver) for driver in ("litre", "bottle in"))
"""Drivers of work on what an operation takes in: an abnormal loss takes its part of that work."""


def escalated(amount: Floats, yearly: Floats, since: Ints, day: Ints, valuation_day: int) -> Floats:
    """Amounts of a plan on `day`: raised by `yearly` for each year after the valuation date or `since`, the
    later.
    """
    years = np.maximum(day - np.maximum(since, valuation_day), 0) / DAYS_A_YEAR
    return np.asarray(amount * (1.0 + np.nan_to_num(yearly)) ** years)


def rate_postings(
    estate: Estate, chain: Chain, events: Events, elements: pd.Index, at_prices_of: int | None = None
) -> Postings:
    """Operation rates whose driver is a quantity that moves. at_prices_of: day whose prices replace the dated ones
    (None: no).
    """
    indexed = has_index(estate, elements)
    frame = estate["operation_rates"]
    driver = codes(frame["driver"], pd.Index(FLOW_DRIVERS))
    operation, stage = (
        codes(frame["operation"], pd.Index(OPERATIONS)),
        codes(frame["stage"], pd.Index(STAGES)),
    )
    form, element = codes(frame["format"], FORMATS), codes(frame["element"], elements)
    since = days(frame["from_date"])
    by_operation = {int(op): np.flatnonzero(events.operation == op) for op in np.unique(operation)}
    parts = []
    for rows in series_of([driver, operation, stage, form, element], since):
        first = rows[0]
        if driver[first] < 0:
            continue  # per litre-year or bottle-year: costing.money.time_charges
        at = by_operation[int(operation[first])]
        at = at[events.driver[driver[first], at] > 0]
        if stage[first] >= 0:
            at = at[events.stage[at] == stage[first]]
        if form[first] >= 0:
            at = at[events.format[at] == form[first]]
        parts.append(
            _charge(
                "operation_rates",
                rows,
                frame["amount"].to_numpy(),
                frame["escalation"].to_numpy(),
                since,
                int(element[first]),
                events,
                at,
                events.driver[driver[first], at],
                chain.valuation_day,
                None if indexed[element[first]] else at_prices_of,
                on_what_came_in=driver[first] in ON_WHAT_CAME_IN,
            )
        )
    return joined(parts) if parts else _nothing("operation_rates")


def dry_goods_postings(
    estate: Estate, chain: Chain, events: Events, elements: pd.Index, at_prices_of: int | None = None
) -> Postings:
    """Glass and closures at tirage, closures at disgorgement, dressing then or, for a presentation, at
    dispatch. at_prices_of: day whose prices replace the dated ones (None: no).
    """
    indexed = has_index(estate, elements)
    frame = estate["dry_goods"]
    stage, form = codes(frame["stage"], pd.Index(STAGES)), codes(frame["format"], FORMATS)
    presentations = pd.Index(frame["presentation"].cat.categories)
    shown = codes(frame["presentation"], presentations)
    item = codes(frame["item"], pd.Index(frame["item"].cat.categories))
    element, since = codes(frame["element"], elements), days(frame["from_date"])
    price = frame["unit_price"].to_numpy() * frame["quantity_per_bottle"].fillna(1.0).to_numpy()
    flow = events.flow
    kind = chain.flows.kind[flow]
    sent_as = np.full(len(flow), -1, dtype=np.int64)
    sent = np.flatnonzero(kind == Flow.DISPATCH)
    sent_as[sent] = codes(estate["dispatches"]["presentation"], presentations)[chain.flows.row[flow[sent]]]
    tirage = STAGES.index("tirage")
    bottled = np.flatnonzero(events.primary & (kind == Flow.TIRAGE))
    released = np.flatnonzero(events.primary & (kind == Flow.DISGORGEMENT))
    parts = []
    for rows in series_of([stage, item, form, shown, element], since):
        first = rows[0]
        if shown[first] >= 0:
            at = sent[sent_as[sent] == shown[first]]
        else:
            at = bottled if stage[first] == tirage else released
        if form[first] >= 0:
            at = at[events.format[at] == form[first]]
        driver = FLOW_DRIVERS.index("bottle in" if shown[first] >= 0 else "bottle out")
        parts.append(
            _charge(
                "dry_goods",
                rows,
                price,
                frame["escalation"].to_numpy(),
                since,
                int(element[first]),
                events,
                at,
                events.driver[driver, at],
                chain.valuation_day,
                None if indexed[element[first]] else at_prices_of,
                int(stage[first]),
            )
        )
    return joined(parts) if parts else _nothing("dry_goods")


def _charge(
    table: str,
    rows: Ints,
    rate: Floats,
    yearly: Floats,
    since: Ints,
    element: int,
    events: Events,
    at: Ints,
    quantity: Floats,
    valuation_day: int,
    at_prices_of: int | None,
    stage: int = -1,
    on_what_came_in: bool = False,
) -> Postings:
    """Post one series of dated rates on the events `at`; on_what_came_in: an abnormal loss takes its part."""
    row = row_in_force(rows, since, events.day[at])
    at, quantity, row = at[row >= 0], quantity[row >= 0], row[row >= 0]
    day = priced = events.day[at]
    newest = -1 if at_prices_of is None else int(row_in_force(rows, since, np.array([at_prices_of]))[0])
    if at_prices_of is not None and newest >= 0:
        row, priced = np.full_like(row, newest), np.full_like(day, at_prices_of)
    amount = escalated(rate[row], yearly[row], since[row], priced, valuation_day) * quantity
    where = events.stage[at] if stage < 0 else stage
    flow = events.flow[at]
    return posted(
        table, row, events.state[at], where, element, amount, day, flow=flow, through=flow if on_what_came_in else -1
    )


def _nothing(table: str) -> Postings:
    none = np.zeros(0, dtype=np.int64)
    return posted(table, none, none, 0, 0, np.zeros(0), none)


def locations(estate: Estate) -> pd.Index:
    """Every place named by a pool or by a row that puts a lot somewhere."""
    named = [
        estate[table]["location"].cat.categories.to_numpy(dtype=object)
        for table in ("pools", "opening_stock", "deliveries", "movements", "tirage")
    ]
    names: pd.Index = pd.Index(pd.unique(np.concatenate(named)), dtype=object)
    return names


def location_of(estate: Estate, chain: Chain) -> Ints:
    """Place of every state: the last one named for its lot; a batch lies where its bottles go."""
    names = locations(estate)
    flows, states = chain.flows, chain.states
    named = np.full(len(flows), -1, dtype=np.int64)
    for kind, table in (
        (Flow.OPENING, "opening_stock"),
        (Flow.DELIVERY, "deliveries"),
        (Flow.MOVEMENT, "movements"),
        (Flow.TIRAGE, "tirage"),
    ):
        at = np.flatnonzero(flows.kind == kind)
        named[at] = codes(estate[table]["location"], names)[flows.row[at]]
    flow = states.flow[chain.by_lot]
    arrives = chain.target_state[flow] == chain.by_lot
    given = np.where(arrives, named[flow], -1)
    index = np.arange(len(given))
    latest = np.maximum.accumulate(np.where(given >= 0, index, -1))
    first = chain.lot_start[states.lot[chain.by_lot]] if len(index) else index
    place = np.full(len(states), -1, dtype=np.int64)
    place[chain.by_lot] = np.where(latest >= first, given[np.maximum(latest, 0)], -1)
    through = np.flatnonzero((chain.target_state >= 0) & (flows.batch >= 0) & (flows.kind != Flow.PRESS_OUT))
    place[states.batch_state[flows.batch[through]]] = place[chain.target_state[through]]
    return place
