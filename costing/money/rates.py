"""What is charged by driver: operation rates and dry goods.

    amount = rate on the day of the event × driver quantity

Which row is in force, and what it charges on a day: `costing.money.dated_rates`. At the prices of a day
(`at_prices_of`) an element without an index takes the row in force on that day, where one is, instead of that of the
event. Pools: `costing.money.pools`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from costing.array_types import Flags, Floats, Ints
from costing.graph.arrays import FORMATS, OPERATIONS, STAGES, Flow, codes
from costing.graph.states import Chain
from costing.inputs.estate import Estate
from costing.inputs.in_force import row_in_force
from costing.money.dated_rates import RateTable, dated_rates
from costing.money.events import Events
from costing.money.indices import has_index
from costing.money.postings import BOTTLE_IN, BOTTLE_OUT, FLOW_DRIVERS, Postings, posted
from costing.once import asked_once


class RatesInForce:
    """A sheet of dated rates on a chain: the codes of its columns, one value per row. at_prices_of: day whose prices
    replace the dated ones (None: no).
    """

    def __init__(
        self, estate: Estate, chain: Chain, table: RateTable, elements: pd.Index, at_prices_of: int | None
    ) -> None:
        self.dated = dated_rates(estate, table)
        self.since, self.yearly = self.dated.since, self.dated.yearly
        self.stage, self.format, self.element, self.indexed = _columns(estate, table, elements)
        self.at_prices_of, self._valuation_day = at_prices_of, chain.valuation_day

    def on(self, row: Ints, day: Ints) -> Floats:
        """What rows charge per unit of their driver on a day."""
        return self.dated.of_rows(row, day, self._valuation_day)

    def newest(self, series: Ints) -> int:
        """Row at whose price the whole series is charged (−1: each at its own)."""
        if self.at_prices_of is None or self.indexed[series[0]]:
            return -1
        return int(row_in_force(series, self.since, np.array([self.at_prices_of]))[0])

    def postings(
        self, column: tuple[str, str], worked: Sequence[tuple[Ints, Ints]], driver: Ints, events: Events
    ) -> Postings:
        """Postings of the rates in force. worked: rows of each series, and the events that it may be charged on;
        driver: of each row.
        """
        none = np.zeros(0, dtype=np.int64)
        parts = [(none, none, none), *(self._in_force(series, event, events) for series, event in worked)]
        event, row, day = (np.concatenate(column) for column in zip(*parts, strict=True))
        stage = np.where(self.stage[row] < 0, events.stage[event], self.stage[row])
        bearers = replace(events.bearers(event, driver[row]), stage=stage)
        return posted(column, row, bearers, self.element[row], self.on(row, day) * bearers.quantity)

    def _in_force(self, series: Ints, event: Ints, events: Events) -> tuple[Ints, Ints, Ints]:
        """Events in the format of a series once it is in force, its row then, and the day whose price that charges."""
        if self.format[series[0]] >= 0:
            event = event[events.format[event] == self.format[series[0]]]
        row = row_in_force(series, self.since, events.day[event])
        event, row = event[row >= 0], row[row >= 0]
        newest = self.newest(series)
        if newest < 0:
            return event, row, events.day[event]
        return event, np.full_like(row, newest), np.full_like(row, self.at_prices_of)


@asked_once
def _columns(estate: Estate, table: RateTable, elements: pd.Index) -> tuple[Ints, Ints, Ints, Flags]:
    """Stage, format and element of each row of rates, and whether the element has an index."""
    frame = estate[table]
    element = codes(frame["element"], elements)
    indexed = np.append(has_index(estate, elements), False)[element]
    return codes(frame["stage"], STAGES), codes(frame["format"], FORMATS), element, indexed


def rate_postings(
    estate: Estate, chain: Chain, events: Events, elements: pd.Index, at_prices_of: int | None = None
) -> Postings:
    """Operation rates whose driver is a quantity that moves; those per litre-year and bottle-year:
    `costing.money.time_charges`. at_prices_of: day whose prices replace the dated ones (None: no).
    """
    rates = RatesInForce(estate, chain, "operation_rates", elements, at_prices_of)
    frame = estate["operation_rates"]
    driver, operation = codes(frame["driver"], FLOW_DRIVERS), codes(frame["operation"], OPERATIONS)
    by_operation = {int(number): np.flatnonzero(events.operation == number) for number in np.unique(operation)}
    worked = []
    for series in rates.dated.series:
        first = series[0]
        if driver[first] < 0:
            continue
        event = by_operation[int(operation[first])]
        event = event[events.driver[driver[first], event] > 0]
        if rates.stage[first] >= 0:
            event = event[events.stage[event] == rates.stage[first]]
        worked.append((series, event))
    return rates.postings(("operation_rates", "amount"), worked, driver, events)


def dry_goods_postings(
    estate: Estate, chain: Chain, events: Events, elements: pd.Index, at_prices_of: int | None = None
) -> Postings:
    """Glass and closures at tirage, closures at disgorgement, dressing then or, for a presentation, at
    dispatch. at_prices_of: day whose prices replace the dated ones (None: no).
    """
    rates = RatesInForce(estate, chain, "dry_goods", elements, at_prices_of)
    frame = estate["dry_goods"]
    presentations = pd.Index(frame["presentation"].cat.categories)
    shown = codes(frame["presentation"], presentations)
    kind = chain.flows.kind[events.flow]
    sent = np.flatnonzero(kind == Flow.DISPATCH)
    sent_as = codes(estate["dispatches"]["presentation"], presentations)[chain.flows.row[events.flow[sent]]]
    bottled = np.flatnonzero(events.primary & (kind == Flow.TIRAGE))
    released = np.flatnonzero(events.primary & (kind == Flow.DISGORGEMENT))
    tirage = STAGES.index("tirage")
    worked = []
    for series in rates.dated.series:
        first = series[0]
        event = bottled if rates.stage[first] == tirage else released
        worked.append((series, sent[sent_as == shown[first]] if shown[first] >= 0 else event))
    return rates.postings(("dry_goods", "unit_price"), worked, np.where(shown >= 0, BOTTLE_IN, BOTTLE_OUT), events)


@asked_once
def locations(estate: Estate) -> pd.Index:
    """Every place named by a pool or by a row that puts a lot somewhere."""
    named = [
        estate[table]["location"].cat.categories.to_numpy(dtype=object)
        for table in ("pools", "opening_stock", "deliveries", "movements", "tirage")
    ]
    names: pd.Index = pd.Index(pd.unique(np.concatenate(named)), dtype=object)
    return names


@asked_once
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
        flow_of_kind = np.flatnonzero(flows.kind == kind)
        named[flow_of_kind] = codes(estate[table]["location"], names)[flows.row[flow_of_kind]]
    flow = states.flow[chain.by_lot]
    arrives = chain.target_state[flow] == chain.by_lot
    given = np.where(arrives, named[flow], -1)
    index = np.arange(len(given))
    latest = np.maximum.accumulate(np.where(given >= 0, index, -1))
    first = chain.lot_start[states.lot[chain.by_lot]] if len(index) else index
    place = np.full(len(states), -1, dtype=np.int64)
    place[chain.by_lot] = np.where(latest >= first, given[latest], -1)
    through = np.flatnonzero((chain.target_state >= 0) & (flows.batch >= 0) & (flows.kind != Flow.PRESS_OUT))
    place[states.batch_state[flows.batch[through]]] = place[chain.target_state[through]]
    return place
